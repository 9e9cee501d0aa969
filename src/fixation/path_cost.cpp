#include "fixation/path_cost.h"

#include <algorithm>
#include <cmath>

#include "base/units.h"
#include "fixation/check_words.h"

namespace rayset::fixation {
namespace {

using path::Reading;

constexpr double kUpwardsMost = 0.1;    // fragment wires enter from above or the side, never from the sole
constexpr double kLeastToLookAtMm = 4;  // in the last bone: no planned device goes in less
constexpr double kShallowRad = 0.45;    // about 26 degrees: below this a drill tends to slide before it bites

// What each departure from the ideal costs. Costs have no unit: only the weights' relative sizes matter.
//
// No weight is derived. They were chosen by looking at sections of the resulting paths in three real feet; entry room
// and grazing came later and were chosen on the feet of bench_fixation. Their priorities are a surgeon's: stay in the
// bone, then hold, then enter at the preferred place. To show how large a weight is, each comment says how much costs
// 0.6, the cost of an entry at the very edge of the allowed cortex ("= edge").
struct PathWeights {
  // Where it goes in.
  double outside_band = 0.2;      // per mm2 that the entry lies outside the wanted stretch; 1.7 mm = edge
  double off_band_middle = 0.03;  // per mm2 from the middle of that stretch, to settle it within; 4.5 mm = edge
  double off_dorsal = 0.6;  // edge: at the end of the allowed sector, growing with the square of the angle towards it

  // Safety: steepest of all.
  double margin_short = 60;       // per mm2 short of the wanted margin to the outer cortex; 0.1 mm = edge
  double margin_spare_mm = 0.15;  // aimed for beyond what is wanted
  double out_of_bone = 20;        // once, if the side protrudes from the bone: as bad as 0.58 mm short of the margin
  double margin_more = 0.8;       // gained per mm of margin beyond what is wanted, up to 1 mm: cheap, but welcome
  double entry_room_mm = 0.4;     // wanted below the cortex at the depth that, on flat cortex, gives the wanted margin
  double entry_room_short = 20;   // per mm2 short of that, a third of margin_short; 0.17 mm = edge
  double grazing = 15;            // per mm2 of the stretch of the side that re-emerges near the entry; 0.2 mm = edge
  double other_clear_mm = 0.5;    // wanted from other bones to the side, to what drives the device, and to its head
  double other_short = 60;        // per mm2 short of that along the path: another bone is as grave as the outer cortex
  double corridor_short = 8;      // the same outside, for the drill's sleeve or the wire driver; 0.3 mm = edge
  double head_short = 20;         // the same for the head; 0.17 mm = edge

  // Hold in the last bone.
  double thread_more = 0.06;  // per mm of thread short of what is enough; 10 mm = edge
  double thread_short = 0.5;  // per mm2 of thread short of what is wanted; 1.1 mm = edge

  // Direction; the rule itself weights where it crosses the joint and which way it should go. These grow with the
  // square of the deviation.
  double oblique_from_deg = 35;  // to the normal of the joint's faces: free below this
  double oblique_rad = 0.2;      // this much more costs `oblique`; 5 degrees = edge
  double oblique = 3;
  double shallow_rad = 0.15;  // this much below kShallowRad to the cortex costs `shallow`; 5 degrees = edge
  double shallow = 1.5;
  double along_deg = 15;        // off the direction wanted costs Rule::along_weight
  double shaft_angle_deg = 10;  // off the wanted angle to the shaft costs `shaft_angle`; 11 degrees = edge
  double shaft_angle = 0.5;
};
constexpr PathWeights kWeight;

double square(double x) { return x * x; }
double over(double x, double limit) { return std::max(0.0, x - limit); }
double angleBetween(double cosine) { return std::acos(std::clamp(cosine, -1.0, 1.0)); }

// Whether a device may enter there at all.
bool mayEnterAt(const Rule& rule, const Vec3& entry, const Vec3& direction, const Reading& r) {
  if (!r.crosses || r.surface_angle < toRadians(kShallowDeg)) return false;
  if (rule.fragment) return direction.dot(rule.up) <= kUpwardsMost;
  return rule.inBand(rule.ray.fromJoint(entry)) && rule.turnFromSector(r.normal) <= rule.sector_half;
}

// Each of these adds its terms to the sum one by one: only in this order are results the same to the bit.
void addEntry(double& cost, const Rule& rule, const Vec3& entry, const Reading& r) {
  const double distance = rule.ray.fromJoint(entry);
  cost += kWeight.outside_band * (square(over(rule.good_from, distance)) + square(over(distance, rule.good_to)));
  cost += kWeight.off_band_middle * square(distance - (rule.good_from + rule.good_to) / 2);
  cost += kWeight.off_dorsal * square(rule.turnFromSector(r.normal) / rule.sector_half);
}

void addSafety(double& cost, const Rule& rule, const Vec3& entry, const Reading& r) {
  const double wanted = rule.tool.wanted_margin, clear = kWeight.other_clear_mm;
  // Falling short of the wanted margin costs steeply; beyond it, a little more room is still welcome.
  cost += kWeight.margin_short * square(over(wanted + rule.surface_error + kWeight.margin_spare_mm, r.margin)) +
          (r.margin < 0 ? kWeight.out_of_bone : 0);
  // A crest or rough cortex leaves the side exposed for longer than flat cortex would.
  cost +=
      kWeight.entry_room_short * square(over(kWeight.entry_room_mm, r.entry_room)) + kWeight.grazing * square(r.grazes);
  cost -= kWeight.margin_more * std::clamp(r.margin - wanted, 0.0, 1.0);
  cost += kWeight.other_short * square(over(clear, r.other)) + kWeight.corridor_short * square(over(clear, r.outside));
  if (rule.head_radius > 0)
    cost += kWeight.head_short * square(over(rule.head_radius + clear, rule.space->obstacleDistance(entry)));
}

void addHold(double& cost, const Rule& rule, double in_last) {
  cost += kWeight.thread_more * over(rule.deep_enough, in_last) +
          kWeight.thread_short * square(over(rule.wanted_in_last, in_last));
}

// Through the middle of the joint, not too obliquely, not skidding on the cortex, and in the rule's direction.
void addDirection(double& cost, const Rule& rule, const Vec3& direction, const Reading& r) {
  cost += rule.off_centre_weight * (r.crossing - rule.space->face_centre).squaredNorm();
  const double oblique = angleBetween(direction.dot(rule.space->face_normal));
  cost += kWeight.oblique * square(over(oblique, toRadians(kWeight.oblique_from_deg)) / kWeight.oblique_rad);
  cost += kWeight.shallow * square(over(kShallowRad, r.surface_angle) / kWeight.shallow_rad);
  if (rule.along)
    cost += rule.along_weight * square(angleBetween(direction.dot(*rule.along)) / toRadians(kWeight.along_deg));
  if (rule.shaft_angle >= 0) {
    const double angle = angleBetween(std::abs(direction.dot(rule.ray.distal)));
    cost += kWeight.shaft_angle * square((angle - rule.shaft_angle) / toRadians(kWeight.shaft_angle_deg));
  }
}

}  // namespace

double pathCost(const Rule& rule, const Vec3& entry, const Vec3& direction, double step, Candidate* out) {
  const Reading r = path::read(*rule.space, entry, direction, rule.tool, step);
  if (!mayEnterAt(rule, entry, direction, r)) return kNoPath;
  const double depth = std::min(r.usable, rule.depth_cap), in_last = depth - r.enter;
  if (in_last < kLeastToLookAtMm) return kNoPath;
  double cost = 0;
  if (!rule.fragment) addEntry(cost, rule, entry, r);
  addSafety(cost, rule, entry, r);
  addHold(cost, rule, in_last);
  addDirection(cost, rule, direction, r);
  if (out != nullptr) *out = {entry, direction, r.crossing, depth, cost};
  return cost;
}

}  // namespace rayset::fixation
