#include "reduction/manoeuvre.h"

#include <algorithm>
#include <cmath>

#include "base/units.h"

namespace rayset::reduction {
namespace {

constexpr double kLeastShiftMm = 0.5;  // smaller moves cannot be made by hand
constexpr double kLeastTurnDeg = 1.5;

}  // namespace

Movement movementOf(const Rigid& injured_to_reduced, const Vec3& injured_base, const Frame& frame) {
  const Vec3 shift = frame.components(injured_to_reduced * injured_base - injured_base);
  const Eigen::AngleAxisd turn(Mat3(injured_to_reduced.linear()));
  const Vec3 w = turn.angle() * turn.axis();
  // The turn vector is axial: on a left foot, whose frame is left-handed, its components change sign.
  const double hand = frame.distal.cross(frame.medial).dot(frame.dorsal) > 0 ? 1 : -1;
  Movement m;
  m.lateral_mm = -shift[0];
  m.distal_mm = shift[1];
  m.dorsal_mm = shift[2];
  // On a right foot (distal, medial, dorsal) is right-handed: a positive turn about medial carries distal to plantar
  // (plantarflexion), one about dorsal carries distal to medial (adduction), one about distal rolls the top laterally.
  m.abduction_rad = -hand * w.dot(frame.dorsal);
  m.plantarflexion_rad = hand * w.dot(frame.medial);
  m.pronation_rad = -hand * w.dot(frame.distal);
  return m;
}

double clearingTraction(const std::map<Bone, DistanceField>& fields, const Surface& metatarsal,
                        const Rigid& injured_to_reduced, const Vec3& base, const Frame& frame) {
  std::vector<const DistanceField*> tarsus;
  for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub})
    if (fields.contains(b)) tarsus.push_back(&fields.at(b));
  Points points;
  for (const auto& s : sampleEvenly(metatarsal, 1500))
    if ((s.position - base).norm() < 16) points.push_back(s.position);
  const Eigen::AngleAxisd turn(Mat3(injured_to_reduced.linear()));
  const Vec3 shift = injured_to_reduced * base - base;
  const auto overlap = [&](double s, double traction) {
    const Rigid X = turnAbout(base, s * turn.angle() * turn.axis(), s * shift + traction * frame.distal);
    double least = 0;
    for (const Vec3& p : points)
      for (const DistanceField* f : tarsus) least = std::min(least, f->value(X * p));
    return -least;
  };
  const double allowed = std::max(0.3, std::max(overlap(0, 0), overlap(1, 0)) + 0.1);
  for (double traction = 0; traction <= 12; traction += 1) {
    bool clear = true;
    for (double s = 0.1; s < 0.95 && clear; s += 0.1) clear = overlap(s, traction) <= allowed;
    if (clear) return traction;
  }
  return 12;
}

std::vector<Message> manoeuvre(Ray ray, const Movement& back, double clearing_mm, bool kept, bool told) {
  const Message partner = nameOf(tarsalPartner(ray));
  const double abduction = toDegrees(back.abduction_rad);
  const double flexion = toDegrees(back.plantarflexion_rad);
  const double pronation = toDegrees(back.pronation_rad);
  const bool still = std::abs(back.lateral_mm) < kLeastShiftMm && std::abs(back.dorsal_mm) < kLeastShiftMm &&
                     std::abs(back.distal_mm) < kLeastShiftMm && std::abs(abduction) < kLeastTurnDeg &&
                     std::abs(flexion) < kLeastTurnDeg && std::abs(pronation) < kLeastTurnDeg;
  if ((kept || still) && !told)
    return {Message("reduction.leave_stress_ray_under_image_intensifier", {{"ray", nameOf(ray)}})};
  if (kept || still) return {Message("reduction.leave_ray_already_place_check_under", {{"ray", nameOf(ray)}})};

  std::vector<Message> steps;
  const auto mm = [](double v) { return rayset::mm(std::round(std::abs(v) * 2) / 2); };
  const auto deg = [](double v) { return number(std::abs(v), 0); };
  if (!told) steps.push_back(Message("reduction.stress_ray_under_image_intensifier_first", {{"ray", nameOf(ray)}}));
  const double traction = std::max(0.0, back.distal_mm) + clearing_mm;
  if (traction >= kLeastShiftMm) {
    steps.push_back(clearing_mm >= kLeastShiftMm
                        ? Message("reduction.traction_along_ray_until_base_clears", {{"mm", mm(traction)}})
                        : Message("reduction.traction_along_ray", {{"mm", mm(traction)}}));
  }
  if (std::abs(abduction) >= kLeastTurnDeg)
    steps.push_back(
        Message("reduction.turn_head_aside", {{"way", abduction > 0 ? "abduct" : "adduct"}, {"deg", deg(abduction)}}));
  if (std::abs(flexion) >= kLeastTurnDeg)
    steps.push_back(Message("reduction.turn_head_up_or_down",
                            {{"way", flexion > 0 ? "plantarflex" : "dorsiflex"}, {"deg", deg(flexion)}}));
  if (std::abs(back.lateral_mm) >= kLeastShiftMm) {
    steps.push_back(Message("reduction.push_base",
                            {{"way", back.lateral_mm > 0 ? "laterally" : "medially"}, {"mm", mm(back.lateral_mm)}}));
  }
  if (std::abs(back.dorsal_mm) >= kLeastShiftMm) {
    steps.push_back(back.dorsal_mm > 0 ? Message("reduction.lift_base_dorsally", {{"mm", mm(back.dorsal_mm)}})
                                       : Message("reduction.press_base_plantarward", {{"mm", mm(back.dorsal_mm)}}));
  }
  if (std::abs(pronation) >= kLeastTurnDeg)
    steps.push_back(
        Message("reduction.roll_ray", {{"way", pronation > 0 ? "pronate" : "supinate"}, {"deg", deg(pronation)}}));
  const double settle = clearing_mm + std::max(0.0, -back.distal_mm);
  if (settle >= kLeastShiftMm)
    steps.push_back(Message("reduction.release_traction_let_base_settle_proximally", {{"mm", mm(settle)}}));
  if (ray == 2) {
    steps.push_back(Message("reduction.compress_pointed_clamp_medial_cuneiform_second"));
  } else {
    steps.push_back(Message("reduction.compress_against_hold_check_under_image", {{"partner", partner}}));
  }
  return steps;
}

}  // namespace rayset::reduction
