// Looks for a body beside the place where it was found.
#pragma once

#include <functional>
#include <initializer_list>

#include "base/progress.h"
#include "xray/film_refine.h"

namespace rayset::film_fit {

/// The problem narrowed to a few bodies (groups `first` to `last`) within `reach_mm` of where they are: everything else
/// stays still and is drawn once. `also`: the same with these bodies elsewhere; the compared region then covers both
/// places.
Problem narrowed(const Problem& p, std::size_t first, std::size_t last, double reach_mm,
                 std::initializer_list<int> levels, const Mode& mode, const Problem* also = nullptr);

/// Which bodies are searched for beside where they were found, and which are refined with them.
struct Search {
  std::size_t first = 0, last = 0;  // of the groups
  std::size_t together = 1;         // groups on each side that are refined with it
  bool roll = false;                // search its roll; a device's turn about its axis is invisible
  bool from_middle = false;         // metal has sharp edges: the finest level alone does not reach far
  double met = 2;                   // bodies that match better than this on every film are left where they are
  Mode mode;                        // of the whole registration
};
/// Shafts that overlap on a film can be mistaken for one another, and so can screws. So each body is searched for again
/// on each film around where it was found, and refined with its neighbours, which had adapted to a body in the wrong
/// place. Places are compared on the finest level only: on coarser ones a wrong place can match as well as the right
/// one. With `settle` the worst match comes first; if it is found elsewhere, everything is refined, after which others
/// may match well enough to be left alone. Without it, bodies are taken in order and stay put meanwhile. Returns true
/// if anything moved.
bool tryBeside(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress,
               const std::function<void()>& settle = {});

/// A device in its right place has a similarity of 0.96 or more. Below this value it may lie on another's shadow: two
/// that did had 0.71 and 0.77, and were 2.8 and 3.6 mm off.
inline constexpr double kDeviceHardlyMet = 0.88;
/// Screws that have taken each other's shadow on one film, or part of it where they cross, hold each other there: moved
/// one at a time, none comes back. So each screw that matches poorly (the worst four), or is far both from the plan and
/// from where its ray has gone, is searched for as if the others were absent; its current place, its planned place and
/// its place had it moved with its ray are candidates too. All combinations of places are tried and the best refined,
/// all devices together; one is kept if the films match better. Returns true if anything moved.
bool tryTogether(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress);

}  // namespace rayset::film_fit
