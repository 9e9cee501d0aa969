#include "bones/leaves.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>

namespace rayset::bones {
namespace {

constexpr double kThinMm = 1.5;  ///< radius of the ball that fits into a bone everywhere but at its edges
constexpr double kSticksOutMm = 2.2;
constexpr double kAgainstOthers = 0.2;  ///< of a leaf's faces: it is a neighbour's wall, no edge of its own bone
constexpr std::uint8_t kNobody = 255;
enum State : std::uint8_t { kOutside, kEdge, kSolid, kCore };

/// Steps to the voxels within `mm`, nearest first, without the zero step.
std::vector<std::ptrdiff_t> ball(const Image& image, double mm) {
  const int reach = static_cast<int>(mm / image.h);
  std::vector<std::pair<double, std::ptrdiff_t>> steps;
  for (int c = -reach; c <= reach; ++c)
    for (int b = -reach; b <= reach; ++b)
      for (int a = -reach; a <= reach; ++a) {
        const double d = image.h * std::sqrt(a * a + b * b + c * c);
        if (d > 0 && d <= mm)
          steps.emplace_back(d, (static_cast<std::ptrdiff_t>(c) * image.size.y() + b) * image.size.x() + a);
      }
  std::sort(steps.begin(), steps.end());
  std::vector<std::ptrdiff_t> out;
  out.reserve(steps.size());
  for (const auto& [d, step] : steps) out.push_back(step);
  return out;
}

}  // namespace

void trimLeaves(const Image& image, const std::vector<std::uint8_t>& trimmed, std::uint8_t stray,
                std::vector<std::uint8_t>& owner) {
  const int nx = image.size.x(), ny = image.size.y(), nz = image.size.z();
  const std::array<std::ptrdiff_t, 6> six = image.six();
  const std::vector<std::ptrdiff_t> thin = ball(image, kThinMm), far = ball(image, kSticksOutMm);
  const int margin = static_cast<int>(kSticksOutMm / image.h) + 1;  // steps stay inside the image
  const auto looked = [&](std::size_t n) { return owner[n] < trimmed.size() && trimmed[owner[n]] != 0; };
  const auto everywhere = [&](const auto& each) {
    tbb::parallel_for(margin, std::max(margin, nz - margin), [&](int k) {
      for (int j = margin; j < ny - margin; ++j)
        for (int i = margin; i < nx - margin; ++i)
          if (const std::size_t n = image.offset(i, j, k); looked(n)) each(n);
    });
  };
  // Opened by the thin ball: what it can fill from inside the bone is solid.
  std::vector<std::uint8_t> state(owner.size(), kOutside);
  everywhere([&](std::size_t n) {
    const bool core =
        std::all_of(thin.begin(), thin.end(), [&](std::ptrdiff_t d) { return owner[beside(n, d)] == owner[n]; });
    state[n] = core ? kCore : kEdge;
  });
  const auto near = [&](std::size_t n, const std::vector<std::ptrdiff_t>& steps, State least) {
    return std::any_of(steps.begin(), steps.end(), [&](std::ptrdiff_t d) {
      const std::size_t t = beside(n, d);
      return state[t] >= least && owner[t] == owner[n];
    });
  };
  std::vector<std::uint8_t> solid(owner.size(), 0);
  everywhere([&](std::size_t n) { solid[n] = state[n] == kEdge && near(n, thin, kCore) ? 1 : 0; });
  everywhere([&](std::size_t n) {
    if (solid[n] != 0) state[n] = kSolid;
  });
  // Leaves: edges that are connected beyond the layer next to the solid, and protrude from it.
  std::vector<std::uint8_t> seen(owner.size(), 0);
  std::vector<std::pair<std::uint32_t, std::uint8_t>> moved;
  const auto loose = [&](std::size_t n) {
    return state[n] == kEdge && seen[n] == 0 && std::none_of(six.begin(), six.end(), [&](std::ptrdiff_t d) {
             return state[beside(n, d)] >= kSolid && owner[beside(n, d)] == owner[n];
           });
  };
  for (std::size_t start = 0; start < owner.size(); ++start) {
    if (!loose(start)) continue;
    std::vector<std::uint32_t> leaf{static_cast<std::uint32_t>(start)};
    seen[start] = 1;
    std::map<std::uint8_t, std::size_t> touches;
    std::size_t faces = 0, against = 0;
    bool sticks_out = false;
    for (std::size_t q = 0; q < leaf.size(); ++q) {
      sticks_out = sticks_out || !near(leaf[q], far, kSolid);
      for (const std::ptrdiff_t d : six) {
        const std::size_t t = beside(leaf[q], d);
        if (owner[t] != owner[start]) {
          ++faces;
          if (owner[t] != kNobody) ++against, ++touches[owner[t]];
        } else if (loose(t)) {
          seen[t] = 1;
          leaf.push_back(static_cast<std::uint32_t>(t));
        }
      }
    }
    if (!sticks_out || static_cast<double>(against) < kAgainstOthers * static_cast<double>(faces)) continue;
    std::uint8_t to = stray;
    std::size_t most = 0;
    for (const auto& [other, count] : touches)
      if (count > most) most = count, to = other;
    for (const std::uint32_t n : leaf) moved.emplace_back(n, to);
  }
  for (const auto& [n, to] : moved) owner[n] = to;
}

}  // namespace rayset::bones
