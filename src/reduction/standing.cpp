#include "reduction/standing.h"

#include <algorithm>

#include "injury/displacement.h"

namespace rayset::reduction {
namespace {

// Real feet, person left out, single rays displaced by 3 mm in every direction and the injuries of bench_reduction,
// true surfaces and scanned ones (docs/decisions/reduction.md). Rays in place: best place up to 1.75 mm away (2.9 for
// fifth rays, which their joints hold only to 4 mm); strain up to 0.66, up to 0.42 if the best place is 2 mm away or
// more.
constexpr double kStaysBelow = 0.5;
constexpr double kMovesFrom = 1.3;  // strain of a ray that is not reduced by as much as counts as displacement
constexpr double kSureBelow = 0.3, kSureAbove = 0.65;
constexpr double kMarginMm = 0.35;  // a place this near the threshold of displacement may lie on either side

double displacedFrom(const Standing& ray) { return std::max(kDisplacedFromMm, ray.within_mm); }

}  // namespace

bool stays(const Standing& ray) { return ray.strain < (ray.away_mm < displacedFrom(ray) ? kMovesFrom : kStaysBelow); }

bool imagesTell(const Standing& ray, bool stays) {
  if (stays) return ray.away_mm < kDisplacedFromMm - kMarginMm || ray.strain < kSureBelow;
  if (ray.away_mm + ray.within_mm < kDisplacedFromMm || ray.away_mm - ray.within_mm > kDisplacedFromMm) return true;
  return ray.strain > kSureAbove && ray.away_mm > displacedFrom(ray) + kMarginMm;
}

}  // namespace rayset::reduction
