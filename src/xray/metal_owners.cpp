#include "xray/metal_owners.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <utility>

#include "xray/metal.h"
#include "xray/metal_along.h"

namespace rayset::film_fit {
namespace {

// Share of a device's axis that may lie in another device. Screws that were planned clear of each other and moved at
// random by 1.5 mm and 3 degrees had up to 0.16 in 282 outside scenes; a device found on another's shadow has nearly
// all.
constexpr double kSharedAxis = 0.4;
// A device found farther than this from its own place (centre) is not that device: the search does not reach so far, it
// drifted there.
constexpr double kStrayMm = 12;
// A device farther than this from its own place may have another's pose if it is this near to that one's place (entry,
// axis).
constexpr double kFarMm = 5, kNearMm = 5, kNearRad = 0.15;

/// Where a device may be expected: as planned, and moved with its ray.
std::array<Rigid, 2> expected(const Problem& p, const Group& device) {
  return {Rigid::Identity(), goneWithRay(p, device)};
}

/// Distance of a device's centre from where it is expected, mm.
double fromExpected(const Problem& p, const Group& device) {
  const Vec3 found = device.planned_to_found * device.centre;
  double least = 1e300;
  for (const Rigid& X : expected(p, device)) least = std::min(least, (found - X * device.centre).norm());
  return least;
}

/// Whether a found device is where one is expected.
bool fits(const Problem& p, const Group& device, const FoundDevice& found) {
  const Vec3 axis = (found.tip - found.entry).normalized();
  return std::ranges::any_of(expected(p, device), [&](const Rigid& X) {
    return (X * device.metal->entry - found.entry).norm() < kNearMm &&
           axis.dot(X.linear() * device.metal->solid.axis) > std::cos(kNearRad);
  });
}

}  // namespace

void settleOwners(const Problem& p, std::vector<FoundDevice>& devices) {
  const auto group = [&](std::size_t n) -> const Group& { return p.groups[p.bones + n]; };
  for (std::size_t n = 0; n < devices.size(); ++n)
    for (std::size_t m = 0; m < devices.size(); ++m) {
      FoundDevice &one = devices[n], &other = devices[m];
      if (n == m || !one.seen || !other.seen) continue;
      const MetalSolid there = transformed(group(m).metal->solid, group(m).planned_to_found);
      if (shareWithin(one.entry, one.tip, there) <= kSharedAxis) continue;
      (fromExpected(p, group(n)) > fromExpected(p, group(m)) ? one : other).seen = false;
    }
  std::vector<std::size_t> owner(devices.size());  // whose pose it has
  std::iota(owner.begin(), owner.end(), std::size_t{0});
  for (std::size_t n = 0; n < devices.size(); ++n)
    for (std::size_t m = 0; m < devices.size(); ++m) {
      if (devices[n].seen || !devices[m].seen || fromExpected(p, group(m)) < kFarMm || !fits(p, group(n), devices[m]))
        continue;
      std::swap(devices[n], devices[m]);
      std::swap(devices[n].id, devices[m].id);
      const PlannedMetal& planned = *group(n).metal;
      const double longer = (devices[n].tip - devices[n].entry).norm() - (planned.tip - planned.entry).norm();
      devices[n].longer_mm = planned.sized && std::abs(longer) >= kOtherLengthMm ? longer : 0;
      owner[n] = m;
    }
  for (std::size_t n = 0; n < devices.size(); ++n)
    if (owner[n] == n && fromExpected(p, group(n)) > kStrayMm) devices[n].seen = false;
}

}  // namespace rayset::film_fit
