#include "xray/film_length.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <vector>

#include "xray/film_beside.h"

namespace rayset::film_fit {
namespace {

constexpr double kReachMm = 6;
constexpr double kBetter = 0.02;  // in similarity: another length has to be met so much better than the planned one

/// The device drawn as so much longer.
PlannedMetal longerBy(const PlannedMetal& metal, double mm) {
  PlannedMetal out = metal;
  out.solid = lengthened(metal.solid, mm);
  out.tip += mm * metal.solid.axis;
  return out;
}

}  // namespace

double otherLength(Problem& p, std::size_t g, const RefineSettings& base, const Mode& mode, const Progress& progress) {
  const PlannedMetal& planned = *p.groups[g].metal;
  const std::vector<double>& longer_mm = planned.longer_mm;
  if (longer_mm.empty()) return 0;
  // All lengths are looked at in one region, which holds the longest.
  const PlannedMetal longest = longerBy(planned, std::max(0.0, *std::ranges::max_element(longer_mm)));
  p.groups[g].metal = &longest;
  const Problem narrow = narrowed(p, g, g, kReachMm, {kFine}, mode);
  p.groups[g].metal = &planned;

  // The planned length was laid on the whole of another screw, anywhere along it: head on head, middle on middle or tip
  // on tip.
  struct Try {
    double longer = 0, slid = 0;
    PlannedMetal metal;
    Rigid pose = Rigid::Identity();
    double met = -1;
  };
  std::vector<Try> tries{{0, 0, planned}};
  for (const double mm : longer_mm)
    for (const double share : {0.0, 0.5, 1.0}) tries.push_back({mm, -share * mm, longerBy(planned, mm)});
  RefineSettings r = base;
  r.level = kFine;
  r.iterations = 6;
  r.mode = {};
  tbb::parallel_for(std::size_t{0}, tries.size(), [&](std::size_t n) {
    Try& t = tries[n];
    Problem q = narrow;
    Group& group = q.groups.front();
    group.metal = &t.metal;
    group.reach_mm += std::max(0.0, t.longer);
    const Vec3 axis = group.planned_to_found.linear() * t.metal.solid.axis;
    group.planned_to_found.pretranslate(t.slid * axis);
    refine(q, unknowns(q, std::vector<bool>(q.films.size(), false), {true}), r, progress);
    t.pose = group.planned_to_found;
    t.met = 0;
    for (const FilmState& f : q.films)
      t.met += similarity(predict(q, f, kFine, {})) / static_cast<double>(q.films.size());
  });
  const Try& best = *std::ranges::max_element(tries, {}, &Try::met);
  if (best.longer == 0 || best.met < tries.front().met + kBetter) return 0;
  p.groups[g].planned_to_found = best.pose;
  return best.longer;
}

}  // namespace rayset::film_fit
