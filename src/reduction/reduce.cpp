#include "reduction/reduce.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/side.h"
#include "reduction/manoeuvre.h"
#include "reduction/refusal.h"
#include "reduction/solver.h"

namespace rayset {
namespace {

constexpr double kLostMm = 6;  ///< an interval wider than this says nothing about a ray
/// Fourth rays vary more between people than their joint's covariance shows: of displaced ones 51 of 58 lay inside on
/// real feet and 10 of 17 on strangers, but 97 and 94 % of all other rays (docs/decisions/reduction.md). The stated
/// interval is widened by this; what stays in place is still decided by the joint's own.
constexpr double kFourthWiden = 1.2;

using namespace reduction;

constexpr double kMirrorTooDifferentMm =
    1.3;  // tarsus rms; a healthy pair stays near 0.4 to 0.6 (0.7 mm asymmetry, Islam 2014)
constexpr double kMirrorImageMm = 0.15;  // tarsus rms; real pairs have 0.4 to 0.6
// A joint of the other foot is no model if it is this much wider than its neighbours (real feet: up to 1.3).
constexpr double kOpenByMm = 2.0;
constexpr double kNearMm2 = 20;          // a smaller face next to its neighbour is no joint (ours)
constexpr std::size_t kInjuredFrom = 2;  // a foot with this many such joints is itself considered injured
constexpr double kOtherOverlapMm = 1.5;

bool present(const BoneSurfaces& bones, Bone b) { return bones.contains(b) && !bones.at(b).empty(); }

/// The other foot as a model: which of its rays are unusable, and why.
struct Pattern {
  Message doubt;           ///< of the whole foot; empty if it is usable
  PerRay<Message> doubts;  ///< by ray
  FootFigures figures;
};
Pattern patternOf(const BoneSurfaces& other, Side side) {
  Pattern out;
  const Side other_side = opposite(side);
  int tarsals = 0;
  for (const Bone b : kMidTarsus) tarsals += present(other, b) ? 1 : 0;
  if (tarsals < 3) {
    out.doubt = Message("reduction.fewer_three_midtarsal_bones_scan");
    return out;
  }
  std::map<Bone, DistanceField> fields = midfootFields(other);
  out.figures = measureFoot(other, fields, other_side);
  const double usual = out.figures.usualGap();
  const Frame frame = footFrame(other, other_side);
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    if (!present(other, m) || !present(other, t)) continue;
    const JointFigures* joint = find(out.figures.joints, ray);
    if (!joint || joint->near_mm2 < kNearMm2) {
      out.doubts[ray] = Message("reduction.bones_hardly_face_each_other");
    } else if (joint->gap_mm > usual + kOpenByMm) {
      out.doubts[ray] =
          Message("reduction.stands_open_where_neighbours_have", {{"gap", mm(joint->gap_mm)}, {"usual", mm(usual)}});
    } else if (const JointFit fit = jointFit(other.at(m), other.at(t), frame.dorsal);
               fit.overlap_mm > kOtherOverlapMm) {
      out.doubts[ray] = Message("reduction.bones_overlap", {{"overlap", mm(fit.overlap_mm)}});
    }
  }
  if (out.doubts.size() >= kInjuredFrom)
    out.doubt = Message("reduction.tarsometatarsal_joints_do_not_look_healthy", {{"doubts", out.doubts.size()}});
  return out;
}

/// By how much two positions of a ray differ, in words; empty if within their intervals.
Message disagreement(const RaySolution& twin, const RaySolution& joint) {
  const Interval &a = twin.interval, &b = joint.interval;
  const Vec6 d = poseDifference(joint.injured_to_reduced, twin.injured_to_reduced, twin.base);
  const double shift = d.tail<3>().norm(), rad = d.head<3>().norm();
  if (shift <= std::hypot(a.mm, b.mm) && rad <= std::hypot(a.rad, b.rad)) return {};
  return Message("reduction.degrees", {{"shift", mm(shift)}, {"turn", number(toDegrees(rad), 0)}});
}

/// Leaves rays as scanned if reduction would make their joint worse. By ray: what would be worse.
PerRay<Message> refuseWorse(PerRay<RaySolution>& rays, const Patient& patient, const JointNorms& norms,
                            const RayOverrides& overrides) {
  const auto ours = [&](Ray ray) {
    const auto given = overrides.find(ray);
    return !rays.at(ray).kept && (given == overrides.end() || !given->second.pose);
  };
  BoneSurfaces placed;
  PerRay<double> moved_mm;
  bool any = false;
  for (const auto& [ray, s] : rays) {
    moved_mm[ray] = (s.injured_to_reduced * s.base - s.base).norm();
    if (s.kept) continue;
    const Bone m = metatarsal(ray);
    placed.emplace(m, transformed(patient.bones->at(m), s.injured_to_reduced));
    any |= ours(ray);
  }
  if (!any) return {};
  std::map<Bone, DistanceField> fields = midfootFields(placed);
  fields.insert(patient.fields.begin(), patient.fields.end());  // what did not move
  placed.insert(patient.bones->begin(), patient.bones->end());
  PerRay<Message> worse = worseJoints(measureJoints(*patient.bones, patient.fields, patient.side),
                                      measureJoints(placed, fields, patient.side), norms, moved_mm);
  std::erase_if(worse, [&](const auto& w) { return !rays.contains(w.first) || !ours(w.first); });
  for (const auto& [ray, what] : worse) {
    RaySolution& s = rays.at(ray);
    s.alternative = s.injured_to_reduced;
    s.injured_to_reduced = Rigid::Identity();
    s.kept = true;
  }
  return worse;
}

}  // namespace

PerRay<double> withinMm(const ReductionResult& reduction) {
  PerRay<double> out;
  for (const auto& [ray, r] : reduction.rays) out[ray] = r.uncertainty_mm;
  return out;
}

std::optional<double> dorsalStepLeft(const RayReduction& ray) {
  if ((ray.ray == 2 || ray.ray == 3) && ray.joint.step_mm > kStepToldFromMm) return ray.joint.step_mm;
  return std::nullopt;
}

Result<ReductionResult> reduceRays(const BoneSurfaces& injured, Side side, const BoneSurfaces* other,
                                   const BoneSurfaces& prior, const JointNorms& norms, const Progress& progress,
                                   const RayOverrides& overrides) {
  ReductionResult result;
  progress("reduction", 0);
  int tarsals = 0;
  for (const Bone b : kMidTarsus) {
    if (present(injured, b)) {
      ++tarsals;
    } else {
      result.cautions.push_back(
          Message("reduction.missing_rays_placed_without", {{"bone", boneId(b)}, {"bone_2", nameOf(b)}}));
    }
  }
  if (tarsals < 3)
    return fail(Fault::kImages, Message("reduction.only_five_midtarsal_bones_found", {{"tarsals", tarsals}}), "",
                Message("reduction.plan_scan_shows_whole_midfoot"));

  auto patient = preparePatient(injured, side, progress);
  if (!patient) return tl::unexpected(patient.error());
  progress("reduction", 0.2);

  std::optional<Atlas> mirror;
  JointNorms personal;  // with the other foot's figures
  Tuning by_mirror = mirrorTuning();
  if (other != nullptr) {
    Pattern pattern = patternOf(*other, side);
    BoneSurfaces twin = mirrored(*other);
    std::size_t serving = 0;
    for (const Ray ray : kRays) {
      if (!pattern.doubt.empty()) break;
      const auto doubt = pattern.doubts.find(ray);
      if (doubt == pattern.doubts.end()) {
        serving += present(twin, metatarsal(ray)) ? 1 : 0;
        continue;
      }
      twin.erase(metatarsal(ray));
      result.cautions.push_back(Message("reduction.tarsometatarsal_joint_other_foot_no_pattern",
                                        {{"ray", nameOf(ray)}, {"doubt", doubt->second}}));
    }
    if (pattern.doubt.empty() && serving == 0) pattern.doubt = Message("reduction.none_rays_can_serve");
    if (!pattern.doubt.empty()) {
      result.cautions.push_back(Message("reduction.other_foot_not_used_pattern", {{"doubt", pattern.doubt}}));
    } else {
      auto atlas = registerAtlas(*patient, std::move(twin), by_mirror, progress);
      if (!atlas && atlas.error().fault == Fault::kCancelled) return tl::unexpected(atlas.error());
      if (!atlas) {
        result.cautions.push_back(Message("reduction.other_foot_not_used_pattern_3", {{"what", atlas.error().what}}));
      } else if (atlas->tarsus_residual_mm > kMirrorTooDifferentMm) {
        result.cautions.push_back(Message("reduction.other_foot_not_used_pattern_mirrored",
                                          {{"tarsus_residual", mm(atlas->tarsus_residual_mm)}}));
      } else {
        mirror = std::move(*atlas);
        personal = personalNorms(norms, pattern.figures);
        // A mirror image needs nothing beside it.
        by_mirror.borders = mirror->tarsus_residual_mm > kMirrorImageMm;
      }
    }
  }
  progress("reduction", 0.35);

  PerRay<RaySolution> rays;
  if (mirror) {
    auto solved = solveRays(*patient, *mirror, by_mirror, personal, progress, overrides);
    if (!solved) return tl::unexpected(solved.error());
    rays = std::move(*solved);
    result.method = ReductionMethod::kContralateral;
    result.mirror_residual_mm = mirror->tarsus_residual_mm;
  }
  progress("reduction", 0.6);

  // Congruence: for all rays, or those for which the other foot is unusable.
  bool wanting = false;
  for (const Ray ray : kRays)
    wanting |= !rays.contains(ray) && present(injured, metatarsal(ray)) && present(injured, tarsalPartner(ray));
  if (wanting || mirror) {
    auto atlas = registerAtlas(*patient, prior, templateTuning(), progress);
    if (!atlas) return tl::unexpected(atlas.error());
    auto solved = solveRays(*patient, *atlas, templateTuning(), norms, progress, overrides);
    if (!solved) return tl::unexpected(solved.error());
    for (const auto& [ray, s] : *solved) {
      if (rays.contains(ray)) {
        if (const Message gap = disagreement(rays.at(ray), s); !gap.empty())
          result.cautions.push_back(
              Message("reduction.other_foot_joint_itself_disagree_about", {{"ray", nameOf(ray)}, {"gap", gap}}));
        continue;
      }
      if (mirror) result.cautions.push_back(Message("reduction.ray_has_no_partner_other_foot", {{"ray", nameOf(ray)}}));
      rays.emplace(ray, s);
    }
  }
  for (const auto& [ray, given] : overrides) {
    if (!given.pose || !present(injured, metatarsal(ray)) || !present(injured, tarsalPartner(ray))) continue;
    const auto [at, fresh] = rays.try_emplace(ray);
    RaySolution& s = at->second;
    if (fresh) {
      const Surface& m = injured.at(metatarsal(ray));
      s.base = metatarsalAxis(m, centroid(m) - centroid(injured.at(tarsalPartner(ray)))).base_point;
    }
    s.injured_to_reduced = *given.pose;
    s.kept = false;
  }
  if (progress.cancelled()) return cancelledError();
  progress("reduction", 0.8);

  const PerRay<Message> refused = refuseWorse(rays, *patient, mirror ? personal : norms, overrides);
  if (progress.cancelled()) return cancelledError();
  progress("reduction", 0.85);

  result.reduced = injured;
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    if (rays.contains(ray)) {
      result.reduced.at(m) = transformed(injured.at(m), rays.at(ray).injured_to_reduced);
    } else if (!present(injured, m)) {
      result.cautions.push_back(
          Message("reduction.missing_ray_left_out", {{"bone", boneId(m)}, {"bone_2", nameOf(m)}}));
    } else if (!present(injured, t)) {
      result.cautions.push_back(
          Message("reduction.ray_left_out_tarsal_partner_missing", {{"ray", nameOf(ray)}, {"bone", boneId(t)}}));
    } else {
      result.cautions.push_back(Message("reduction.ray_could_not_placed_left_out", {{"ray", nameOf(ray)}}));
    }
  }
  result.frame = footFrame(result.reduced, side);
  if (const RayOverride* second = find(overrides, Ray(2)); second != nullptr && second->distal) {
    const Vec3 axis = *second->distal;
    Frame& f = result.frame;
    f.distal = (rays.contains(Ray(2)) ? Vec3(rays.at(Ray(2)).injured_to_reduced.linear() * axis) : axis).normalized();
    f.medial = (f.medial - f.medial.dot(f.distal) * f.distal).normalized();
    f.dorsal = side == Side::kRight ? f.distal.cross(f.medial) : f.medial.cross(f.distal);
  }
  for (const auto& [ray, s] : rays) {
    RayReduction& out = result.rays[ray];
    out.ray = ray;
    out.injured_to_reduced = s.injured_to_reduced;
    out.strain = s.strain;
    out.uncertainty_mm = (ray == 4 ? kFourthWiden : 1) * s.interval.mm;
    out.uncertainty_rad = s.interval.rad;
    out.roll_rad = s.interval.roll_rad;
    if (const auto given = overrides.find(ray); given != overrides.end() && given->second.pose)
      out.placeByHand(*given->second.pose);
    if (out.uncertainty_mm > kLostMm)
      result.cautions.push_back(Message("reduction.where_ray_belongs_could_not_told",
                                        {{"ray", nameOf(ray)}, {"uncertainty", mm(out.uncertainty_mm, 0)}}));
    if (!out.by_hand) {
      const double away =
          s.kept ? (s.alternative * s.base - s.base).norm() : (s.injured_to_reduced * s.base - s.base).norm();
      if (s.kept) out.away_mm = away;
      const auto worse = refused.find(ray);
      if (worse != refused.end() || !imagesTell({s.strain, away, s.interval.mm}, s.kept)) {
        out.doubt = worse != refused.end() ? Message("reduction.left_scanned_place_found_away_would",
                                                     {{"away", mm(away)}, {"worse", worse->second}})
                    : s.kept               ? Message("reduction.left_scanned_but_joint_would_fit", {{"away", mm(away)}})
                                           : Message("reduction.put_back_but_joint_fits_nearly", {{"away", mm(away)}});
        if (s.kept) {
          out.uncertainty_mm = std::max(out.uncertainty_mm, away);
          const Eigen::AngleAxisd turn(Mat3(s.alternative.linear()));
          out.uncertainty_rad = std::max(out.uncertainty_rad, turn.angle());
          out.roll_rad = std::max(out.roll_rad, turn.angle() * std::abs(turn.axis().dot(s.distal)));
        }
      }
    }
    out.joint =
        jointFit(result.reduced.at(metatarsal(ray)), result.reduced.at(tarsalPartner(ray)), result.frame.dorsal);
    const double clearing = s.kept ? 0
                                   : clearingTraction(patient->fields, injured.at(metatarsal(ray)),
                                                      s.injured_to_reduced, s.base, result.frame);
    out.manoeuvre =
        manoeuvre(ray, movementOf(s.injured_to_reduced, s.base, result.frame), clearing, s.kept, out.doubt.empty());
    if (out.joint.overlap_mm > kOverlapToldFromMm)
      result.cautions.push_back(
          Message("reduction.overlap_after_reduction_check_surfaces", {{"bone", boneId(metatarsal(ray))},
                                                                       {"bone_2", boneId(tarsalPartner(ray))},
                                                                       {"overlap", mm(out.joint.overlap_mm)}}));
    if (const auto step = dorsalStepLeft(out))
      result.cautions.push_back(
          Message("reduction.dorsal_step_left_between_after_reduction",
                  {{"step", mm(*step)}, {"bone", boneId(tarsalPartner(ray))}, {"bone_2", boneId(metatarsal(ray))}}));
    if (progress.cancelled()) return cancelledError();
  }
  progress("reduction", 1);
  return result;
}

}  // namespace rayset
