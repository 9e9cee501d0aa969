#include "geometry/plane_cut.h"

#include <unordered_map>
#include <utility>

namespace rayset {

std::vector<CutChain> chained(const std::vector<CutSegment>& segments, ChainStart start) {
  std::unordered_map<std::uint64_t, std::size_t> by_start;
  by_start.reserve(2 * segments.size());
  for (std::size_t n = 0; n < segments.size(); ++n) by_start.emplace(segments[n].start_edge, n);

  std::vector<CutChain> chains;
  std::vector<char> used(segments.size(), 0);
  const auto follow = [&](std::size_t first) {
    CutChain chain;
    for (std::size_t n = first; used[n] == 0;) {
      used[n] = 1;
      chain.segments.push_back(n);
      const auto next = by_start.find(segments[n].end_edge);
      if (next == by_start.end()) break;
      n = next->second;
      chain.closed = n == first;
    }
    chains.push_back(std::move(chain));
  };
  if (start == ChainStart::kAtEnds) {
    std::vector<char> led_to(segments.size(), 0);
    for (const CutSegment& s : segments)
      if (const auto next = by_start.find(s.end_edge); next != by_start.end()) led_to[next->second] = 1;
    for (std::size_t n = 0; n < segments.size(); ++n)
      if (led_to[n] == 0) follow(n);
  }
  for (std::size_t n = 0; n < segments.size(); ++n)
    if (used[n] == 0) follow(n);
  return chains;
}

}  // namespace rayset
