#include "reduction/refusal.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "injury/displacement.h"
#include "reduction/borders.h"

namespace rayset::reduction {
namespace {

constexpr double kStepMm = 1.0, kSpreads = 2.5;
constexpr double kOtherFacetMm = 5;  ///< half the width of a base (10 to 15 mm in our feet)
constexpr double kUncovered = 0.2, kUncoveredMm2 = 20;

struct Step {
  double scanned = 0, placed = 0, spread = 0;  // distance from usual, mm
  int halves = 0;
};

}  // namespace

PerRay<Message> worseJoints(const FootFigures& scanned, const FootFigures& placed, const JointNorms& norms,
                            const PerRay<double>& moved_mm) {
  // Both halves of a wall have the same first word after the bones: dorsal, medial, plantar or lateral.
  std::map<std::pair<Ray, std::string>, Step> steps;
  for (const BorderSite& site : borderSites({})) {
    const auto ray = rayOf(site.onto);
    if (site.outward.isZero() || !ray || rayOf(site.from)) continue;
    const auto was = scanned.borders_mm.find(site.name), is = placed.borders_mm.find(site.name);
    const auto norm = norms.borders_mm.find(site.name);
    if (was == scanned.borders_mm.end() || is == placed.borders_mm.end() || norm == norms.borders_mm.end()) continue;
    const std::size_t from = site.name.find(' ') + 1;
    Step& step = steps[{*ray, site.name.substr(from, site.name.find(' ', from) - from)}];
    step.scanned += was->second - norm->second.mean;
    step.placed += is->second - norm->second.mean;
    step.spread += norm->second.spread;
    ++step.halves;
  }
  struct Worst {
    double scanned = 0, placed = 0;
    std::string side;  // of the step as placed
  };
  PerRay<Worst> worst;
  for (const auto& [of, step] : steps) {
    Worst& w = worst[of.first];
    const double now = std::abs(step.placed) / step.halves;
    w.scanned = std::max(w.scanned, std::abs(step.scanned) / step.halves);
    if (now <= w.placed || now < kSpreads * step.spread / step.halves) continue;
    w.placed = now;
    w.side = of.second;
  }
  PerRay<Message> out;
  for (const auto& [ray, w] : worst) {
    const auto moved = moved_mm.find(ray);
    const bool elsewhere = moved != moved_mm.end() && moved->second > kOtherFacetMm;
    if (w.placed <= w.scanned + kStepMm || (elsewhere && w.placed <= kDisplacedFromMm)) continue;
    out[ray] = Message("reduction.step_where_scan_has_none_above",
                       {{"side", w.side}, {"placed", mm(w.placed)}, {"scanned", mm(w.scanned)}});
  }
  for (const auto& [ray, joint] : scanned.joints) {
    const JointFigures* there = find(placed.joints, ray);
    if (there == nullptr) continue;
    const double before = joint.near_mm2, after = there->near_mm2;
    if (after > (1 - kUncovered) * before || after > before - kUncoveredMm2) continue;
    out.try_emplace(ray,
                    Message("reduction.2_face_covered_where_scan_has",
                            {{"after", Quantity{after, Unit::kMm2, 0}}, {"before", Quantity{before, Unit::kMm2, 0}}}));
  }
  return out;
}

}  // namespace rayset::reduction
