#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <mutex>
#include <optional>

#include "anatomy/frames.h"
#include "anatomy/part_id.h"
#include "anatomy/section.h"
#include "report/pictures.h"
#include "workspace/bone_owners.h"
#include "workspace/plane_cutter.h"
#include "workspace/views.h"
#include "xray/bodies.h"

namespace rayset {
namespace {

constexpr double kOutsideHu = -1024;
constexpr double kPlaneStepMm = 0.5;   // between the planes that a thick slice averages
constexpr double kSteepCosine = 0.94;  // a device within 20 degrees of dorsal: proximal is up
constexpr double kTolerancePx = 0.1;   // outlines may be off by this
constexpr double kJointGapMm = 4;      // widest gap between faces of a joint: twice the closing of fixation/path.h
constexpr double kFacing = 0.5;        // least cosine between a face's normal and the direction to the other face
constexpr double kInPlaceMm = 1e-9;
constexpr int kCarriedHu = 150;  // of a halo: anything hardly denser than muscle is noise, and stays behind

bool isMoved(const Rigid& X) { return (X.matrix() - Eigen::Matrix4d::Identity()).cwiseAbs().maxCoeff() > kInPlaceMm; }

Status check(const SliceRequest& r) {
  const auto number = [](double v, double low, double high) { return std::isfinite(v) && v >= low && v <= high; };
  if (r.width < 16 || r.width > 1024 || r.height < 16 || r.height > 1024)
    return fail(Fault::kRequest,
                Message("workspace.slice_pixels_cannot_made", {{"width", r.width}, {"height", r.height}}),
                "width, height", Message("workspace.ask_16_1024_pixels_either_way"));
  if (!number(r.mm_per_pixel, 0.02, 5))
    return fail(Fault::kRequest, Message("workspace.pixel_mm_out_range", {{"mm_per_pixel", plain(r.mm_per_pixel)}}),
                "mm", Message("workspace.ask_0_02_5_mm_pixel"));
  if (!number(r.offset_mm, -300, 300))
    return fail(Fault::kRequest, Message("workspace.offset_mm_out_range", {{"offset", plain(r.offset_mm)}}), "offset",
                Message("workspace.ask_300_300_mm"));
  if (!number(r.turn_rad, -10, 10))
    return fail(Fault::kRequest, Message("workspace.turn_radians_out_range", {{"turn", plain(r.turn_rad)}}), "turn",
                Message("workspace.ask_less_full_turn_either_way"));
  if (!number(r.thickness_mm, 0, 40))
    return fail(Fault::kRequest, Message("workspace.thickness_mm_out_range", {{"thickness", plain(r.thickness_mm)}}),
                "thickness", Message("workspace.ask_0_40_mm"));
  return {};
}

/// The plane of a picture: its centre, its directions, and the line its offset follows.
struct Plane {
  Vec3 middle = Vec3::Zero(), right = Vec3::UnitX(), up = Vec3::UnitY(), normal = Vec3::UnitZ();
};

Vec3 across(const Vec3& v, const Vec3& axis) { return (v - v.dot(axis) * axis).normalized(); }

/// Along the shaft, or across it, in the pose of `axis`.
Plane rayPlane(const MetatarsalAxis& axis, const Frame& frame, Side side, const SliceRequest& request) {
  const Vec3 distal = axis.distal, dorsal = across(frame.dorsal, distal);
  // On a right foot dorsal = distal x medial, on a left foot its mirror image.
  const Vec3 medial = side == Side::kRight ? dorsal.cross(distal) : distal.cross(dorsal);
  Plane p;
  p.middle = axis.base_centre;
  if (request.kind == SliceKind::kAlong) {
    p.right = distal;
    p.up = std::cos(request.turn_rad) * dorsal + std::sin(request.turn_rad) * medial;
    p.normal = std::cos(request.turn_rad) * medial - std::sin(request.turn_rad) * dorsal;
  } else {
    p.up = dorsal;
    p.right = distal.cross(dorsal);  // from the head of the table, as on the ray board
    p.normal = distal;
  }
  return p;
}

/// Across a device, seen along it; the same directions at every depth.
Plane drillPlane(const Device& device, const Frame& frame) {
  const Vec3& along = device.direction;
  const bool steep = std::abs(along.dot(frame.dorsal)) > kSteepCosine;
  Plane p;
  p.middle = device.entry;
  p.up = across(steep ? Vec3(-frame.distal) : frame.dorsal, along);
  p.right = along.cross(p.up);  // right x up points back at the viewer
  p.normal = along;
  return p;
}

/// A row of pixels as index in a grid: at column n, from + n * step.
struct IndexRow {
  Vec3 from, step;
};

/// The columns whose index lies within [low, high] on every axis; empty: first > last.
struct Columns {
  int first = 0, last = -1;
};
Columns columnsWithin(const IndexRow& row, const Vec3& low, const Vec3& high, int width) {
  double first = 0, last = width - 1;
  for (int a = 0; a < 3; ++a) {
    const double d = row.step[a];
    if (std::abs(d) < 1e-12) {
      if (row.from[a] < low[a] || row.from[a] > high[a]) return {};
      continue;
    }
    const double t0 = (low[a] - row.from[a]) / d, t1 = (high[a] - row.from[a]) / d;
    first = std::max(first, std::min(t0, t1));
    last = std::min(last, std::max(t0, t1));
  }
  if (first > last) return {};
  return {static_cast<int>(std::ceil(first - 1e-9)), static_cast<int>(std::floor(last + 1e-9))};
}

/// A cell of the CT's grid and the weight of each of its corners.
struct Cell {
  int i, j, k;
  float weight[8];

  Cell(const Vec3& index, const Eigen::Vector3i& size) {
    int at[3];
    float f[3];
    for (int a = 0; a < 3; ++a) {
      at[a] = std::clamp(static_cast<int>(index[a]), 0, std::max(0, size[a] - 2));
      f[a] = static_cast<float>(std::clamp(index[a] - at[a], 0.0, 1.0));
    }
    i = at[0], j = at[1], k = at[2];
    const float g[3] = {1 - f[0], 1 - f[1], 1 - f[2]};
    const float yz[4] = {g[1] * g[2], f[1] * g[2], g[1] * f[2], f[1] * f[2]};
    for (std::size_t n = 0; n < 4; ++n) {
      weight[2 * n] = g[0] * yz[n];
      weight[2 * n + 1] = f[0] * yz[n];
    }
  }
};

/// From a cell's first corner to each of its eight.
std::array<std::size_t, 8> cornersOf(const Eigen::Vector3i& size) {
  const auto x = static_cast<std::size_t>(size.x() > 1 ? 1 : 0);
  const auto y = static_cast<std::size_t>(size.y() > 1 ? size.x() : 0);
  const auto z = size.z() > 1 ? static_cast<std::size_t>(size.x()) * static_cast<std::size_t>(size.y()) : 0;
  return {0, x, y, x + y, z, x + z, y + z, x + y + z};
}

/// A bone that is not where it was scanned.
struct MovedBody {
  const BoneOwners::Movable* body;
  Rigid to_scanned;
};

/// Grey values of one state of the foot.
class GreyValues {
 public:
  GreyValues(const CtVolume& ct, const BoneOwners& owners, std::vector<MovedBody> moved)
      : ct_(ct),
        owners_(owners),
        moved_(std::move(moved)),
        corners_(cornersOf(ct.grid.size)),
        owner_corners_(cornersOf(owners.voxels.grid.size)) {
    for (const MovedBody& m : moved_) {
      left_[m.body->id] = Left::kBone;
      left_[m.body->id | BoneOwners::kHalo] = Left::kHalo;
    }
  }

  /// HU of `width` pixels from `start` on, `step` apart; kOutsideHu outside the scan.
  void row(const Vec3& start, const Vec3& step, int width, float* out) const {
    std::fill(out, out + width, static_cast<float>(kOutsideHu));
    const IndexRow scan = rowIn(start, step);
    const Vec3 last = (ct_.grid.size - Eigen::Vector3i::Ones()).cast<double>();
    const Columns inside = columnsWithin(scan, Vec3::Constant(-1e-6), last + Vec3::Constant(1e-6), width);
    const Columns leaving = moved_.empty() ? Columns{} : columnsNearOwners(scan, width);
    for (int n = inside.first; n <= inside.last; ++n) {
      const Cell cell(scan.from + n * scan.step, ct_.grid.size);
      out[n] = n >= leaving.first && n <= leaving.last ? withoutMoved(cell) : plain(cell);
    }
    for (const MovedBody& m : moved_) addMoved(m, start, step, width, out);
  }

 private:
  enum class Left : std::uint8_t { kNothing, kBone, kHalo };

  [[nodiscard]] IndexRow rowIn(const Vec3& start, const Vec3& step) const {
    return {ct_.grid.toIndex(start), (ct_.grid.direction.transpose() * step).cwiseQuotient(ct_.grid.spacing)};
  }
  [[nodiscard]] const std::int16_t* first(const Cell& c) const { return &ct_.at(c.i, c.j, c.k); }
  [[nodiscard]] const std::uint8_t* firstOwner(const Cell& c) const {
    return &owners_.voxels.at(c.i - owners_.low.x(), c.j - owners_.low.y(), c.k - owners_.low.z());
  }

  /// Cells whose eight corners all have an owner's voxel.
  [[nodiscard]] Columns columnsNearOwners(const IndexRow& scan, int width) const {
    const Vec3 low = owners_.low.cast<double>() + Vec3::Constant(1e-6);
    return columnsWithin(
        scan, low, low + (owners_.voxels.grid.size - Eigen::Vector3i::Ones()).cast<double>() - Vec3::Constant(1e-6),
        width);
  }

  [[nodiscard]] float plain(const Cell& cell) const {
    const std::int16_t* v = first(cell);
    float sum = 0;
    for (std::size_t n = 0; n < 8; ++n) sum += cell.weight[n] * static_cast<float>(v[corners_[n]]);
    return sum;
  }

  /// Muscle where the moved bones were.
  [[nodiscard]] float withoutMoved(const Cell& cell) const {
    const std::int16_t* v = first(cell);
    const std::uint8_t* o = firstOwner(cell);
    float sum = 0;
    for (std::size_t n = 0; n < 8; ++n) {
      auto hu = static_cast<float>(v[corners_[n]]);
      const Left left = left_[o[owner_corners_[n]]];
      if (left == Left::kBone)
        hu = static_cast<float>(kMuscleHu);
      else if (left == Left::kHalo)
        hu = std::min(hu, static_cast<float>(kMuscleHu));
      sum += cell.weight[n] * hu;
    }
    return sum;
  }

  /// Draws a moved bone over the row: the bone itself replaces the values, its halo only adds to them. Where two moved
  /// bones overlap the denser shows.
  void addMoved(const MovedBody& m, const Vec3& start, const Vec3& step, int width, float* out) const {
    const IndexRow scan = rowIn(m.to_scanned * start, m.to_scanned.linear() * step);
    const Vec3 low =
        (m.body->low - Eigen::Vector3i::Ones()).cwiseMax(owners_.low).cast<double>() + Vec3::Constant(1e-6);
    const Vec3 end = (owners_.low + owners_.voxels.grid.size - Eigen::Vector3i::Ones()).cast<double>();
    const Vec3 high = (m.body->high + Eigen::Vector3i::Ones()).cast<double>().cwiseMin(end) - Vec3::Constant(1e-6);
    const Columns columns = columnsWithin(scan, low, high, width);
    const auto id = m.body->id, halo_id = static_cast<std::uint8_t>(id | BoneOwners::kHalo);
    for (int n = columns.first; n <= columns.last; ++n) {
      const Cell cell(scan.from + n * scan.step, ct_.grid.size);
      const std::int16_t* v = first(cell);
      const std::uint8_t* o = firstOwner(cell);
      float mine = 0, bone = 0, hu = 0;
      for (std::size_t c = 0; c < 8; ++c) {
        const std::uint8_t owner = o[owner_corners_[c]];
        const bool whole = owner == id;
        if (!whole && (owner != halo_id || v[corners_[c]] < kCarriedHu)) continue;
        mine += cell.weight[c];
        if (whole) bone += cell.weight[c];
        hu += cell.weight[c] * static_cast<float>(v[corners_[c]]);
      }
      if (mine <= 0) continue;
      const float there = std::max(out[n], static_cast<float>(kOutsideHu)), laid = hu + (1 - mine) * there;
      out[n] = bone * laid + (1 - bone) * std::max(laid, there);
    }
  }

  const CtVolume& ct_;
  const BoneOwners& owners_;
  std::vector<MovedBody> moved_;
  std::array<std::size_t, 8> corners_, owner_corners_;
  std::array<Left, 256> left_{};
};

/// Offsets of the planes that a thick slice averages.
std::vector<double> planeOffsets(double thickness_mm) {
  const int half = static_cast<int>(std::floor(thickness_mm / 2 / kPlaneStepMm + 1e-9));
  std::vector<double> offsets;
  for (int n = -half; n <= half; ++n) offsets.push_back(n * kPlaneStepMm);
  return offsets;
}

std::vector<std::int16_t> pixels(const GreyValues& grey, const Slice& s, double thickness_mm) {
  const std::vector<double> offsets = planeOffsets(thickness_mm);
  std::vector<std::int16_t> out(static_cast<std::size_t>(s.width) * static_cast<std::size_t>(s.height));
  tbb::parallel_for(0, s.height, [&](int r) {
    const auto width = static_cast<std::size_t>(s.width);
    std::vector<float> row(width), sum(width, 0.0F);
    std::vector<int> planes(width, 0);
    for (const double offset : offsets) {
      grey.row(s.origin + r * s.mm_per_pixel * s.down + offset * s.normal, s.mm_per_pixel * s.right, s.width,
               row.data());
      for (std::size_t n = 0; n < width; ++n) {
        if (row[n] <= static_cast<float>(kOutsideHu)) continue;  // outside the scan: the others' mean
        sum[n] += row[n];
        ++planes[n];
      }
    }
    std::int16_t* to = out.data() + static_cast<std::size_t>(r) * width;
    for (std::size_t n = 0; n < width; ++n) {
      const double mean = planes[n] > 0 ? static_cast<double>(sum[n]) / planes[n] : kOutsideHu;
      to[n] = static_cast<std::int16_t>(std::lround(std::clamp(mean, -32768.0, 32767.0)));
    }
  });
  return out;
}

Eigen::Vector2d toPixels(const Slice& s, const Vec3& p) {
  const Vec3 d = (p - s.origin) / s.mm_per_pixel;
  return {d.dot(s.right), d.dot(s.down)};
}

using Line = std::vector<Eigen::Vector2d>;

double distanceToStretch(const Eigen::Vector2d& p, const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  const Eigen::Vector2d d = b - a;
  const double length2 = d.squaredNorm();
  const double t = length2 > 0 ? std::clamp((p - a).dot(d) / length2, 0.0, 1.0) : 0;
  return (p - a - t * d).norm();
}

/// Leaves out points that the line without them passes within the tolerance (Douglas and Peucker 1973).
Line simplified(const Line& in) {
  if (in.size() < 3) return in;
  std::vector<char> keep(in.size(), 0);
  std::vector<std::pair<std::size_t, std::size_t>> stretches;
  // A closed line is halved first: its ends are one point.
  const std::size_t middle = in.front() == in.back() ? in.size() / 2 : in.size() - 1;
  keep.front() = keep.back() = keep[middle] = 1;
  stretches.emplace_back(0, middle);
  if (middle + 1 < in.size()) stretches.emplace_back(middle, in.size() - 1);
  while (!stretches.empty()) {
    const auto [a, b] = stretches.back();
    stretches.pop_back();
    double worst = kTolerancePx;
    std::size_t at = 0;
    for (std::size_t n = a + 1; n < b; ++n) {
      const double d = distanceToStretch(in[n], in[a], in[b]);
      if (d > worst) worst = d, at = n;
    }
    if (at == 0) continue;
    keep[at] = 1;
    stretches.emplace_back(a, at);
    stretches.emplace_back(at, b);
  }
  Line out;
  for (std::size_t n = 0; n < in.size(); ++n)
    if (keep[n] != 0) out.push_back(in[n]);
  return out;
}

bool inPicture(const Slice& s, const Line& line) {
  Eigen::AlignedBox2d box;
  for (const auto& p : line) box.extend(p);
  return box.intersects(Eigen::AlignedBox2d(Eigen::Vector2d(-1, -1), Eigen::Vector2d(s.width, s.height)));
}

/// A device's outline; the solid of deviceSurface().
std::optional<Slice::Outline> outlineOf(const Slice& s, const Vec3& middle, const Device& d,
                                        const Catalogue& catalogue) {
  Slice::Outline outline{d.id, {}};
  for (const Points& loop : planeSection(deviceSurface(d, catalogue), middle, s.normal).loops) {
    Line line;
    for (const Vec3& p : loop) line.push_back(toPixels(s, p));
    line.push_back(line.front());
    if (inPicture(s, line)) outline.lines.push_back(simplified(line));
  }
  if (outline.lines.empty()) return std::nullopt;
  return outline;
}

/// A part of the foot that is cut as a unit.
struct Part {
  std::string id, pose;
  std::string bone;  ///< that a fragment is a piece of
  Surface surface;   ///< as scanned
  Box box;
  mutable std::once_flag once;
  mutable std::unique_ptr<PlaneCutter> cutter;

  Part(std::string name, std::string moves_with, std::string of, Surface s)
      : id(std::move(name)),
        pose(std::move(moves_with)),
        bone(std::move(of)),
        surface(std::move(s)),
        box(bounds(surface)) {}
  [[nodiscard]] const PlaneCutter& cut() const {
    std::call_once(once, [this] { cutter = std::make_unique<PlaneCutter>(surface); });
    return *cutter;
  }
};

/// A part in the pose of a state.
struct PlacedPart {
  const Part* part;
  Rigid X, back;
  std::vector<PlaneCutter::Chain> chains;  ///< in the patient frame of the state
};

/// Whether the box, moved by X, meets the picture's rectangle in its plane (may be true without, never false if it
/// does).
bool mayMeet(const Box& box, const Rigid& X, const Slice& s) {
  const Vec3 middle = s.origin + 0.5 * s.mm_per_pixel * (s.width * s.right + s.height * s.down);
  const Vec3 d = X * box.center() - middle, half = 0.5 * box.sizes();
  const auto reach = [&](const Vec3& direction) {
    return (X.linear().transpose() * direction).cwiseAbs().dot(half) + 1e-6;
  };
  return std::abs(d.dot(s.normal)) <= reach(s.normal) &&
         std::abs(d.dot(s.right)) <= reach(s.right) + 0.5 * s.mm_per_pixel * s.width &&
         std::abs(d.dot(s.down)) <= reach(s.down) + 0.5 * s.mm_per_pixel * s.height;
}

/// Even-odd, in the plane.
bool encloses(const Line& line, const Eigen::Vector2d& p) {
  bool inside = false;
  for (std::size_t n = 0; n + 1 < line.size(); ++n) {
    const auto &a = line[n], &b = line[n + 1];
    if ((a.y() > p.y()) == (b.y() > p.y())) continue;
    if (p.x() < a.x() + (p.y() - a.y()) / (b.y() - a.y()) * (b.x() - a.x())) inside = !inside;
  }
  return inside;
}

}  // namespace

struct Slicer::Impl {
  const CtVolume* ct;
  std::vector<std::unique_ptr<Part>> parts;
  std::unique_ptr<const BoneOwners> owners;
  mutable EachRay<std::once_flag> axis_once;
  mutable EachRay<std::optional<MetatarsalAxis>> axes;  ///< as scanned

  [[nodiscard]] const Part* find(const std::string& id) const {
    for (const auto& p : parts)
      if (p->id == id) return p.get();
    return nullptr;
  }

  [[nodiscard]] const MetatarsalAxis* axis(Ray ray, const Frame& frame) const {
    std::call_once(axis_once[ray], [&] {
      if (const Part* p = find(std::string(boneId(metatarsal(ray)))))
        axes[ray] = metatarsalAxis(p->surface, frame.distal);
    });
    return axes[ray] ? &*axes[ray] : nullptr;
  }

  [[nodiscard]] GreyValues greyValues(const std::map<std::string, Rigid>& poses) const {
    std::vector<MovedBody> moved;
    for (const BoneOwners::Movable& b : owners->bodies)
      if (const Rigid X = poseOf(poses, b.pose); isMoved(X)) moved.push_back({&b, X.inverse()});
    return {*ct, *owners, std::move(moved)};
  }

  [[nodiscard]] std::vector<PlacedPart> placed(const std::map<std::string, Rigid>& poses) const {
    std::vector<PlacedPart> out;
    for (const auto& p : parts) {
      const Rigid X = poseOf(poses, p->pose);
      out.push_back({p.get(), X, X.inverse(), {}});
    }
    return out;
  }

  void margin(const Device& device, const Vec3& at, const std::vector<PlacedPart>& placed, Slice& s) const;
};

/// The line from the device's side to the outer cortex of the bones it passes through, in the plane of the slice.
void Slicer::Impl::margin(const Device& device, const Vec3& at, const std::vector<PlacedPart>& all, Slice& s) const {
  const auto isThrough = [&](const std::string& id) {
    return std::find(device.through.begin(), device.through.end(), id) != device.through.end();
  };
  std::vector<const PlacedPart*> through;
  for (const PlacedPart& p : all)
    if (isThrough(p.part->id) || isThrough(p.part->bone)) through.push_back(&p);

  const Eigen::Vector2d axis = toPixels(s, at);
  double nearest = std::numeric_limits<double>::infinity();
  bool inside = false;
  std::vector<double> distances;  // of the axis from each bone that is near
  for (const PlacedPart* p : through) {
    if (const auto near = p->part->cut().nearest(p->back * at, kJointGapMm)) distances.push_back(near->distance);
    for (const PlaneCutter::Chain& chain : p->chains) {
      Line line;
      for (const Vec3& v : chain.points) line.push_back(toPixels(s, v));
      if (chain.closed && encloses(line, axis)) inside = !inside;
      for (std::size_t n = 0; n + 1 < chain.points.size(); ++n) {
        const Eigen::Vector2d d = line[n + 1] - line[n];
        const double t = d.squaredNorm() > 0 ? std::clamp((axis - line[n]).dot(d) / d.squaredNorm(), 0.0, 1.0) : 0;
        const double mm = (line[n] + t * d - axis).norm() * s.mm_per_pixel;
        if (mm >= nearest) continue;
        // If another of the bones is right in front of it, it is a face of a joint or a break.
        const Vec3 v = chain.points[n] + t * (chain.points[n + 1] - chain.points[n]);
        const bool joint = std::any_of(through.begin(), through.end(), [&](const PlacedPart* other) {
          if (other == p) return false;
          const auto near = other->part->cut().nearest(other->back * v, kJointGapMm);
          if (!near) return false;
          const Vec3 way = other->X * near->position - v;
          return near->distance < 0.05 || way.dot(chain.normals[n]) > kFacing * near->distance;
        });
        if (joint) continue;
        nearest = mm;
        s.margin_at = line[n] + t * d;
      }
    }
  }
  if (!std::isfinite(nearest)) return;
  std::sort(distances.begin(), distances.end());
  const bool between = distances.size() > 1 && distances[0] + distances[1] <= kJointGapMm;  // in the joint's gap
  s.has_margin = true;
  s.margin_mm = (inside || between ? nearest : -nearest) - device.diameter_mm / 2;
}

Slicer::Slicer(const Case& c, const CtVolume& ct) : impl_(std::make_unique<Impl>()) {
  impl_->ct = &ct;
  const auto add = [&](const std::string& id, const std::string& pose, const std::string& bone,
                       const Surface& surface) {
    if (!surface.empty()) impl_->parts.push_back(std::make_unique<Part>(id, pose, bone, surface));
  };
  for (const auto& [bone, surface] : c.injured) {
    const std::string id(boneId(bone));
    add(id, bone == Bone::kSesamoids ? "M1" : id, "", surface);  // as the bodies: they go with the first ray
  }
  for (const auto& [id, f] : c.fragments) add(id, id, parentId(id), f.bone.surface);
  impl_->owners = std::make_unique<const BoneOwners>(c, ct);
}

Slicer::~Slicer() = default;

Result<Slice> Slicer::slice(const Case& c, const SliceRequest& request) const {
  if (Status s = check(request); !s) return tl::unexpected(s.error());
  if (impl_->ct->voxels.empty())
    return fail(Fault::kRequest, "workspace.case_has_no_ct_cut", "images", Message("workspace.import_images_again"));
  const bool reduced = request.state == FootState::kReduced;
  const std::map<std::string, Rigid> poses = reduced ? reducedPoses(c) : std::map<std::string, Rigid>();
  const Frame& frame = c.reduction.frame;

  const Device* device = nullptr;
  Plane plane;
  if (request.kind == SliceKind::kDrill) {
    const auto it = std::find_if(c.fixation.devices.begin(), c.fixation.devices.end(),
                                 [&](const Device& d) { return d.id == request.device; });
    if (it == c.fixation.devices.end())
      return fail(Fault::kRequest, Message("workspace.no_device_plan", {{"device", request.device}}), "device",
                  Message("workspace.choose_one_plans_screws_wires"));
    if (!reduced)
      return fail(Fault::kRequest, "workspace.devices_planned_reduced_foot_injured_foot", "state",
                  Message("workspace.look_along_device_reduced_foot"));
    device = &*it;
    plane = drillPlane(*device, frame);
  } else {
    const MetatarsalAxis* scanned = impl_->axis(request.ray, frame);
    if (scanned == nullptr)
      return fail(Fault::kRequest,
                  Message("workspace.metatarsal_not_found_these_images", {{"ray", nameOf(request.ray)}}), "ray",
                  Message("workspace.choose_another_ray_correct_bones_hand"));
    const Rigid X = poseOf(poses, std::string(boneId(metatarsal(request.ray))));
    MetatarsalAxis axis = *scanned;
    axis.base_centre = X * axis.base_centre;
    axis.distal = X.linear() * axis.distal;
    plane = rayPlane(axis, frame, c.side, request);
  }

  Slice s;
  s.width = request.width;
  s.height = request.height;
  s.mm_per_pixel = request.mm_per_pixel;
  s.right = plane.right;
  s.down = -plane.up;
  s.normal = plane.normal;
  const Vec3 middle = plane.middle + request.offset_mm * plane.normal;
  s.origin = middle - 0.5 * s.mm_per_pixel * ((s.width - 1) * s.right + (s.height - 1) * s.down);
  s.top = orientationWord(frame, plane.up);
  s.bottom = orientationWord(frame, s.down);
  s.left = orientationWord(frame, -s.right);
  s.right_word = orientationWord(frame, s.right);
  s.hu = pixels(impl_->greyValues(poses), s, request.thickness_mm);

  std::vector<PlacedPart> placed = impl_->placed(poses);
  tbb::parallel_for(std::size_t{0}, placed.size(), [&](std::size_t n) {
    PlacedPart& p = placed[n];
    if (reduced && p.part->id == boneId(Bone::kToes)) return;  // each goes with its ray: no surface of theirs fits
    if (!mayMeet(p.part->box, p.X, s)) return;
    p.chains = p.part->cut().cut(p.back * middle, p.back.linear() * s.normal);
    for (PlaneCutter::Chain& chain : p.chains) {
      for (Vec3& v : chain.points) v = p.X * v;
      for (Vec3& v : chain.normals) v = p.X.linear() * v;
    }
  });
  for (const PlacedPart& p : placed) {
    Slice::Outline outline{p.part->id, {}};
    for (const PlaneCutter::Chain& chain : p.chains) {
      Line line;
      for (const Vec3& v : chain.points) line.push_back(toPixels(s, v));
      if (inPicture(s, line)) outline.lines.push_back(simplified(line));
    }
    if (!outline.lines.empty()) s.outlines.push_back(std::move(outline));
  }
  if (reduced)
    for (const Device& d : c.fixation.devices)
      if (auto outline = outlineOf(s, middle, d, c.catalogue)) s.outlines.push_back(std::move(*outline));
  if (device != nullptr) impl_->margin(*device, middle, placed, s);
  return s;
}

Result<Slice> sliceOf(const Case& c, const CtVolume& ct, const SliceRequest& request) {
  return Slicer(c, ct).slice(c, request);
}

}  // namespace rayset
