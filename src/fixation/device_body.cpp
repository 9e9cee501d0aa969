#include "fixation/device_body.h"

#include <algorithm>
#include <limits>

#include "fixation/path.h"

namespace rayset::fixation {
namespace {

using path::Segment;

// What nearness costs, against the costs of single paths (path_cost.cpp; 0.6 = an entry at the edge of the cortex
// allowed). Chosen together with those, not derived.
struct PairWeights {
  double too_near = 6;    // for any gap below what is wanted, so that such pairs are chosen only if all else fails
  double missing = 30;    // per mm2 that the gap is short: half the cost of a short margin to the cortex
  double crowded = 0.15;  // per mm that the gap is short of twice what is wanted: more room is welcome, but cheap
  double in_the_way = 4;  // for any overlap outside the bone of a wire with what drives the other, or with that wire
  double overlap = 4;     // per mm2 of that overlap
};
constexpr PairWeights kWeight;

// Outside the bone: a protruding wire must leave room for a screw's sleeve and driver, and for another wire.
double outsideGap(const DeviceBody& a, const DeviceBody& b) {
  if (a.stub_mm == 0 && b.stub_mm == 0)
    return std::numeric_limits<double>::max();  // one screw is finished before the next begins
  const auto outside = [](const DeviceBody& d) {
    return Segment{d.entry, d.entry - (d.stub_mm > 0 ? d.stub_mm : 60.0) * d.direction};
  };
  const auto room = [](const DeviceBody& d) { return d.stub_mm > 0 ? d.radius + 0.5 : d.driver_mm; };
  return path::segmentDistance(outside(a), outside(b)) - room(a) - room(b);
}

}  // namespace

DeviceBody bodyOf(const Device& d, const Catalogue& catalogue) {
  const ImplantType* type = catalogue.find(d.type);
  return {d.entry,
          d.tip,
          d.direction,
          d.diameter_mm / 2,
          type != nullptr ? type->head_diameter_mm / 2 : 0,
          traits(d.kind).stub_mm,
          traits(d.kind).driver_mm};
}

double bodyGap(const DeviceBody& a, const DeviceBody& b) {
  double gap = path::segmentDistance({a.entry, a.tip}, {b.entry, b.tip}) - a.radius - b.radius;
  if (a.head_radius > 0)
    gap = std::min(gap, path::segmentDistance({a.entry, a.entry}, {b.entry, b.tip}) - a.head_radius - b.radius);
  if (b.head_radius > 0)
    gap = std::min(gap, path::segmentDistance({b.entry, b.entry}, {a.entry, a.tip}) - b.head_radius - a.radius);
  if (a.head_radius > 0 && b.head_radius > 0)
    gap = std::min(gap, (a.entry - b.entry).norm() - a.head_radius - b.head_radius);
  return gap;
}

double pairCost(const DeviceBody& a, const DeviceBody& b, double wanted_gap_mm) {
  const double gap = bodyGap(a, b), outside = outsideGap(a, b);
  const double missing = wanted_gap_mm - gap;
  double cost = gap < wanted_gap_mm ? kWeight.too_near + kWeight.missing * (missing * missing)
                                    : kWeight.crowded * std::max(0.0, 2 * wanted_gap_mm - gap);
  if (outside < 0) cost += kWeight.in_the_way + kWeight.overlap * (outside * outside);
  return cost;
}

double Neighbours::addedTo(double own, const DeviceBody& body) const {
  for (const DeviceBody& other : bodies) own += pairCost(body, other, wanted_gap_mm);
  return own;
}

}  // namespace rayset::fixation
