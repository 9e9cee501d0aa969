#include "bones/components.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <numeric>

namespace rayset::bones {
namespace {

/// Sets of runs (union by the lower number, paths halved on the way).
class Sets {
 public:
  explicit Sets(std::size_t count) : parent_(count) { std::iota(parent_.begin(), parent_.end(), 0U); }
  std::uint32_t root(std::uint32_t n) {
    while (parent_[n] != n) n = parent_[n] = parent_[parent_[n]];
    return n;
  }
  void join(std::uint32_t a, std::uint32_t b) {
    a = root(a), b = root(b);
    if (a < b)
      parent_[b] = a;
    else
      parent_[a] = b;
  }

 private:
  std::vector<std::uint32_t> parent_;
};

}  // namespace

Components::Components(const Eigen::Vector3i& size, const std::vector<std::uint8_t>& mask, std::uint8_t value) {
  const auto nx = static_cast<std::size_t>(size.x()), ny = static_cast<std::size_t>(size.y()),
             nz = static_cast<std::size_t>(size.z());
  if (nx * ny * nz == 0) return;
  std::vector<std::vector<Run>> planes(nz);
  std::vector<std::uint32_t> first(ny * nz + 1, 0);  // of each row; within its plane at first
  tbb::parallel_for(std::size_t{0}, nz, [&](std::size_t k) {
    auto& plane = planes[k];
    for (std::size_t j = 0; j < ny; ++j) {
      const std::size_t row = k * ny + j;
      first[row] = static_cast<std::uint32_t>(plane.size());
      const std::uint8_t* at = mask.data() + row * nx;
      for (std::size_t i = 0; i < nx;) {
        if (at[i] != value) {
          ++i;
          continue;
        }
        const std::size_t from = i;
        while (i < nx && at[i] == value) ++i;
        plane.push_back({row * nx + from, row * nx + i, 0});
      }
    }
  });
  std::size_t count = 0;
  for (std::size_t k = 0; k < nz; ++k) {
    for (std::size_t j = 0; j < ny; ++j) first[k * ny + j] += static_cast<std::uint32_t>(count);
    count += planes[k].size();
  }
  first.back() = static_cast<std::uint32_t>(count);
  runs_.reserve(count);
  for (auto& plane : planes) {
    runs_.insert(runs_.end(), plane.begin(), plane.end());
    std::vector<Run>().swap(plane);
  }

  Sets sets(count);
  // Runs of two rows that lie over each other, `apart` voxels from one row to the other.
  const auto joinRows = [&](std::size_t row, std::size_t before, std::size_t apart) {
    std::uint32_t a = first[before], b = first[row];
    while (a < first[before + 1] && b < first[row + 1]) {
      const std::size_t a_from = runs_[a].from + apart, a_to = runs_[a].to + apart;
      if (a_from < runs_[b].to && runs_[b].from < a_to) sets.join(a, b);
      if (a_to < runs_[b].to)
        ++a;
      else
        ++b;
    }
  };
  for (std::size_t k = 0; k < nz; ++k)
    for (std::size_t j = 0; j < ny; ++j) {
      const std::size_t row = k * ny + j;
      if (j > 0) joinRows(row, row - 1, nx);
      if (k > 0) joinRows(row, row - ny, nx * ny);
    }
  // The root of a set is its lowest run, so it comes before the others.
  for (std::uint32_t n = 0; n < count; ++n) {
    const std::uint32_t root = sets.root(n);
    if (root == n) {
      runs_[n].piece = static_cast<std::uint32_t>(voxels_.size());
      voxels_.push_back(0);
    } else {
      runs_[n].piece = runs_[root].piece;
    }
    voxels_[runs_[n].piece] += runs_[n].to - runs_[n].from;
  }
}

std::uint32_t Components::largest() const {
  return static_cast<std::uint32_t>(std::max_element(voxels_.begin(), voxels_.end()) - voxels_.begin());
}

}  // namespace rayset::bones
