// Connected pieces by runs against the definition: what a walk from voxel to neighbouring voxel reaches.
#include "bones/components.h"

#include <gtest/gtest.h>

#include <random>

namespace rayset::bones {
namespace {

/// Piece of every voxel, numbered by first voxel; -1 where the mask is not `value`.
std::vector<int> walked(const Eigen::Vector3i& size, const std::vector<std::uint8_t>& mask, std::uint8_t value) {
  std::vector<int> piece(mask.size(), -1);
  int count = 0;
  for (std::size_t start = 0; start < mask.size(); ++start) {
    if (mask[start] != value || piece[start] >= 0) continue;
    std::vector<std::size_t> todo{start};
    piece[start] = count;
    while (!todo.empty()) {
      const auto n = static_cast<int>(todo.back());
      todo.pop_back();
      const Eigen::Vector3i here(n % size.x(), n / size.x() % size.y(), n / (size.x() * size.y()));
      for (int axis = 0; axis < 3; ++axis)
        for (const int d : {-1, 1}) {
          Eigen::Vector3i there = here;
          there[axis] += d;
          if (there[axis] < 0 || there[axis] >= size[axis]) continue;
          const auto t = static_cast<std::size_t>((there.z() * size.y() + there.y()) * size.x() + there.x());
          if (mask[t] != value || piece[t] >= 0) continue;
          piece[t] = count;
          todo.push_back(t);
        }
    }
    ++count;
  }
  return piece;
}

TEST(Components, AreWhatAWalkReachesInRandomMasks) {
  std::mt19937 random(11);
  for (int round = 0; round < 60; ++round) {
    const Eigen::Vector3i size(1 + static_cast<int>(random() % 23), 1 + static_cast<int>(random() % 17),
                               1 + static_cast<int>(random() % 13));
    std::vector<std::uint8_t> mask(static_cast<std::size_t>(size.prod()));
    const double dense = 0.15 + 0.7 * static_cast<double>(round) / 60;
    for (auto& v : mask) v = static_cast<double>(random() % 1000) < 1000 * dense;
    for (const std::uint8_t value : {std::uint8_t{0}, std::uint8_t{1}}) {
      const std::vector<int> expected = walked(size, mask, value);
      const Components found(size, mask, value);
      std::vector<int> piece(mask.size(), -1);
      std::vector<std::size_t> voxels(found.count(), 0);
      for (const auto& run : found.runs())
        for (std::size_t n = run.from; n < run.to; ++n) piece[n] = static_cast<int>(run.piece), ++voxels[run.piece];
      EXPECT_EQ(piece, expected) << size.transpose() << ", value " << static_cast<int>(value);
      EXPECT_EQ(found.voxels(), voxels);
    }
  }
}

TEST(Components, OfNothingAreNone) {
  EXPECT_EQ(Components({4, 3, 2}, std::vector<std::uint8_t>(24, 0)).count(), 0U);
  EXPECT_EQ(Components({0, 0, 0}, {}).count(), 0U);
}

// Two combs whose teeth lie between each other: many rows meet before the backs join what belongs together.
TEST(Components, CombsOfOneBackAreOnePieceEach) {
  const Eigen::Vector3i size(21, 9, 1);
  std::vector<std::uint8_t> mask(static_cast<std::size_t>(size.prod()), 0);
  const auto at = [&](int x, int y) -> std::uint8_t& { return mask[static_cast<std::size_t>(y * size.x() + x)]; };
  for (int x = 0; x < size.x(); ++x) at(x, 0) = at(x, 8) = 1;
  for (int x = 0; x < size.x(); x += 4)
    for (int y = 2; y < 8; ++y) at(x, y) = 1;  // hang on the lower back
  for (int x = 2; x < size.x(); x += 4)
    for (int y = 0; y < 7; ++y) at(x, y) = 1;  // hang on the upper back
  const Components found(size, mask);
  ASSERT_EQ(found.count(), 2U);
  EXPECT_EQ(found.voxels(), (std::vector<std::size_t>{21 + 5 * 6, 21 + 6 * 6}));
}

}  // namespace
}  // namespace rayset::bones
