#include "xray/bodies.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>

#include "anatomy/frames.h"
#include "image/filters.h"

namespace rayset {
namespace {

constexpr std::uint8_t kNobody = 0, kOtherFoot = 255;
constexpr int kFragmentBase = 16;    // label 17 is M2.1
constexpr double kNothingHu = -850;  // padding, air and its noise: nothing

struct Extent {
  Eigen::Vector3i low = Eigen::Vector3i::Constant(1 << 30), high = Eigen::Vector3i::Constant(-1);
  void add(int i, int j, int k) {
    low = low.cwiseMin(Eigen::Vector3i(i, j, k));
    high = high.cwiseMax(Eigen::Vector3i(i, j, k));
  }
  [[nodiscard]] bool empty() const { return high.x() < 0; }
};

/// Labels of the wanted foot, other feet as kOtherFoot, on the part of the grid around the foot.
struct Owners {
  LabelVolume volume;
  Eigen::Vector3i low;  ///< of the part, in the whole grid
};

Owners ownersAround(const LabelVolume& labels, int foot) {
  const int base = 32 * foot;
  const auto mine = [base](std::uint8_t v) { return v > base && v < base + 32; };
  const Eigen::Vector3i size = labels.grid.size;
  std::vector<Extent> slices(static_cast<std::size_t>(size.z()));
  tbb::parallel_for(0, size.z(), [&](int k) {
    Extent& e = slices[static_cast<std::size_t>(k)];
    for (int j = 0; j < size.y(); ++j) {
      const std::uint8_t* row = &labels.at(0, j, k);
      for (int i = 0; i < size.x(); ++i)
        if (mine(row[i])) e.add(i, j, k);
    }
  });
  Extent whole;
  for (const Extent& e : slices) {
    if (e.empty()) continue;
    whole.low = whole.low.cwiseMin(e.low);
    whole.high = whole.high.cwiseMax(e.high);
  }
  Owners out;
  if (whole.empty()) {
    out.low.setZero();
    return out;
  }
  for (int a = 0; a < 3; ++a) {
    const int margin = static_cast<int>(std::ceil(kSkinMm / labels.grid.spacing[a]));
    whole.low[a] = std::max(0, whole.low[a] - margin);
    whole.high[a] = std::min(size[a] - 1, whole.high[a] + margin);
  }
  out.low = whole.low;
  out.volume = crop(labels, whole.low, whole.high);
  tbb::parallel_for(std::size_t{0}, out.volume.voxels.size(), [&](std::size_t n) {
    std::uint8_t& v = out.volume.voxels[n];
    v = mine(v) ? static_cast<std::uint8_t>(v - base) : v == 0 ? kNobody : kOtherFoot;
  });
  return out;
}

/// Every bone grows into what is nobody's by one voxel; where two meet the smaller label wins.
LabelVolume grown(const LabelVolume& in) {
  LabelVolume out = in;
  const Eigen::Vector3i size = in.grid.size;
  tbb::parallel_for(0, size.z(), [&](int k) {
    for (int j = 0; j < size.y(); ++j)
      for (int i = 0; i < size.x(); ++i) {
        if (in.at(i, j, k) != kNobody) continue;
        std::uint8_t best = kOtherFoot;
        const auto look = [&](int x, int y, int z) {
          if (!in.grid.contains(x, y, z)) return;
          const std::uint8_t v = in.at(x, y, z);
          if (v != kNobody && v < best) best = v;
        };
        look(i - 1, j, k), look(i + 1, j, k), look(i, j - 1, k), look(i, j + 1, k), look(i, j, k - 1),
            look(i, j, k + 1);
        if (best != kOtherFoot) out.at(i, j, k) = best;
      }
  });
  return out;
}

/// Which voxels of a coarse grid are soft tissue of this foot: within kSkinMm of a bone of it, and no nearer to another
/// foot. Walked from the bones outward on steps of about 4 mm.
class Skin {
 public:
  explicit Skin(const LabelVolume& owners) {
    for (int a = 0; a < 3; ++a)
      factor_[a] = std::max(1, static_cast<int>(std::lround(kStepMm / owners.grid.spacing[a])));
    Grid grid;
    grid.spacing = owners.grid.spacing.cwiseProduct(factor_.cast<double>());
    grid.size = (owners.grid.size + factor_ - Eigen::Vector3i::Ones()).cwiseQuotient(factor_);
    whose_ = LabelVolume(grid);
    std::deque<std::array<int, 3>> queue;
    std::vector<float> distance(grid.count(), 1e9F);
    for (int k = 0; k < owners.grid.size.z(); ++k)
      for (int j = 0; j < owners.grid.size.y(); ++j)
        for (int i = 0; i < owners.grid.size.x(); ++i) {
          const std::uint8_t v = owners.at(i, j, k);
          if (v == kNobody) continue;
          std::uint8_t& w = whose_.at(i / factor_[0], j / factor_[1], k / factor_[2]);
          w = w == 1 || v != kOtherFoot ? 1 : 2;
        }
    for (int k = 0; k < grid.size.z(); ++k)
      for (int j = 0; j < grid.size.y(); ++j)
        for (int i = 0; i < grid.size.x(); ++i)
          if (whose_.at(i, j, k) != 0) {
            distance[grid.offset(i, j, k)] = 0;
            queue.push_back({i, j, k});
          }
    while (!queue.empty()) {
      const auto [i, j, k] = queue.front();
      queue.pop_front();
      const float here = distance[grid.offset(i, j, k)];
      for (int dk = -1; dk <= 1; ++dk)
        for (int dj = -1; dj <= 1; ++dj)
          for (int di = -1; di <= 1; ++di) {
            if (!grid.contains(i + di, j + dj, k + dk)) continue;
            const float there = here + static_cast<float>(Vec3(di, dj, dk).cwiseProduct(grid.spacing).norm());
            const std::size_t n = grid.offset(i + di, j + dj, k + dk);
            if (there > static_cast<float>(kSkinMm) || there >= distance[n] - 1e-4F) continue;
            distance[n] = there;
            whose_.voxels[n] = whose_.at(i, j, k);
            queue.push_back({i + di, j + dj, k + dk});
          }
    }
  }
  [[nodiscard]] bool mine(int i, int j, int k) const {
    return whose_.at(i / factor_[0], j / factor_[1], k / factor_[2]) == 1;
  }

 private:
  static constexpr double kStepMm = 4;
  Eigen::Vector3i factor_;
  LabelVolume whose_;
};

/// Bodies are numbered by label; toes (one label) by ray from kToeBody on.
constexpr int kToeBody = 40;

std::string bodyId(int body) {
  if (body >= kToeBody) return fmt::format("toes.{}", body - kToeBody);
  if (body > kFragmentBase) return fmt::format("M2.{}", body - kFragmentBase);
  return std::string(boneId(static_cast<Bone>(body)));
}

/// Gives every toe voxel to a ray: pieces that hang together go where their middle lies nearest to a metatarsal's axis.
void dealToes(LabelVolume& owners, const BoneSurfaces& metatarsals) {
  Extent extent;
  const std::uint8_t toes = label(Bone::kToes);
  for (int k = 0; k < owners.grid.size.z(); ++k)
    for (int j = 0; j < owners.grid.size.y(); ++j)
      for (int i = 0; i < owners.grid.size.x(); ++i)
        if (owners.at(i, j, k) == toes) extent.add(i, j, k);
  if (extent.empty()) return;
  LabelVolume mask = crop(owners, extent.low, extent.high);
  Vec3 middle = Vec3::Zero();
  for (auto& v : mask.voxels) v = v == toes ? 1 : 0;
  const Volume<std::uint32_t> piece = components(mask);
  std::vector<Vec3> sum;
  std::vector<double> count;
  for (int k = 0; k < mask.grid.size.z(); ++k)
    for (int j = 0; j < mask.grid.size.y(); ++j)
      for (int i = 0; i < mask.grid.size.x(); ++i) {
        const std::uint32_t n = piece.at(i, j, k);
        if (n == 0) continue;
        if (n > sum.size()) sum.resize(n, Vec3::Zero()), count.resize(n, 0);
        sum[n - 1] += Vec3(i, j, k);
        count[n - 1] += 1;
        middle += mask.grid.toPatient(Vec3(i, j, k));
      }
  middle /= std::max(1.0, static_cast<double>(std::count(mask.voxels.begin(), mask.voxels.end(), 1)));
  struct Line {
    int ray;
    Vec3 at, along;
  };
  std::vector<Line> lines;
  for (int ray = 1; ray <= 5; ++ray) {
    const auto it = metatarsals.find(metatarsal(ray));
    if (it == metatarsals.end() || it->second.empty()) continue;
    const MetatarsalAxis axis = metatarsalAxis(it->second, middle - centroid(it->second));
    lines.push_back({ray, axis.head_centre, axis.distal});
  }
  if (lines.empty()) return;
  std::vector<std::uint8_t> ray_of(sum.size(), 0);
  for (std::size_t n = 0; n < sum.size(); ++n) {
    const Vec3 p = mask.grid.toPatient(sum[n] / count[n]);
    double best = 1e9;
    for (const Line& line : lines) {
      const double d = (p - line.at).cross(line.along).norm();
      if (d < best) best = d, ray_of[n] = static_cast<std::uint8_t>(kToeBody + line.ray);
    }
  }
  for (int k = 0; k < mask.grid.size.z(); ++k)
    for (int j = 0; j < mask.grid.size.y(); ++j)
      for (int i = 0; i < mask.grid.size.x(); ++i)
        if (const std::uint32_t n = piece.at(i, j, k); n != 0)
          owners.at(extent.low.x() + i, extent.low.y() + j, extent.low.z() + k) = ray_of[n - 1];
}

}  // namespace

CtVolume averagedDown(const CtVolume& in, int factor) {
  if (factor <= 1) return in;
  Grid grid = in.grid;
  grid.size = (in.grid.size + Eigen::Vector3i::Constant(factor - 1)) / factor;
  grid.spacing *= factor;
  grid.origin = in.grid.toPatient(Vec3::Constant((factor - 1) / 2.0));
  CtVolume out(grid);
  tbb::parallel_for(0, grid.size.z(), [&](int k) {
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) {
        int sum = 0;
        const Eigen::Vector3i end =
            ((Eigen::Vector3i(i, j, k) + Eigen::Vector3i::Ones()) * factor).cwiseMin(in.grid.size);
        for (int z = k * factor; z < end.z(); ++z)
          for (int y = j * factor; y < end.y(); ++y)
            for (int x = i * factor; x < end.x(); ++x) sum += in.at(x, y, z);
        out.at(i, j, k) = static_cast<std::int16_t>(sum / (factor * factor * factor));
      }
  });
  return out;
}

const Body* FootBodies::find(const std::string& id) const {
  for (const Body& body : bones)
    if (body.id == id) return &body;
  return nullptr;
}

std::string poseId(const std::string& body) {
  if (body.rfind("toes.", 0) == 0) return fmt::format("M{}", body.substr(5));
  if (body == boneId(Bone::kSesamoids)) return std::string(boneId(Bone::kM1));
  return body;
}

FootBodies splitBodies(const CtVolume& ct, const LabelVolume& labels, int foot, const BoneSurfaces& metatarsals,
                       double soft_mm) {
  FootBodies out;
  Owners part = ownersAround(labels, foot);
  if (part.volume.voxels.empty()) return out;
  const Eigen::Vector3i size = part.volume.grid.size;
  dealToes(part.volume, metatarsals);
  const LabelVolume bones = part.volume;
  LabelVolume owners = part.volume;
  const int passes = std::clamp(static_cast<int>(std::lround(kHaloMm / ct.grid.spacing.minCoeff())), 1, 4);
  for (int n = 0; n < passes; ++n) owners = grown(owners);
  const Skin skin(bones);

  out.soft = CtVolume(part.volume.grid);
  std::vector<std::array<Extent, 64>> extents(static_cast<std::size_t>(size.z()));
  tbb::parallel_for(0, size.z(), [&](int k) {
    auto& extent = extents[static_cast<std::size_t>(k)];
    for (int j = 0; j < size.y(); ++j)
      for (int i = 0; i < size.x(); ++i) {
        const std::uint8_t owner = owners.at(i, j, k);
        if (owner == kOtherFoot || !skin.mine(i, j, k)) continue;
        const double hu = ct.at(part.low.x() + i, part.low.y() + j, part.low.z() + k);
        const bool bone = bones.at(i, j, k) != kNobody;
        double soft = hu;
        if (bone)
          soft = kMuscleHu;
        else if (owner != kNobody)
          soft = std::min(hu, kMuscleHu);
        out.soft.at(i, j, k) = static_cast<std::int16_t>(soft < kNothingHu ? 0 : soft - kAirHu);
        if (owner != kNobody && (bone || hu > kMuscleHu)) extent[owner].add(i, j, k);
      }
  });
  for (int body = 1; body < 64; ++body) {
    Extent whole;
    for (const auto& slice : extents) {
      const Extent& e = slice[static_cast<std::size_t>(body)];
      if (e.empty()) continue;
      whole.low = whole.low.cwiseMin(e.low);
      whole.high = whole.high.cwiseMax(e.high);
    }
    if (whole.empty()) continue;
    Body b;
    b.id = bodyId(body);
    Grid grid = part.volume.grid;
    grid.size = whole.high - whole.low + Eigen::Vector3i::Ones();
    grid.origin = part.volume.grid.toPatient(whole.low.cast<double>());
    b.added = CtVolume(grid);
    tbb::parallel_for(0, grid.size.z(), [&](int k) {
      for (int j = 0; j < grid.size.y(); ++j)
        for (int i = 0; i < grid.size.x(); ++i) {
          const Eigen::Vector3i at = whole.low + Eigen::Vector3i(i, j, k);
          if (owners.at(at.x(), at.y(), at.z()) != body) continue;
          const Eigen::Vector3i in_ct = part.low + at;
          const double above = ct.at(in_ct.x(), in_ct.y(), in_ct.z()) - kMuscleHu;
          const bool bone = bones.at(at.x(), at.y(), at.z()) != kNobody;
          b.added.at(i, j, k) =
              static_cast<std::int16_t>(std::clamp(bone ? above : std::max(0.0, above), -2000.0, 32000.0));
        }
    });
    out.bones.push_back(std::move(b));
  }
  if (soft_mm > 0) {
    const int factor = std::max(1, static_cast<int>(std::floor(soft_mm / ct.grid.spacing.maxCoeff())));
    out.soft = averagedDown(out.soft, factor);
  }
  return out;
}

Status writeBodies(const std::filesystem::path& folder, const FootBodies& bodies) {
  std::error_code error;
  std::filesystem::create_directories(folder, error);
  if (error)
    return fail(Fault::kInternal, "the folder could not be made: " + error.message(), folder.string(),
                "Check free space and permissions.");
  for (const Body& body : bodies.bones)
    if (Status s = writeNrrd(folder / (body.id + ".nrrd"), body.added, false); !s) return s;
  return writeNrrd(folder / "soft.nrrd", bodies.soft, false);
}

Result<FootBodies> readBodies(const std::filesystem::path& folder) {
  FootBodies out;
  std::vector<std::filesystem::path> files;
  std::error_code error;
  for (std::filesystem::directory_iterator it(folder, error), end; !error && it != end; it.increment(error))
    if (it->path().extension() == ".nrrd") files.push_back(it->path());
  if (error || files.empty())
    return fail(Fault::kRequest, "the folder with the bones' grey values is missing or empty", folder.string(),
                "Plan the case again with this version: it writes them beside plan.json.");
  std::sort(files.begin(), files.end());
  for (const auto& file : files) {
    auto volume = readNrrdCt(file);
    if (!volume) return tl::unexpected(volume.error());
    if (file.stem() == "soft")
      out.soft = std::move(*volume);
    else
      out.bones.push_back({file.stem().string(), std::move(*volume)});
  }
  if (out.soft.voxels.empty())
    return fail(Fault::kRequest, "the soft tissue's grey values are missing", (folder / "soft.nrrd").string(),
                "Plan the case again.");
  return out;
}

}  // namespace rayset
