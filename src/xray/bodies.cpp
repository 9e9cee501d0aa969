#include "xray/bodies.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <deque>

#include "anatomy/labels.h"
#include "image/filters.h"

namespace rayset {
namespace {

constexpr std::uint8_t kNobody = 0, kOtherFoot = 255;
constexpr double kToesMm = 75;       // how far toes reach beyond the metatarsals
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
  const auto own = [foot](std::uint8_t v) { return labelOfFoot(v, static_cast<std::size_t>(foot)); };
  const Eigen::Vector3i size = labels.grid.size;
  std::vector<Extent> slices(static_cast<std::size_t>(size.z()));
  tbb::parallel_for(0, size.z(), [&](int k) {
    Extent& e = slices[static_cast<std::size_t>(k)];
    for (int j = 0; j < size.y(); ++j) {
      const std::uint8_t* row = &labels.at(0, j, k);
      for (int i = 0; i < size.x(); ++i)
        if (own(row[i]) != 0) e.add(i, j, k);
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
    const int margin = static_cast<int>(std::ceil(kToesMm / labels.grid.spacing[a]));
    whole.low[a] = std::max(0, whole.low[a] - margin);
    whole.high[a] = std::min(size[a] - 1, whole.high[a] + margin);
  }
  out.low = whole.low;
  out.volume = crop(labels, whole.low, whole.high);
  tbb::parallel_for(std::size_t{0}, out.volume.voxels.size(), [&](std::size_t n) {
    std::uint8_t& v = out.volume.voxels[n];
    if (const std::uint8_t label = own(v); label != 0)
      v = label;
    else
      v = v == 0 ? kNobody : kOtherFoot;
  });
  return out;
}

/// Every bone grows into unowned voxels by one; where two meet the smaller label wins.
LabelVolume grown(const LabelVolume& in) {
  LabelVolume out(in.grid);
  const Eigen::Vector3i size = in.grid.size;
  const auto nx = static_cast<std::size_t>(size.x());
  const std::vector<std::uint8_t> nobody(nx, kNobody);
  tbb::parallel_for(0, size.z(), [&](int k) {
    std::vector<std::uint8_t> padded(nx + 2, kNobody);
    const auto rowAt = [&](int j, int slice) {
      const bool there = j >= 0 && j < size.y() && slice >= 0 && slice < size.z();
      return there ? &in.at(0, j, slice) : nobody.data();
    };
    // One less, so that kNobody comes last.
    const auto rank = [](std::uint8_t v) { return static_cast<std::uint8_t>(v - 1); };
    for (int j = 0; j < size.y(); ++j) {
      const std::uint8_t *here = rowAt(j, k), *before = rowAt(j - 1, k), *after = rowAt(j + 1, k),
                         *below = rowAt(j, k - 1), *above = rowAt(j, k + 1);
      std::copy(here, here + nx, padded.begin() + 1);
      std::uint8_t* to = &out.at(0, j, k);
      for (std::size_t i = 0; i < nx; ++i) {
        const std::uint8_t beside = std::min(rank(padded[i]), rank(padded[i + 2]));
        const std::uint8_t across = std::min(rank(before[i]), rank(after[i]));
        const std::uint8_t least = std::min({beside, across, std::min(rank(below[i]), rank(above[i]))});
        const std::uint8_t grows = least < rank(kOtherFoot) ? static_cast<std::uint8_t>(least + 1) : kNobody;
        to[i] = here[i] != kNobody ? here[i] : grows;
      }
    }
  });
  return out;
}

/// The nearest bone of every voxel within `reach_mm` of one, on a coarse grid: propagated outward from the bones in
/// steps of about 4 mm. Voxels nearer to another foot are not this foot's.
class Skin {
 public:
  Skin(const LabelVolume& owners, double reach_mm) {
    for (int a = 0; a < 3; ++a)
      factor_[a] = std::max(1, static_cast<int>(std::lround(kStepMm / owners.grid.spacing[a])));
    Grid grid;
    grid.spacing = owners.grid.spacing.cwiseProduct(factor_.cast<double>());
    grid.size = (owners.grid.size + factor_ - Eigen::Vector3i::Ones()).cwiseQuotient(factor_);
    nearest_ = LabelVolume(grid);
    std::deque<std::array<int, 3>> queue;
    std::vector<float> distance(grid.count(), 1e9F);
    for (int k = 0; k < owners.grid.size.z(); ++k)
      for (int j = 0; j < owners.grid.size.y(); ++j)
        for (int i = 0; i < owners.grid.size.x(); ++i) {
          const std::uint8_t v = owners.at(i, j, k);
          if (v == kNobody) continue;
          std::uint8_t& w = nearest_.at(i / factor_[0], j / factor_[1], k / factor_[2]);
          if (w == kNobody || v < w) w = v;
        }
    for (int k = 0; k < grid.size.z(); ++k)
      for (int j = 0; j < grid.size.y(); ++j)
        for (int i = 0; i < grid.size.x(); ++i)
          if (nearest_.at(i, j, k) != 0) {
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
            if (there > static_cast<float>(reach_mm) || there >= distance[n] - 1e-4F) continue;
            distance[n] = there;
            nearest_.voxels[n] = nearest_.at(i, j, k);
            queue.push_back({i + di, j + dj, k + dk});
          }
    }
  }
  /// kNobody, kOtherFoot or the label.
  [[nodiscard]] std::uint8_t nearest(int i, int j, int k) const {
    return nearest_.at(i / factor_[0], j / factor_[1], k / factor_[2]);
  }
  [[nodiscard]] bool mine(int i, int j, int k) const {
    const std::uint8_t v = nearest(i, j, k);
    return v != kNobody && v != kOtherFoot;
  }

 private:
  static constexpr double kStepMm = 4;
  Eigen::Vector3i factor_;
  LabelVolume nearest_;
};

/// Bodies are numbered by label; unlabelled bone that moves with a ray, by ray from kLooseBody on.
constexpr int kLooseBody = 40;

std::string bodyId(int body) {
  if (body >= kLooseBody) return fmt::format("toes.{}", body - kLooseBody);
  if (body >= kFirstFragmentLabel) return fragmentId(body);
  return std::string(boneId(static_cast<Bone>(body)));
}

/// Bone that has no label (toes, sesamoids, flecks) goes with the metatarsal it lies nearest to: connected pieces move
/// as one, with the metatarsal nearest to most of their voxels. Pieces too large for a toe (a cast) stay where they
/// are.
void dealLooseBone(const CtVolume& ct, const Eigen::Vector3i& low, const Skin& skin, LabelVolume& owners) {
  constexpr double kBoneHu = 180, kLargestMm3 = 16000;
  const Grid& grid = owners.grid;
  LabelVolume candidate(grid);
  tbb::parallel_for(0, grid.size.z(), [&](int k) {
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) {
        if (owners.at(i, j, k) != kNobody || ct.at(low.x() + i, low.y() + j, low.z() + k) < kBoneHu) continue;
        const std::uint8_t near = skin.nearest(i, j, k);
        if (near >= label(Bone::kM1) && near <= label(Bone::kM5)) candidate.at(i, j, k) = near;
      }
  });
  const double voxel = grid.spacing.prod();
  std::vector<std::size_t> piece;
  const auto width = static_cast<std::size_t>(grid.size.x()), height = static_cast<std::size_t>(grid.size.y());
  for (std::size_t start = 0; start < candidate.voxels.size(); ++start) {
    if (candidate.voxels[start] == kNobody) continue;
    std::array<std::size_t, 6> votes{};
    piece.assign(1, start);
    ++votes[candidate.voxels[start]];
    candidate.voxels[start] = kNobody;
    for (std::size_t n = 0; n < piece.size(); ++n) {
      const std::size_t at = piece[n];
      const std::size_t i = at % width, j = at / width % height, k = at / width / height;
      const auto visit = [&](bool inside, std::size_t next) {
        if (!inside || candidate.voxels[next] == kNobody) return;
        ++votes[candidate.voxels[next]];
        candidate.voxels[next] = kNobody;
        piece.push_back(next);
      };
      visit(i > 0, at - 1);
      visit(i + 1 < width, at + 1);
      visit(j > 0, at - width);
      visit(j + 1 < height, at + width);
      visit(k > 0, at - width * height);
      visit(k + 1 < static_cast<std::size_t>(grid.size.z()), at + width * height);
    }
    if (static_cast<double>(piece.size()) * voxel > kLargestMm3) continue;
    const auto ray = static_cast<std::uint8_t>(std::max_element(votes.begin(), votes.end()) - votes.begin());
    for (const std::size_t at : piece) owners.voxels[at] = static_cast<std::uint8_t>(kLooseBody + ray);
  }
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

double sharedBone(const Body& a, const Rigid& A, const Body& b, const Rigid& B) {
  constexpr int kStep = 2;
  const Grid &from = a.added.grid, &to = b.added.grid;
  const Rigid to_b = B.inverse() * A;
  double count = 0;
  for (int k = 0; k < from.size.z(); k += kStep)
    for (int j = 0; j < from.size.y(); j += kStep)
      for (int i = 0; i < from.size.x(); i += kStep) {
        if (a.added.at(i, j, k) <= kOfBone) continue;
        const Eigen::Vector3i at = to.toIndex(to_b * from.toPatient(Vec3(i, j, k))).array().round().cast<int>();
        const bool within = (at.array() >= 0).all() && (at.array() < to.size.array()).all();
        if (within && b.added.at(at.x(), at.y(), at.z()) > kOfBone) count += 1;
      }
  return count * from.spacing.prod() * kStep * kStep * kStep;
}

const Body* FootBodies::find(const std::string& id) const {
  for (const Body& body : bones)
    if (body.id == id) return &body;
  return nullptr;
}

std::string poseId(const std::string& body) {
  if (body.rfind("toes.", 0) == 0) return fmt::format("M{}", body.substr(5));
  return body;
}

Rigid poseOf(const std::map<std::string, Rigid>& poses, const std::string& id) {
  const auto it = poses.find(id);
  return it == poses.end() ? Rigid::Identity() : it->second;
}

FootBodies splitBodies(const CtVolume& ct, const LabelVolume& labels, int foot, double soft_mm) {
  FootBodies out;
  Owners part = ownersAround(labels, foot);
  if (part.volume.voxels.empty()) return out;
  const Eigen::Vector3i size = part.volume.grid.size;
  // Toes and sesamoids, where they have labels at all, go with their rays like all bone beyond the heads.
  for (std::uint8_t& v : part.volume.voxels)
    if (v == label(Bone::kToes) || v == label(Bone::kSesamoids)) v = kNobody;
  const Skin around(part.volume, kToesMm);
  LabelVolume owners = part.volume;
  const int passes = std::clamp(static_cast<int>(std::lround(kHaloMm / ct.grid.spacing.minCoeff())), 1, 4);
  for (int n = 0; n < passes; ++n) owners = grown(owners);
  LabelVolume bones = part.volume;
  {
    LabelVolume loose = owners;
    dealLooseBone(ct, part.low, around, loose);
    for (std::size_t i = 0; i < loose.voxels.size(); ++i)
      if (loose.voxels[i] > kLooseBody && loose.voxels[i] != kOtherFoot) {
        bones.voxels[i] = loose.voxels[i];
        owners.voxels[i] = loose.voxels[i];
      }
    for (int n = 0; n < passes; ++n) owners = grown(owners);
  }
  const Skin skin(bones, kSkinMm);

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
    return fail(Fault::kInternal, Message("xray.folder_could_not_made", {{"message", error.message()}}),
                folder.string(), Message("xray.check_free_space_permissions"));
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
    return fail(Fault::kRequest, "xray.folder_bones_grey_values_missing_empty", folder.string(),
                Message("xray.plan_case_again_version_writes_them"));
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
    return fail(Fault::kRequest, "xray.soft_tissues_grey_values_missing", (folder / "soft.nrrd").string(),
                Message("xray.plan_case_again"));
  return out;
}

}  // namespace rayset
