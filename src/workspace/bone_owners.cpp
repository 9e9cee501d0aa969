#include "workspace/bone_owners.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <map>

#include "anatomy/labels.h"
#include "image/filters.h"
#include "image/voxelise.h"

namespace rayset {
namespace {

constexpr int kRoom = 6;               // voxels around the bones, more than any halo
constexpr std::uint8_t kLoose = 40;    // toes of ray n are 40 + n
constexpr std::uint8_t kFresh = 0x80;  // taken in the current round of growing
constexpr double kBoneHu = 180;        // loose bone itself, as in xray/bodies.cpp

struct Extent {
  Eigen::Vector3i low = Eigen::Vector3i::Constant(1 << 30), high = Eigen::Vector3i::Constant(-1);
  void add(const Eigen::Vector3i& at) {
    low = low.cwiseMin(at);
    high = high.cwiseMax(at);
  }
  [[nodiscard]] bool empty() const { return high.x() < low.x(); }
};

/// In voxels of the grid, with room around, cut to the grid.
Extent extentOf(const Grid& grid, const Points& points) {
  Extent e;
  for (const Vec3& p : points) {
    const Vec3 at = grid.toIndex(p);
    e.add(at.array().floor().cast<int>().matrix());
    e.add(at.array().ceil().cast<int>().matrix());
  }
  e.low = (e.low - Eigen::Vector3i::Constant(kRoom)).cwiseMax(0);
  e.high = (e.high + Eigen::Vector3i::Constant(kRoom)).cwiseMin(grid.size - Eigen::Vector3i::Ones());
  return e;
}

/// The bones with a voxel value each: those that may move first.
struct Owner {
  std::uint8_t id;
  std::string pose;
  const Surface* surface;
  bool moves;
};

std::vector<Owner> ownersOf(const Case& c) {
  std::vector<Owner> owners;
  for (const auto& [bone, surface] : c.injured) {
    if (bone == Bone::kToes || bone == Bone::kSesamoids || surface.empty()) continue;
    owners.push_back({label(bone), std::string(boneId(bone)), &surface, rayOf(bone).has_value()});
  }
  for (const auto& [id, f] : c.fragments)
    if (!f.bone.surface.empty()) owners.push_back({fragmentLabel(id), id, &f.bone.surface, true});
  return owners;
}

void fillBones(const Case& c, const CtVolume& ct, const std::vector<Owner>& owners, BoneOwners& out) {
  if (c.labels.grid.size == ct.grid.size && !c.labels.voxels.empty()) {
    std::array<std::uint8_t, 256> value{};
    for (const Owner& o : owners) value[o.id] = o.id;
    const Eigen::Vector3i size = out.voxels.grid.size;
    tbb::parallel_for(0, size.z(), [&](int k) {
      for (int j = 0; j < size.y(); ++j) {
        const std::uint8_t* from = &c.labels.at(out.low.x(), out.low.y() + j, out.low.z() + k);
        std::uint8_t* to = &out.voxels.at(0, j, k);
        for (int i = 0; i < size.x(); ++i) to[i] = value[from[i]];
      }
    });
  } else {
    for (const Owner& o : owners) fillInside(out.voxels, *o.surface, o.id);
  }
}

/// Where a body's grid begins in the CT's; nothing if it is not part of it.
std::optional<Eigen::Vector3i> placeIn(const Grid& ct, const Grid& body) {
  const Vec3 first = ct.toIndex(body.origin), last = ct.toIndex(body.toPatient(Vec3(body.size.cast<double>())));
  const Vec3 whole = first.array().round().matrix();
  if ((first - whole).norm() > 0.02 || (last - whole - body.size.cast<double>()).norm() > 0.1) return std::nullopt;
  return whole.cast<int>();
}

void addToes(const Case& c, const Grid& grid, BoneOwners& out) {
  for (const Ray ray : kRays) {
    const Body* toes = c.bodies.find(fmt::format("toes.{}", ray));
    if (toes == nullptr) continue;
    const auto place = placeIn(grid, toes->added.grid);
    if (!place) continue;
    const auto id = static_cast<std::uint8_t>(kLoose + ray.number());
    const Eigen::Vector3i size = toes->added.grid.size;
    bool any = false;
    for (int k = 0; k < size.z(); ++k)
      for (int j = 0; j < size.y(); ++j)
        for (int i = 0; i < size.x(); ++i) {
          const int above = toes->added.at(i, j, k);
          const Eigen::Vector3i at = *place + Eigen::Vector3i(i, j, k) - out.low;
          if (above == 0 || !out.voxels.grid.contains(at.x(), at.y(), at.z())) continue;
          std::uint8_t& v = out.voxels.at(at.x(), at.y(), at.z());
          if (v != 0) continue;
          v = above + kMuscleHu >= kBoneHu ? id : static_cast<std::uint8_t>(id | BoneOwners::kHalo);
          any = true;
        }
    if (any) out.bodies.push_back({id, fmt::format("M{}", ray), Eigen::Vector3i::Zero(), Eigen::Vector3i::Zero()});
  }
}

/// Every bone grows by kHaloMm into unowned voxels denser than muscle; where two meet the smaller value wins.
void grow(const CtVolume& ct, BoneOwners& out) {
  const Eigen::Vector3i size = out.voxels.grid.size;
  const auto width = static_cast<std::ptrdiff_t>(size.x()), slice = width * size.y();
  std::vector<std::size_t> front, next;
  std::vector<std::vector<std::size_t>> found(static_cast<std::size_t>(size.z()));
  const auto inner = [&](int i, int j, int k) {
    return i > 0 && j > 0 && k > 0 && i + 1 < size.x() && j + 1 < size.y() && k + 1 < size.z();
  };
  const std::array<std::ptrdiff_t, 6> steps{-1, 1, -width, width, -slice, slice};
  tbb::parallel_for(0, size.z(), [&](int k) {
    for (int j = 0; j < size.y(); ++j) {
      const std::uint8_t* row = &out.voxels.at(0, j, k);
      for (int i = 0; i < size.x(); ++i) {
        if (row[i] == 0 || !inner(i, j, k)) continue;
        if (std::any_of(steps.begin(), steps.end(), [&](std::ptrdiff_t s) { return row[i + s] == 0; }))
          found[static_cast<std::size_t>(k)].push_back(out.voxels.grid.offset(i, j, k));
      }
    }
  });
  for (const auto& f : found) front.insert(front.end(), f.begin(), f.end());
  const int rounds = std::clamp(static_cast<int>(std::lround(kHaloMm / ct.grid.spacing.minCoeff())), 1, 4);
  for (int round = 0; round < rounds; ++round) {
    next.clear();
    for (const std::size_t at : front) {
      const auto value =
          static_cast<std::uint8_t>((out.voxels.voxels[at] & BoneOwners::kIdBits) | BoneOwners::kHalo | kFresh);
      for (const std::ptrdiff_t s : steps) {
        const auto to = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(at) + s);
        std::uint8_t& v = out.voxels.voxels[to];
        if (v != 0) {
          if (v > value) v = value;  // only what is fresh is greater
          continue;
        }
        const int i = static_cast<int>(to % static_cast<std::size_t>(width));
        const int j = static_cast<int>(to % static_cast<std::size_t>(slice) / static_cast<std::size_t>(width));
        const int k = static_cast<int>(to / static_cast<std::size_t>(slice));
        if (!inner(i, j, k) || ct.at(out.low.x() + i, out.low.y() + j, out.low.z() + k) <= kMuscleHu) continue;
        v = value;
        next.push_back(to);
      }
    }
    for (const std::size_t at : next) out.voxels.voxels[at] &= static_cast<std::uint8_t>(~kFresh);
    front.swap(next);
  }
}

void measureExtents(BoneOwners& out) {
  const Eigen::Vector3i size = out.voxels.grid.size;
  std::vector<std::array<Extent, 64>> slices(static_cast<std::size_t>(size.z()));
  tbb::parallel_for(0, size.z(), [&](int k) {
    auto& extent = slices[static_cast<std::size_t>(k)];
    for (int j = 0; j < size.y(); ++j) {
      const std::uint8_t* row = &out.voxels.at(0, j, k);
      for (int i = 0; i < size.x(); ++i)
        if (row[i] != 0) extent[row[i] & BoneOwners::kIdBits].add(out.low + Eigen::Vector3i(i, j, k));
    }
  });
  for (BoneOwners::Movable& body : out.bodies) {
    Extent whole;
    for (const auto& slice : slices) {
      const Extent& e = slice[body.id];
      if (e.empty()) continue;
      whole.add(e.low);
      whole.add(e.high);
    }
    body.low = whole.low;
    body.high = whole.high;
  }
  std::erase_if(out.bodies, [](const BoneOwners::Movable& b) { return b.high.x() < b.low.x(); });
}

}  // namespace

BoneOwners::BoneOwners(const Case& c, const CtVolume& ct) {
  const std::vector<Owner> owners = ownersOf(c);
  Extent whole;
  const auto include = [&](const Points& points) {
    const Extent e = extentOf(ct.grid, points);
    if (e.empty() || (e.high.array() < e.low.array()).any()) return;  // outside the scan
    whole.add(e.low);
    whole.add(e.high);
  };
  for (const Owner& o : owners)
    if (o.moves) include(o.surface->vertices);
  for (const Body& b : c.bodies.bones)
    if (poseId(b.id) != b.id) include(b.added.grid.corners());
  if (whole.empty()) return;
  low = whole.low;
  Grid grid = ct.grid;
  grid.size = whole.high - whole.low + Eigen::Vector3i::Ones();
  grid.origin = ct.grid.toPatient(whole.low.cast<double>());
  voxels = LabelVolume(grid);
  fillBones(c, ct, owners, *this);
  for (const Owner& o : owners)
    if (o.moves) bodies.push_back({o.id, o.pose, Eigen::Vector3i::Zero(), Eigen::Vector3i::Zero()});
  addToes(c, ct.grid, *this);
  grow(ct, *this);
  measureExtents(*this);
}

}  // namespace rayset
