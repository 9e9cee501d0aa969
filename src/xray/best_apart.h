// The best of many places examined by a search.
#pragma once

#include <algorithm>
#include <vector>

namespace rayset::film_fit {

/// Best first.
template <class Place>
void sortByScore(std::vector<Place>& places) {
  std::stable_sort(places.begin(), places.end(), [](const Place& a, const Place& b) { return a.score > b.score; });
}

/// The best `count` places, leaving out any that is the same as a better one.
template <class Place, class Same>
std::vector<Place> bestApart(std::vector<Place> places, std::size_t count, const Same& same) {
  sortByScore(places);
  std::vector<Place> kept;
  for (const Place& place : places) {
    if (kept.size() == count) break;
    if (std::ranges::none_of(kept, [&](const Place& better) { return same(place, better); })) kept.push_back(place);
  }
  return kept;
}

}  // namespace rayset::film_fit
