#include "phantom/scan.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>

#include "anatomy/part_id.h"
#include "base/counter_random.h"
#include "geometry/distance_field.h"
#include "image/filters.h"
#include "phantom/hardening.h"

namespace rayset {
namespace {

using Vec3f = Eigen::Vector3f;

constexpr double kFwhmPerSigma = 2.3548200450309493;  // 2 sqrt(2 ln 2)
constexpr double kOvershootSigmaMm = 0.5;             // of the wider blur of a sharp kernel

float smoothStep(float low, float high, float x) {
  const float t = std::clamp((x - low) / (high - low), 0.0F, 1.0F);
  return t * t * (3 - 2 * t);
}

/// A periodic block of band-limited Gaussian noise with mean 0 and standard deviation 1: white noise filtered by the
/// difference of two Gaussians, so it has neither the grid's roughness nor slow drifts.
class NoiseBlock {
 public:
  static constexpr int kSize = 64;

  explicit NoiseBlock(std::uint64_t seed) {
    std::vector<float> white(kCount);
    for (std::size_t n = 0; n < kCount; n += 2) {
      const auto pair = normalPair(counterHash(seed) + n);
      white[n] = pair[0];
      white[n + 1] = pair[1];
    }
    values_ = blurred(white, 0.9);
    const std::vector<float> slow = blurred(white, 2.2);
    double sum = 0, squares = 0;
    for (std::size_t n = 0; n < kCount; ++n) {
      values_[n] -= slow[n];
      sum += static_cast<double>(values_[n]);
    }
    const double mean = sum / static_cast<double>(kCount);
    for (const float v : values_) squares += (static_cast<double>(v) - mean) * (static_cast<double>(v) - mean);
    const double scale = 1 / std::sqrt(squares / static_cast<double>(kCount));
    for (float& v : values_) v = static_cast<float>((static_cast<double>(v) - mean) * scale);
  }

  /// Trilinear; `p` in steps of the block, any value.
  [[nodiscard]] float operator()(float x, float y, float z) const {
    const float fx = std::floor(x), fy = std::floor(y), fz = std::floor(z);
    const int i0 = static_cast<int>(fx) & kMask, j0 = static_cast<int>(fy) & kMask, k0 = static_cast<int>(fz) & kMask;
    const int i1 = (i0 + 1) & kMask, j1 = (j0 + 1) & kMask, k1 = (k0 + 1) & kMask;
    const float a = x - fx, b = y - fy, c = z - fz;
    const auto at = [&](int i, int j, int k) { return values_[static_cast<std::size_t>((k * kSize + j) * kSize + i)]; };
    const auto mix = [](float p, float q, float t) { return p + (q - p) * t; };
    return mix(mix(mix(at(i0, j0, k0), at(i1, j0, k0), a), mix(at(i0, j1, k0), at(i1, j1, k0), a), b),
               mix(mix(at(i0, j0, k1), at(i1, j0, k1), a), mix(at(i0, j1, k1), at(i1, j1, k1), a), b), c);
  }

 private:
  static constexpr int kMask = kSize - 1;
  static constexpr std::size_t kCount = static_cast<std::size_t>(kSize) * kSize * kSize;

  static std::vector<float> blurred(std::vector<float> v, double sigma) {
    const int reach = static_cast<int>(std::ceil(3 * sigma));
    std::vector<float> weights;
    for (int d = -reach; d <= reach; ++d)
      weights.push_back(static_cast<float>(std::exp(-0.5 * d * d / (sigma * sigma))));
    float total = 0;
    for (const float w : weights) total += w;
    for (float& w : weights) w /= total;
    std::vector<float> line(kSize);
    for (int axis = 0; axis < 3; ++axis) {
      const int stride = axis == 0 ? 1 : axis == 1 ? kSize : kSize * kSize;
      for (int n = 0; n < kSize * kSize; ++n) {
        const int a = n % kSize, b = n / kSize;
        const int start = axis == 0 ? (b * kSize + a) * kSize : axis == 1 ? b * kSize * kSize + a : b * kSize + a;
        for (int i = 0; i < kSize; ++i) {
          float sum = 0;
          for (int d = -reach; d <= reach; ++d)
            sum += weights[static_cast<std::size_t>(d + reach)] *
                   v[static_cast<std::size_t>(start + stride * ((i + d) & kMask))];
          line[static_cast<std::size_t>(i)] = sum;
        }
        for (int i = 0; i < kSize; ++i)
          v[static_cast<std::size_t>(start + stride * i)] = line[static_cast<std::size_t>(i)];
      }
    }
    return v;
  }

  std::vector<float> values_;
};

// Steps of the noise block: 0.5 mm gives features of about 1 mm (trabeculae as a clinical CT shows them); eight times
// that gives regional variation of bone and the fat between muscles.
constexpr float kFineStep = 0.5F;
constexpr float kSlowStep = 3.2F;

/// Trilinear reading of a dense distance grid, in index coordinates that the caller keeps inside [0, size - 1).
struct FieldView {
  const float* values = nullptr;
  Eigen::Vector3i size = Eigen::Vector3i::Zero();
  Vec3f origin = Vec3f::Zero();
  float per_mm = 1;

  explicit FieldView(const DistanceField& f)
      : values(f.values().data()),
        size(f.size()),
        origin(f.box().min().cast<float>()),
        per_mm(static_cast<float>(1 / f.voxel())) {}

  [[nodiscard]] float at(const Vec3f& q) const {
    const int i = static_cast<int>(q.x()), j = static_cast<int>(q.y()), k = static_cast<int>(q.z());
    const float a = q.x() - static_cast<float>(i), b = q.y() - static_cast<float>(j), c = q.z() - static_cast<float>(k);
    const std::size_t row = static_cast<std::size_t>(size.x());
    const std::size_t plane = row * static_cast<std::size_t>(size.y());
    const float* v =
        values + static_cast<std::size_t>(k) * plane + static_cast<std::size_t>(j) * row + static_cast<std::size_t>(i);
    const auto mix = [](float p, float r, float t) { return p + (r - p) * t; };
    return mix(mix(mix(v[0], v[1], a), mix(v[row], v[row + 1], a), b),
               mix(mix(v[plane], v[plane + 1], a), mix(v[plane + row], v[plane + row + 1], a), b), c);
  }
  /// As at(), clamped to the grid.
  [[nodiscard]] float clamped(const Vec3f& q) const {
    Vec3f r;
    for (int a = 0; a < 3; ++a) r[a] = std::clamp(q[a], 0.0F, static_cast<float>(size[a]) - 1.001F);
    return at(r);
  }
};

enum class Kind { kShaft, kTarsal, kLeg, kSmall, kSolid };

/// The material of a part.
struct PartModel {
  Kind kind = Kind::kSolid;
  DistanceField field;                 ///< of the part's own surface
  std::optional<DistanceField> whole;  ///< of the unbroken bone, if the part is a piece
  Vec3f axis_origin = Vec3f::Zero();   ///< proximal-or-distal end of a shaft, on its principal axis
  Vec3f axis = Vec3f::UnitX();         ///< unit, along a shaft
  float axis_length = 1;
  float cortex_ends = 0.8F, cortex_middle = 0.8F;  ///< mm
  float cancellous_surface = 450, cancellous_deep = 270;
  Vec3f sparse_centre = Vec3f::Zero();  ///< middle of a region with few trabeculae (calcaneus: neutral triangle)
  float sparse_radius = 0;
  std::optional<Eigen::Isometry3f> to_texture;
};

Kind kindOf(const std::string& id) {
  const auto bone = boneFromId(parentId(id));
  if (!bone) return Kind::kSolid;
  if (rayOf(*bone)) return Kind::kShaft;
  switch (*bone) {
    case Bone::kTibia:
    case Bone::kFibula:
      return Kind::kLeg;
    case Bone::kToes:
    case Bone::kSesamoids:
      return Kind::kSmall;
    default:
      return Kind::kTarsal;
  }
}

PartModel modelOf(const ScannedPart& part, const ScanSettings& s, double field_voxel) {
  PartModel m;
  m.kind = kindOf(part.id);
  if (part.to_texture != nullptr) m.to_texture = part.to_texture->cast<float>();
  constexpr double kBand = 4.0;  // below this depth nothing changes
  m.field = DistanceField(*part.surface, field_voxel, kBand);
  if (part.whole != nullptr) m.whole.emplace(*part.whole, field_voxel, kBand);
  const Surface& bone = part.whole != nullptr ? *part.whole : *part.surface;
  const float thin = static_cast<float>(0.5 * s.cortex_mm);
  switch (m.kind) {
    case Kind::kShaft: {
      Points points;
      for (const OrientedPoint& p : sampleEvenly(bone, 3000)) points.push_back(p.position);
      const PrincipalAxes axes = principalAxes(points);
      const Vec3 axis = axes.axes.col(0);
      double low = 1e9, high = -1e9;
      for (const Vec3& v : bone.vertices) {
        low = std::min(low, (v - axes.centre).dot(axis));
        high = std::max(high, (v - axes.centre).dot(axis));
      }
      m.axis = axis.cast<float>();
      m.axis_origin = (axes.centre + low * axis).cast<float>();
      m.axis_length = static_cast<float>(high - low);
      m.cortex_middle = static_cast<float>(s.cortex_mm);
      m.cortex_ends = thin;
      m.cancellous_deep = 250;
      break;
    }
    case Kind::kTarsal:
      m.cortex_ends = m.cortex_middle = thin;
      if (part.id.rfind("Cal", 0) == 0) {
        m.sparse_centre = centroid(bone).cast<float>();
        m.sparse_radius = 8;
      }
      break;
    case Kind::kLeg:
      m.cortex_ends = m.cortex_middle = static_cast<float>(0.8 * s.cortex_mm);
      m.cancellous_deep = 180;
      break;
    case Kind::kSmall:
      m.cortex_ends = m.cortex_middle = static_cast<float>(0.55 * s.cortex_mm);
      m.cancellous_surface = 350;
      m.cancellous_deep = 150;
      break;
    case Kind::kSolid:
      break;
  }
  return m;
}

/// HU of a point inside the part, before blur. `depth`: mm below the bone's own surface.
float boneHu(const PartModel& m, const ScanSettings& s, const NoiseBlock* noise, float depth, const Vec3f& p) {
  const float density = static_cast<float>(s.density);
  const float cortex_hu = static_cast<float>(TissueHu::kCortex) * density;
  if (m.kind == Kind::kSolid) return cortex_hu;
  float thickness = m.cortex_ends;
  float canal = 0;
  if (m.kind == Kind::kShaft) {
    const float u = (p - m.axis_origin).dot(m.axis) / m.axis_length;
    const float from_end = std::min(u, 1 - u);
    thickness += (m.cortex_middle - m.cortex_ends) * smoothStep(0.14F, 0.36F, from_end);
    canal = smoothStep(0.22F, 0.40F, from_end);
  }
  float slow = 0, fine = 0;
  const Vec3f q = m.to_texture ? Vec3f(*m.to_texture * p) : p;
  if (noise != nullptr) {
    slow = (*noise)(q.x() / kSlowStep + 11.3F, q.y() / kSlowStep + 5.7F, q.z() / kSlowStep + 3.1F);
    thickness *= 1 + 0.10F * std::clamp(slow, -2.0F, 2.0F);
  }
  const float shell = 1 - smoothStep(thickness - 0.2F, thickness + 0.25F, depth);
  if (shell >= 1) return cortex_hu;
  if (noise != nullptr) fine = (*noise)(q.x() / kFineStep, q.y() / kFineStep, q.z() / kFineStep);
  float deep = m.cancellous_deep;
  if (m.sparse_radius > 0)
    deep *= 1 - 0.75F * std::exp(-0.5F * (p - m.sparse_centre).squaredNorm() / (m.sparse_radius * m.sparse_radius));
  const float below = std::max(0.0F, depth - thickness);
  float cancellous = (deep + (m.cancellous_surface - deep) * std::exp(-below / 1.8F)) * (1 + 0.15F * slow);
  cancellous = std::max(-80.0F, density * (cancellous + 170 * fine));
  const float marrow = static_cast<float>(TissueHu::kMarrow) + 18 * slow;
  const float inner = cancellous + (marrow - cancellous) * canal;
  return inner + (cortex_hu - inner) * shell;
}

/// Skin depth and distance from bone on a coarse grid in the patient frame.
class SoftTissue {
 public:
  SoftTissue(const std::vector<ScannedPart>& parts, const std::vector<PartModel>& models, const Grid& ct,
             const NoiseBlock* noise, const Cast& cast)
      : noise_(noise),
        cast_thickness_(static_cast<float>(cast.thickness_mm)),
        cast_hu_(static_cast<float>(cast.hu)),
        padding_(static_cast<float>(cast.padding_mm)) {
    Box box;
    for (const Vec3& c : ct.corners()) box.extend(c);
    for (const PartModel& m : models) box.extend(m.field.box());
    grid_.spacing = Vec3::Constant(kStep);
    grid_.origin = box.min() - Vec3::Constant(2 * kStep);
    grid_.size = ((box.sizes() / kStep).array().ceil().cast<int>() + 6).matrix();
    LabelVolume mask(grid_);
    tbb::parallel_for(0, grid_.size.z(), [&](int k) {
      for (int j = 0; j < grid_.size.y(); ++j)
        for (int i = 0; i < grid_.size.x(); ++i) {
          const Vec3 p = grid_.toPatient(Vec3(i, j, k));
          for (const PartModel& m : models)
            if (m.field.box().contains(p) && m.field.value(p) < 0.5 * kStep) {
              mask.at(i, j, k) = 1;
              break;
            }
        }
    });
    const FloatVolume exact = signedDistance(mask);
    distance_ = exact.voxels;
    // Smoothing bridges the hollows between the bones as the soft parts do.
    const FloatVolume smooth = smoothGaussian(exact, 4.0);
    const std::vector<Sole> soles = findSoles(parts);
    skin_.resize(grid_.count());
    if (cast_thickness_ > 0) cast_ends_.resize(grid_.count(), 1000.0F);
    tbb::parallel_for(0, grid_.size.z(), [&](int k) {
      for (int j = 0; j < grid_.size.y(); ++j)
        for (int i = 0; i < grid_.size.x(); ++i) {
          const std::size_t n = grid_.offset(i, j, k);
          const Vec3 p = grid_.toPatient(Vec3(i, j, k));
          double thickness = 7.0;  // dorsum; ours
          Vec3 gradient = Vec3::Zero();
          for (int a = 0; a < 3; ++a) {
            Eigen::Vector3i low(i, j, k), high(i, j, k);
            low[a] = std::max(0, low[a] - 1);
            high[a] = std::min(grid_.size[a] - 1, high[a] + 1);
            gradient[a] = static_cast<double>(smooth.at(high.x(), high.y(), high.z())) -
                          static_cast<double>(smooth.at(low.x(), low.y(), low.z()));
          }
          const double length = gradient.norm();
          const Sole* nearest = nullptr;
          for (const Sole& sole : soles)
            if (nearest == nullptr || (p - sole.middle).squaredNorm() < (p - nearest->middle).squaredNorm())
              nearest = &sole;
          if (nearest != nullptr && length > 0) {
            const double down = std::max(0.0, gradient.dot(nearest->plantar) / length);
            const double back = std::max(0.0, -gradient.dot(nearest->distal) / length);
            const double at_heel =
                std::clamp(((nearest->middle - p).dot(nearest->distal) - 20) / 30, 0.0, 1.0);  // behind the midfoot
            thickness += down * (6 + 4 * at_heel) + back * at_heel * 4;
          }
          skin_[n] = static_cast<float>(thickness) - smooth.voxels[n];
          if (cast_thickness_ > 0 && nearest != nullptr) {
            const Vec3 from = p - nearest->middle;
            cast_ends_[n] = nearest->foot != 0
                                ? -1000.0F
                                : static_cast<float>(std::min(nearest->toes_mm - from.dot(nearest->distal),
                                                              nearest->leg_mm + from.dot(nearest->plantar)));
          }
        }
    });
  }

  /// HU at a patient point; `edge_mm`: half width of the blurred skin edge.
  [[nodiscard]] float hu(const Vec3f& p, float edge_mm) const {
    Vec3f q = (p - grid_.origin.cast<float>()) / static_cast<float>(kStep);
    for (int a = 0; a < 3; ++a) q[a] = std::clamp(q[a], 0.0F, static_cast<float>(grid_.size[a]) - 1.001F);
    const float skin = read(skin_, q);
    float around = static_cast<float>(TissueHu::kAir);
    if (cast_thickness_ > 0 && skin < edge_mm) around = castHu(p, q, -skin, edge_mm);
    if (skin < -edge_mm) return around;
    const float distance = read(distance_, q);
    constexpr float kCapsule = static_cast<float>(TissueHu::kCapsule), kMuscle = static_cast<float>(TissueHu::kMuscle);
    constexpr float kFat = static_cast<float>(TissueHu::kFat), kSkin = static_cast<float>(TissueHu::kSkin);
    float slow = 0, slower = 0;
    if (noise_ != nullptr && distance > 1.5F) {
      slow = (*noise_)(p.x() / kSlowStep + 40.1F, p.y() / kSlowStep + 7.9F, p.z() / kSlowStep + 23.3F);
      slower = (*noise_)(p.x() / 1.3F + 1.1F, p.y() / 1.3F + 57.0F, p.z() / 1.3F + 31.7F);
    }
    // Fat lies under the skin, more of it where the cover is thick (sole, heel), and in streaks between the muscles.
    const float cover = skin + std::max(0.0F, distance);  // local thickness from bone to skin
    const float fat_depth = std::max(2.5F, 0.62F * cover);
    const float fat = smoothStep(-0.25F, 0.25F, (fat_depth - skin) / fat_depth + 0.33F * slow - 0.1F);
    const float muscle = kMuscle + 6 * slow;
    float tissue = muscle + (kFat + 22 * std::max(0.0F, slower) - muscle) * fat;
    tissue += (kSkin - tissue) * (1 - smoothStep(1.2F, 2.0F, skin));
    tissue += (kCapsule - tissue) * (1 - smoothStep(1.8F, 3.2F, distance));
    const float inside = smoothStep(-edge_mm, edge_mm, skin);
    return around + (tissue - around) * inside;
  }

 private:
  static constexpr double kStep = 2.0;  // mm

  struct Sole {
    int foot;
    Vec3 middle, distal, plantar;
    double toes_mm, leg_mm;  ///< from the middle to where a cast ends: at the metatarsal heads, and up the leg
  };

  /// HU at `height` mm outside the skin: padding, plaster, air.
  [[nodiscard]] float castHu(const Vec3f& p, const Vec3f& q, float height, float edge_mm) const {
    constexpr float kAir = static_cast<float>(TissueHu::kAir), kPadding = static_cast<float>(TissueHu::kPadding);
    const float outer = padding_ + cast_thickness_;
    if (height > outer + edge_mm) return kAir;
    const float there = smoothStep(-1.0F, 1.0F, read(cast_ends_, q));
    if (there <= 0) return kAir;
    const float slow = noise_ == nullptr ? 0.0F : (*noise_)(p.x() / 1.7F + 3.3F, p.y() / 1.7F, p.z() / 1.7F + 19.1F);
    const float plaster = smoothStep(-edge_mm, edge_mm, height - padding_);
    const float beyond = smoothStep(-edge_mm, edge_mm, height - outer);
    const float covered = kPadding + (cast_hu_ * (1 + 0.1F * slow) - kPadding) * plaster;
    return kAir + (covered - kAir) * (1 - beyond) * there;
  }

  /// Where the sole of each foot is: from calcaneus to metatarsals is distal, from talus to calcaneus is down. Feet
  /// without these bones get skin of uniform thickness.
  static std::vector<Sole> findSoles(const std::vector<ScannedPart>& parts) {
    std::map<int, std::array<std::vector<Vec3>, 3>> found;
    std::map<int, std::vector<const ScannedPart*>> of_foot;
    for (const ScannedPart& part : parts) {
      of_foot[part.foot].push_back(&part);
      const std::string id = parentId(part.id);
      const auto bone = boneFromId(id);
      if (!bone) continue;
      if (*bone == Bone::kTal) found[part.foot][0].push_back(centroid(*part.surface));
      if (*bone == Bone::kCal) found[part.foot][1].push_back(centroid(*part.surface));
      if (rayOf(*bone)) found[part.foot][2].push_back(centroid(*part.surface));
    }
    std::vector<Sole> soles;
    for (const auto& [foot, sets] : found) {
      if (sets[0].empty() || sets[1].empty() || sets[2].empty()) continue;
      Vec3 metatarsals = Vec3::Zero();
      for (const Vec3& c : sets[2]) metatarsals += c / static_cast<double>(sets[2].size());
      Sole sole{};
      sole.distal = (metatarsals - sets[1].front()).normalized();
      const Vec3 down = sets[1].front() - sets[0].front();
      sole.plantar = (down - down.dot(sole.distal) * sole.distal).normalized();
      sole.middle = 0.5 * (metatarsals + sets[1].front());
      sole.foot = foot;
      sole.toes_mm = sole.leg_mm = -1e9;
      for (const ScannedPart* part : of_foot.at(foot)) {
        const auto bone = boneFromId(parentId(part->id));
        for (const Vec3& v : part->surface->vertices) {
          if (bone && rayOf(*bone)) sole.toes_mm = std::max(sole.toes_mm, (v - sole.middle).dot(sole.distal));
          sole.leg_mm = std::max(sole.leg_mm, -(v - sole.middle).dot(sole.plantar));
        }
      }
      soles.push_back(sole);
    }
    return soles;
  }

  [[nodiscard]] float read(const std::vector<float>& v, const Vec3f& q) const {
    const int i = static_cast<int>(q.x()), j = static_cast<int>(q.y()), k = static_cast<int>(q.z());
    const float a = q.x() - static_cast<float>(i), b = q.y() - static_cast<float>(j), c = q.z() - static_cast<float>(k);
    const float* w = v.data() + grid_.offset(i, j, k);
    const std::size_t row = static_cast<std::size_t>(grid_.size.x());
    const std::size_t plane = row * static_cast<std::size_t>(grid_.size.y());
    const auto mix = [](float p, float r, float t) { return p + (r - p) * t; };
    return mix(mix(mix(w[0], w[1], a), mix(w[row], w[row + 1], a), b),
               mix(mix(w[plane], w[plane + 1], a), mix(w[plane + row], w[plane + row + 1], a), b), c);
  }

  const NoiseBlock* noise_;
  float cast_thickness_, cast_hu_, padding_;
  Grid grid_;
  std::vector<float> distance_, skin_;  ///< mm; skin_ is the depth below the skin
  std::vector<float> cast_ends_;        ///< mm inside the ends of the cast; empty: no cast
};

/// Weights of the fine samples around a voxel: fine sample i * factor + first + n has weight weights[n] in voxel i.
struct SamplingKernel {
  int factor = 1;
  int first = 0;
  std::vector<float> weights;

  /// Gaussian of `sigma`, convolved with a box of width `box` (0: none), for voxels `step` apart (all mm).
  SamplingKernel(double step, double sigma, double box)
      : factor(std::max(1, static_cast<int>(std::ceil(step / sigma - 1e-9)))) {
    const double fine = step / factor;
    const double reach = 3.5 * sigma + box / 2;
    // Fine sample f of voxel 0 lies at (f - (factor - 1) / 2) * fine.
    first = static_cast<int>(std::floor(-reach / fine + (factor - 1) / 2.0));
    const int last = factor - 1 - first;
    double sum = 0;
    std::vector<double> w;
    for (int f = first; f <= last; ++f) {
      const double x = (f - (factor - 1) / 2.0) * fine;
      const double root = sigma * std::sqrt(2.0);
      w.push_back(box > 0 ? std::erf((x + box / 2) / root) - std::erf((x - box / 2) / root)
                          : std::exp(-0.5 * x * x / (sigma * sigma)));
      sum += w.back();
    }
    for (const double v : w) weights.push_back(static_cast<float>(v / sum));
  }
  [[nodiscard]] int last() const { return first + static_cast<int>(weights.size()) - 1; }
};

Status check(const std::vector<ScannedPart>& parts, const ScanSettings& s) {
  const auto range = [](double value, double low, double high, const Message& name, const Message& unit) -> Status {
    if (value >= low && value <= high) return {};
    return fail(Fault::kRequest, Message("phantom.the_is", {{"name", name}, {"value", plain(value)}, {"unit", unit}}),
                "scan settings",
                Message("phantom.give_value_2", {{"low", plain(low)}, {"high", plain(high)}, {"unit", unit}}));
  };
  if (parts.empty())
    return fail(Fault::kRequest, "phantom.no_parts_scan", {}, Message("phantom.give_least_one_bone_surface"));
  for (const Status& status :
       {range(s.pixel_mm, 0.1, 3, Message("phantom.pixel_spacing"), "mm"),
        range(s.slice_mm, 0.1, 10, Message("phantom.slice_spacing"), "mm"),
        range(s.noise_hu, 0, 500, Message::quoted("noise"), Message::quoted("HU")),
        range(s.blur_fwhm_mm, 0, 5, "blur", "mm"),
        range(s.density, 0.1, 2, Message("phantom.bone_density"), Message("phantom.times_normal")),
        range(s.cortex_mm, 0.2, 6, "cortex", "mm"), range(s.margin_mm, 0, 200, "margin", "mm"),
        range(s.proximal_crop_mm, 0, 500, Message("phantom.proximal_crop"), "mm"),
        range(s.cast.thickness_mm, 0, 30, Message("phantom.thickness_cast"), "mm"),
        range(s.cast.padding_mm, 0, 30, Message("phantom.padding_cast"), "mm"),
        range(s.cast.hu, -500, 2000, Message::quoted("cast"), Message::quoted("HU"))})
    if (!status) return status;
  if ((s.scanner_from_patient * s.scanner_from_patient.transpose() - Mat3::Identity()).norm() > 1e-6 ||
      s.scanner_from_patient.determinant() < 0)
    return fail(Fault::kRequest, "phantom.scanners_orientation_not_rotation", "scan settings",
                Message("phantom.give_orthonormal_right_handed_matrix"));
  if (s.cast.thickness_mm > 0 && !s.soft_tissue)
    return fail(Fault::kRequest, "phantom.cast_asked_around_dry_bones", "scan settings",
                Message("phantom.leave_cast_out_scan_soft_tissue"));
  for (const Staple& staple : s.staples)
    if (!(staple.wire_mm > 0 && staple.leg_mm > 0 && (staple.b - staple.a).norm() > 0 &&
          std::abs(staple.into.norm() - 1) < 1e-6))
      return fail(Fault::kRequest, "phantom.staple_without_wire_bridge_legs_direction", "scan settings",
                  Message("phantom.give_positive_lengths_unit_direction"));
  for (const ScannedPart& part : parts)
    if (part.surface == nullptr || part.surface->empty() || !isClosed(*part.surface))
      return fail(Fault::kRequest, "phantom.surface_part_not_closed", part.id,
                  Message("phantom.every_bone_must_closed_mesh_outward"));
  return {};
}

Result<Grid> layOut(const std::vector<ScannedPart>& parts, const ScanSettings& s) {
  const Mat3 R = s.scanner_from_patient;
  // A cast sits on the skin, which is up to 10 mm farther from bone under the heel than on the dorsum.
  const double margin = s.margin_mm + (s.cast.thickness_mm > 0 ? s.cast.padding_mm + s.cast.thickness_mm + 10 : 0.0);
  Box box;
  for (const ScannedPart& part : parts)
    for (const Vec3& v : part.surface->vertices) box.extend(Vec3(R * v));
  if (s.proximal_crop_mm > 0) {
    // The cut is a plane of the grid: across the grid axis closest to the long axis of the foot.
    std::optional<Vec3> c2, metatarsal;
    Box c2_box;
    for (const ScannedPart& part : parts) {
      const auto bone = boneFromId(part.id);
      if (bone == Bone::kC2) {
        c2 = R * centroid(*part.surface);
        for (const Vec3& v : part.surface->vertices) c2_box.extend(Vec3(R * v));
      }
      if (bone && rayOf(*bone) == 2) metatarsal = R * centroid(*part.surface);
    }
    if (!c2 || !metatarsal)
      return fail(Fault::kRequest, "phantom.field_view_cannot_cut_behind_c2", {},
                  Message("phantom.leave_proximal_crop_out_give_these"));
    const Vec3 distal = *metatarsal - *c2;
    int axis = 0;
    distal.cwiseAbs().maxCoeff(&axis);
    if (distal[axis] > 0)
      box.min()[axis] = std::max(box.min()[axis], c2_box.min()[axis] - s.proximal_crop_mm + margin);
    else
      box.max()[axis] = std::min(box.max()[axis], c2_box.max()[axis] + s.proximal_crop_mm - margin);
  }
  box.min().array() -= margin;
  box.max().array() += margin;
  Grid grid;
  grid.spacing = Vec3(s.pixel_mm, s.pixel_mm, s.slice_mm);
  grid.direction = R.transpose();
  double count = 1;
  for (int a = 0; a < 3; ++a) {
    const double n = std::floor(box.sizes()[a] / grid.spacing[a]) + 1;
    count *= n;
    if (count > 2147483647.0)
      return fail(Fault::kRequest, "phantom.scan_would_have_more_2147483647_voxels", "scan settings",
                  Message("phantom.use_larger_voxels_smaller_margin"));
    grid.size[a] = static_cast<int>(n);
  }
  grid.origin = grid.direction * box.min();
  return grid;
}

/// One fine slice: HU of bone in excess of the capsule (or air), averaged in the plane and sampled at the pixels. Empty
/// when no bone lies in it.
std::vector<float> boneSlice(const std::vector<PartModel>& models, const ScanSettings& s, const NoiseBlock* noise,
                             const Grid& grid, const SamplingKernel& in_plane, double slice_index, float background) {
  const int nx = grid.size.x(), ny = grid.size.y();
  const int factor = in_plane.factor;
  const int first_x = in_plane.first, count_x = (nx - 1) * factor + in_plane.last() - first_x + 1;
  const int first_y = in_plane.first, last_y = (ny - 1) * factor + in_plane.last();
  const double half = (factor - 1) / 2.0;
  std::vector<float> out;
  std::vector<float> row(static_cast<std::size_t>(count_x)), depth(static_cast<std::size_t>(count_x));
  std::vector<float> sampled(static_cast<std::size_t>(nx));
  const Vec3f step = (grid.direction.col(0) * grid.spacing.x() / factor).cast<float>();
  for (int fy = first_y; fy <= last_y; ++fy) {
    const Vec3 start = grid.toPatient(Vec3((first_x - half) / factor, (fy - half) / factor, slice_index));
    int low_used = count_x, high_used = -1;
    for (const PartModel& m : models) {
      const FieldView view(m.field);
      // The stretch of the row inside the field's grid.
      const Vec3f q0 = (start.cast<float>() - view.origin) * view.per_mm;
      const Vec3f dq = step * view.per_mm;
      float low = 0, high = static_cast<float>(count_x - 1);
      for (int a = 0; a < 3; ++a) {
        const float limit = static_cast<float>(view.size[a]) - 1.01F;
        if (std::abs(dq[a]) < 1e-7F) {
          if (q0[a] < 0.01F || q0[a] > limit) high = -1;
          continue;
        }
        const float t0 = (0.01F - q0[a]) / dq[a], t1 = (limit - q0[a]) / dq[a];
        low = std::max(low, std::min(t0, t1));
        high = std::min(high, std::max(t0, t1));
      }
      if (high < low) continue;
      const int begin = static_cast<int>(std::ceil(low)), end = static_cast<int>(std::floor(high));
      const std::optional<FieldView> whole = m.whole ? std::optional<FieldView>(FieldView(*m.whole)) : std::nullopt;
      for (int i = begin; i <= end; ++i) {
        const float d = view.at(q0 + dq * static_cast<float>(i));
        if (d >= 0) {
          // Distances change by at most the distance moved: skip what cannot be inside.
          const int skip = static_cast<int>(d / step.norm() * 0.9F) - 1;
          if (skip > 0) i += skip;
          continue;
        }
        if (high_used < 0 && low_used == count_x) {
          std::fill(row.begin(), row.end(), 0.0F);
          std::fill(depth.begin(), depth.end(), 0.0F);
        }
        const std::size_t n = static_cast<std::size_t>(i);
        low_used = std::min(low_used, i);
        high_used = std::max(high_used, i);
        if (d >= depth[n]) continue;  // this point is deeper in another bone
        depth[n] = d;
        const Vec3f p = start.cast<float>() + step * static_cast<float>(i);
        const float below = whole ? -whole->clamped((p - whole->origin) * whole->per_mm) : -d;
        row[n] = boneHu(m, s, noise, std::max(0.0F, below), p) - background;
      }
    }
    if (high_used < 0) continue;
    if (out.empty()) out.assign(static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny), 0.0F);
    // Along the row: voxel x takes fine samples x * factor + first ..., which start at x * factor in `row`.
    const int taps = static_cast<int>(in_plane.weights.size());
    const int x0 = std::max(0, (low_used - taps) / factor), x1 = std::min(nx - 1, high_used / factor + 1);
    for (int x = x0; x <= x1; ++x) {
      const float* r = row.data() + static_cast<std::size_t>(x) * static_cast<std::size_t>(factor);
      float sum = 0;
      for (int t = 0; t < taps; ++t) sum += in_plane.weights[static_cast<std::size_t>(t)] * r[t];
      sampled[static_cast<std::size_t>(x)] = sum;
    }
    // Across: this fine row belongs to every pixel row y with first <= fy - y * factor <= last.
    for (int y = std::max(0, static_cast<int>(std::ceil((fy - in_plane.last()) / static_cast<double>(factor))));
         y < ny && fy - y * factor >= in_plane.first; ++y) {
      const float w = in_plane.weights[static_cast<std::size_t>(fy - y * factor - in_plane.first)];
      float* o = out.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(nx);
      for (int x = x0; x <= x1; ++x) o[x] += w * sampled[static_cast<std::size_t>(x)];
    }
  }
  return out;
}

/// What a kernel does to edges and noise (see ReconstructionKernel).
struct KernelModel {
  double blur = 1, noise = 1;
  float beside = 0.35F;  ///< share of the neighbouring pixels in the noise
  float overshoot = 0;   ///< amount of the difference to a wider blur
};

KernelModel modelOf(ReconstructionKernel kernel) {
  switch (kernel) {
    case ReconstructionKernel::kSoft:
      return {1.5, 0.6, 0.7F, 0};
    case ReconstructionKernel::kSharp:
      return {0.75, 1.8, -0.15F, 0.9F};
    case ReconstructionKernel::kStandard:
      break;
  }
  return {};
}

/// slice + amount * (slice - slice blurred by sigma), in pixels.
void sharpen(std::vector<float>& slice, int nx, int ny, double sigma_pixels, float amount) {
  const int reach = static_cast<int>(std::ceil(3 * sigma_pixels));
  std::vector<float> weights;
  float total = 0;
  for (int d = -reach; d <= reach; ++d) {
    weights.push_back(static_cast<float>(std::exp(-0.5 * d * d / (sigma_pixels * sigma_pixels))));
    total += weights.back();
  }
  for (float& w : weights) w /= total;
  const std::size_t width = static_cast<std::size_t>(nx);
  std::vector<float> across(slice.size(), 0.0F);
  for (int y = 0; y < ny; ++y) {
    const float* in = slice.data() + static_cast<std::size_t>(y) * width;
    float* out = across.data() + static_cast<std::size_t>(y) * width;
    for (int d = -reach; d <= reach; ++d) {
      const float w = weights[static_cast<std::size_t>(d + reach)];
      for (int x = 0; x < nx; ++x) out[x] += w * in[std::clamp(x + d, 0, nx - 1)];
    }
  }
  for (float& v : slice) v *= 1 + amount;
  for (int y = 0; y < ny; ++y) {
    float* out = slice.data() + static_cast<std::size_t>(y) * width;
    for (int d = -reach; d <= reach; ++d) {
      const float w = amount * weights[static_cast<std::size_t>(d + reach)];
      const float* in = across.data() + static_cast<std::size_t>(std::clamp(y + d, 0, ny - 1)) * width;
      for (int x = 0; x < nx; ++x) out[x] -= w * in[x];
    }
  }
}

/// Noise of one slice with standard deviation 1: white noise mixed with the pixels beside it, as a reconstruction
/// kernel does.
std::vector<float> noiseSlice(int nx, int ny, std::uint64_t seed, float side) {
  const int wx = nx + 2, wy = ny + 2;
  std::vector<float> white(static_cast<std::size_t>(wx) * static_cast<std::size_t>(wy) + 1);
  for (std::size_t n = 0; n + 1 < white.size(); n += 2) {
    const auto pair = normalPair(seed + n);
    white[n] = pair[0];
    white[n + 1] = pair[1];
  }
  const float scale = 1 / (1 + 2 * side * side);  // the variance of (a, 1, a) is 1 + 2 a^2 along each axis
  std::vector<float> across(static_cast<std::size_t>(nx) * static_cast<std::size_t>(wy));
  for (int y = 0; y < wy; ++y) {
    const float* w = white.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(wx);
    float* a = across.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(nx);
    for (int x = 0; x < nx; ++x) a[x] = w[x + 1] + side * (w[x] + w[x + 2]);
  }
  std::vector<float> out(static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny));
  for (int y = 0; y < ny; ++y) {
    const std::size_t width = static_cast<std::size_t>(nx);
    const float* a = across.data() + static_cast<std::size_t>(y) * width;
    float* o = out.data() + static_cast<std::size_t>(y) * width;
    for (std::size_t x = 0; x < width; ++x) o[x] = scale * (a[width + x] + side * (a[x] + a[2 * width + x]));
  }
  return out;
}

}  // namespace

std::optional<ReconstructionKernel> kernelFromWord(std::string_view word) {
  for (const ReconstructionKernel kernel :
       {ReconstructionKernel::kStandard, ReconstructionKernel::kSoft, ReconstructionKernel::kSharp})
    if (wordOf(kernel) == word) return kernel;
  return std::nullopt;
}

std::string_view wordOf(ReconstructionKernel kernel) {
  switch (kernel) {
    case ReconstructionKernel::kSoft:
      return "soft";
    case ReconstructionKernel::kSharp:
      return "sharp";
    case ReconstructionKernel::kStandard:
      break;
  }
  return "standard";
}

Result<CtVolume> synthesiseCt(const std::vector<ScannedPart>& parts, const ScanSettings& s, const Progress& progress) {
  if (const Status status = check(parts, s); !status) return tl::unexpected(status.error());
  const Result<Grid> grid = layOut(parts, s);
  if (!grid) return tl::unexpected(grid.error());
  progress("scan", 0);

  const KernelModel kernel = modelOf(s.kernel);
  const double sigma = s.blur_fwhm_mm / kFwhmPerSigma;
  const double plane_sigma = std::max(kernel.blur * sigma, s.pixel_mm / std::sqrt(12.0));
  const SamplingKernel in_plane(s.pixel_mm, plane_sigma, 0);
  const SamplingKernel through(s.slice_mm, std::max(sigma, s.slice_mm / std::sqrt(12.0) / 2), s.slice_mm);

  const NoiseBlock block(s.seed);
  const NoiseBlock* texture = s.texture ? &block : nullptr;
  std::vector<PartModel> models(parts.size());
  const double field_voxel = std::clamp(0.8 * s.pixel_mm, 0.25, 0.4);
  tbb::parallel_for(std::size_t{0}, parts.size(), [&](std::size_t n) {
    if (!progress.cancelled()) models[n] = modelOf(parts[n], s, field_voxel);
  });
  if (progress.cancelled()) return cancelledError();
  progress("scan", 0.3);
  std::optional<SoftTissue> soft;
  if (s.soft_tissue) soft.emplace(parts, models, *grid, texture, s.cast);
  const float background = static_cast<float>(s.soft_tissue ? TissueHu::kCapsule : TissueHu::kAir);
  const float edge = static_cast<float>(std::max(1.2 * std::max(kernel.blur * sigma, s.pixel_mm / 2), 0.3));
  std::vector<std::pair<double, float>> profile;  // of a slice, for metal
  for (std::size_t t = 0; t < through.weights.size(); ++t)
    profile.emplace_back((through.first + static_cast<int>(t) - (through.factor - 1) / 2.0) / through.factor,
                         through.weights[t]);
  std::vector<SteelBody> steel = s.steel;
  for (const Staple& staple : s.staples) steel.push_back(steelBody(staple));
  const double noise_hu = kernel.noise * s.noise_hu;

  CtVolume ct(*grid);
  const int nx = grid->size.x(), ny = grid->size.y(), nz = grid->size.z();
  const std::size_t plane = static_cast<std::size_t>(nx) * static_cast<std::size_t>(ny);
  // Slices in batches: the fine slices of a batch, then its voxels. Fine slices that the next batch needs too are kept.
  constexpr int kBatch = 16;
  std::map<int, std::vector<float>> fine;
  for (int k0 = 0; k0 < nz; k0 += kBatch) {
    if (progress.cancelled()) return cancelledError();
    const int k1 = std::min(nz, k0 + kBatch);
    const int low = k0 * through.factor + through.first, high = (k1 - 1) * through.factor + through.last();
    fine.erase(fine.begin(), fine.lower_bound(low));
    std::vector<int> missing;
    for (int f = low; f <= high; ++f)
      if (fine.try_emplace(f).second) missing.push_back(f);
    tbb::parallel_for(std::size_t{0}, missing.size(), [&](std::size_t n) {
      const double index = (missing[n] - (through.factor - 1) / 2.0) / through.factor;
      fine.find(missing[n])->second = boneSlice(models, s, texture, *grid, in_plane, index, background);
    });
    tbb::parallel_for(k0, k1, [&](int k) {
      std::vector<float> sum(plane, static_cast<float>(TissueHu::kAir));
      if (soft) {
        const Vec3f di = (grid->direction.col(0) * grid->spacing.x()).cast<float>();
        for (int j = 0; j < ny; ++j) {
          const Vec3f start = grid->toPatient(Vec3(0, j, k)).cast<float>();
          float* row = sum.data() + static_cast<std::size_t>(j) * static_cast<std::size_t>(nx);
          for (int i = 0; i < nx; ++i) row[i] = soft->hu(start + di * static_cast<float>(i), edge);
        }
      }
      for (std::size_t t = 0; t < through.weights.size(); ++t) {
        const std::vector<float>& slice = fine.find(k * through.factor + through.first + static_cast<int>(t))->second;
        if (slice.empty()) continue;
        const float w = through.weights[t];
        for (std::size_t n = 0; n < plane; ++n) sum[n] += w * slice[n];
      }
      if (s.bone_hardening) addBoneHardening(sum, nx, ny, s.pixel_mm);
      if (!steel.empty())
        addMetal(sum, steel, {*grid, k, s.noise_hu, plane_sigma, counterHash(s.seed * 0x51ED2701ULL + 29), profile});
      if (kernel.overshoot > 0) sharpen(sum, nx, ny, std::max(kOvershootSigmaMm / s.pixel_mm, 0.8), kernel.overshoot);
      if (noise_hu > 0) {
        const std::vector<float> noise = noiseSlice(
            nx, ny, counterHash(s.seed * 0x51ED2701ULL + 17) + (static_cast<std::uint64_t>(k) << 32), kernel.beside);
        const float sd = static_cast<float>(noise_hu);
        for (std::size_t n = 0; n < plane; ++n) sum[n] += sd * noise[n];
      }
      std::int16_t* out = ct.voxels.data() + static_cast<std::size_t>(k) * plane;
      for (std::size_t n = 0; n < plane; ++n)
        out[n] = static_cast<std::int16_t>(std::lround(std::clamp(sum[n], -1024.0F, 3071.0F)));
    });
    progress("scan", 0.3 + 0.7 * k1 / nz);
  }
  return ct;
}

}  // namespace rayset
