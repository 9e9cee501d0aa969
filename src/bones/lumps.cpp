#include "bones/lumps.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "bones/features.h"

namespace rayset::bones {
namespace {

constexpr double kBright = 0.25;  ///< a sheet this much brighter than both sides (of the contrast) is not passed
constexpr double kLeastMm3 = 40;  ///< smaller ones are texture
constexpr double kMostOfBone = 0.33;
constexpr double kShellMm = 1.5;     ///< the cortex, which runs on from bone to bone around the rim of a joint
constexpr double kSheetPart = 0.35;  ///< of the face between a lump and its bone the sheet is at least this much
/// Faces^1.5 / voxels where it meets its bone: half a ball 7, enclosed on all sides 19.
constexpr double kOneSided = 12;
constexpr std::uint32_t kNone = 0xffffffffU;
constexpr std::uint8_t kNobody = 255;

}  // namespace

void partLumps(const Image& image, const SheetAt& plates, std::size_t bones,
               const std::function<bool(std::uint8_t)>& parted, std::uint8_t stray, std::vector<std::uint8_t>& owner) {
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const std::array<std::ptrdiff_t, 6> six = image.six();
  enum : std::uint8_t { kOut, kOpen, kShell, kSheet };
  std::vector<std::uint8_t> state(owner.size(), kOut);
  tbb::parallel_for(1, nz - 1, [&](int k) {
    for (int j = 1; j < ny - 1; ++j)
      for (int i = 1; i < nx - 1; ++i) {
        const std::size_t n = image.offset(i, j, k);
        if (owner[n] >= bones || !parted(owner[n])) continue;
        state[n] = plates(n, i, j, k) > kBright ? kSheet : kOpen;
      }
  });
  // The voxels in question, in order.
  std::vector<std::vector<std::uint32_t>> slices(static_cast<std::size_t>(nz));
  tbb::parallel_for(1, nz - 1, [&](int k) {
    for (std::size_t n = image.offset(0, 0, k); n < image.offset(0, 0, k + 1); ++n)
      if (state[n] != kOut) slices[static_cast<std::size_t>(k)].push_back(static_cast<std::uint32_t>(n));
  });
  std::vector<std::uint32_t> mine;
  for (const auto& slice : slices) mine.insert(mine.end(), slice.begin(), slice.end());
  std::vector<std::uint32_t> rim;
  for (const std::uint32_t n : mine)
    if (std::any_of(six.begin(), six.end(), [&](std::ptrdiff_t d) { return owner[beside(n, d)] == kNobody; }))
      rim.push_back(n);
  for (int depth = static_cast<int>(std::lround(kShellMm / image.h)); depth > 0; --depth) {
    std::vector<std::uint32_t> next;
    for (const std::uint32_t n : rim) {
      if (state[n] == kOpen) state[n] = kShell;
      for (const std::ptrdiff_t d : six)
        if (state[beside(n, d)] == kOpen) next.push_back(static_cast<std::uint32_t>(beside(n, d)));
    }
    rim.swap(next);
  }
  // Open parts of every bone.
  std::vector<std::uint32_t> part(owner.size(), kNone);
  struct Lump {
    std::uint8_t bone;
    std::vector<std::uint32_t> voxels;
  };
  std::vector<Lump> lumps;
  std::vector<std::size_t> largest(bones, 0), whole(bones, 0);
  for (const std::uint32_t start : mine) {
    ++whole[owner[start]];
    if (state[start] != kOpen || part[start] != kNone) continue;
    const auto id = static_cast<std::uint32_t>(lumps.size());
    Lump& lump = lumps.emplace_back(Lump{owner[start], {start}});
    part[start] = id;
    for (std::size_t q = 0; q < lump.voxels.size(); ++q)
      for (const std::ptrdiff_t d : six) {
        const auto t = beside(lump.voxels[q], d);
        if (state[t] != kOpen || part[t] != kNone || owner[t] != lump.bone) continue;
        part[t] = id;
        lump.voxels.push_back(static_cast<std::uint32_t>(t));
      }
    largest[lump.bone] = std::max(largest[lump.bone], lump.voxels.size());
  }
  const double mm3 = image.h * image.h * image.h;
  const auto given = [&](const Lump& lump) {
    const auto size = static_cast<double>(lump.voxels.size());
    return size * mm3 >= kLeastMm3 && lump.voxels.size() < largest[lump.bone] &&
           size < kMostOfBone * static_cast<double>(whole[lump.bone]);
  };
  // The sheets go to whichever side reaches them first, layer by layer.
  std::vector<std::uint32_t> layer;
  for (const Lump& lump : lumps) {
    const bool counts = given(lump) || lump.voxels.size() == largest[lump.bone];
    for (const std::uint32_t n : lump.voxels) {
      if (counts)
        layer.push_back(n);
      else
        part[n] = kNone, state[n] = kShell;
    }
  }
  while (!layer.empty()) {
    std::vector<std::uint32_t> next;
    for (const std::uint32_t n : layer)
      for (const std::ptrdiff_t d : six) {
        const auto t = beside(n, d);
        if (state[t] < kShell || part[t] != kNone || owner[t] != lumps[part[n]].bone) continue;
        part[t] = part[n];
        next.push_back(static_cast<std::uint32_t>(t));
      }
    layer.swap(next);
  }
  // Where a lump meets its bone: the whole face, and the part that is a sheet.
  std::vector<std::pair<std::size_t, std::size_t>> met(lumps.size());
  std::vector<std::size_t> size(lumps.size(), 0);
  for (const std::uint32_t n : mine) {
    if (part[n] == kNone) continue;
    ++size[part[n]];
    for (const std::ptrdiff_t d : six) {
      const std::size_t t = beside(n, d);
      if (part[t] == kNone || part[t] == part[n] || owner[t] != owner[n]) continue;
      ++met[part[n]].first;
      if (state[n] == kSheet || state[t] == kSheet) ++met[part[n]].second;
    }
  }
  const auto leaves = [&](std::uint32_t id) {
    const auto all = static_cast<double>(met[id].first), sheet = static_cast<double>(met[id].second);
    return given(lumps[id]) && sheet > kSheetPart * all &&
           std::pow(all, 1.5) < kOneSided * static_cast<double>(size[id]);
  };
  for (const std::uint32_t n : mine)
    if (part[n] != kNone && leaves(part[n])) owner[n] = stray;
}

}  // namespace rayset::bones
