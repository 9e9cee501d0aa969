// A body looked for beside where it was found.
#pragma once

#include <functional>
#include <initializer_list>

#include "base/progress.h"
#include "xray/film_refine.h"

namespace rayset::film_fit {

/// The problem narrowed down to a few bodies (groups `first` to `last`), up to `reach_mm` from where they are:
/// everything else stands still and is drawn once. `also`: the same with these bodies elsewhere; what is compared then
/// holds both places.
Problem narrowed(const Problem& p, std::size_t first, std::size_t last, double reach_mm,
                 std::initializer_list<int> levels, const Mode& mode, const Problem* also = nullptr);

/// What is looked for beside where it was found, and with whom it is followed down.
struct Search {
  std::size_t first = 0, last = 0;  // of the groups
  std::size_t together = 1;         // groups on each side that are followed with it
  bool roll = false;                // a device's turn about its axis shows nowhere
  bool from_middle = false;         // metal's edges are sharp: the finest level alone does not reach far
  double met = 2;                   // bodies that every film meets better than this are left where they are
  Mode mode;                        // of the whole
};
/// Shafts that lie over each other on a film can be taken one for another, and so can screws. Every body is therefore
/// sought anew on each film around where it was found, and followed down with its neighbours, which have made do with
/// a body in the wrong place. Told apart on the finest level only: on coarser ones a wrong place can be met as well as
/// the right one. With `settle` the one that is met worst comes first; where it was found elsewhere, everything
/// follows, and with it in its place others may be met well enough to be left where they are. Without, they come in
/// their order and stay as they are meanwhile. True where anything moved.
bool tryBeside(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress,
               const std::function<void()>& settle = {});

/// In its place a device is met with 0.96 and more. Met worse than this it may lie on another's shadow: two that did
/// were met with 0.71 and 0.77, and were 2.8 and 3.6 mm off.
inline constexpr double kDeviceHardlyMet = 0.88;
/// Screws that took each other's shadow on one film, or a part of it where they cross, hold each other there: one at a
/// time, none comes back. So each of those that are met poorly (the worst four), or lie far both from the plan and from
/// where their ray has gone, is sought as if the others were not there; where it is, was planned and would be with its
/// ray are places as well. Every combination of places is looked at and the best are followed down, all devices
/// together; one is kept where the films are met better. True where anything moved.
bool tryTogether(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress);

}  // namespace rayset::film_fit
