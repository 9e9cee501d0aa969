#include "case/corrections.h"

#include <fmt/format.h>

#include "anatomy/frames.h"
#include "base/units.h"
#include "injury/displacement.h"

namespace rayset {
namespace {

constexpr double kFarthestMm = 60;  ///< no injury displaces a base farther than this

/// The base of the ray as scanned; an error if either bone of the ray is missing.
Result<Vec3> baseOf(Ray ray, const BoneSurfaces& injured, const std::string& place) {
  for (const Bone b : {metatarsal(ray), tarsalPartner(ray)})
    if (!injured.contains(b))
      return fail(Fault::kRequest,
                  Message("case.ray_cannot_placed_not_found", {{"ray", nameOf(ray)}, {"bone", nameOf(b)}}), place,
                  Message("case.leave_entry_out_mark_bone_seed"));
  const Surface& m = injured.at(metatarsal(ray));
  return metatarsalAxis(m, centroid(m) - centroid(injured.at(tarsalPartner(ray)))).base_point;
}

}  // namespace

Vec3 reducedBasePoint(Ray ray, const ReductionResult& reduction, const RayOverrides& overrides) {
  const Rigid& X = reduction.rays.at(ray).injured_to_reduced;
  const auto given = overrides.find(ray);
  if (given != overrides.end() && given->second.base_point) return X * *given->second.base_point;
  const Surface& reduced = reduction.reduced.at(metatarsal(ray));
  if (given != overrides.end() && given->second.distal) return basePoint(reduced, X.linear() * *given->second.distal);
  return basePoint(reduced, metatarsalAxis(reduced, reduction.frame.distal).distal);
}

Result<CorrectedReduction> reduceCorrected(const Edits& edits, const BoneSurfaces& injured, Side side,
                                           const BoneSurfaces* other, const BoneSurfaces& prior,
                                           const reduction::JointNorms& norms, const Progress& progress) {
  CorrectedReduction out;
  for (std::size_t n = 0; n < edits.landmarks.size(); ++n) {
    const LandmarkEdit& e = edits.landmarks[n];
    const auto base = baseOf(e.ray, injured, editPlace(edits, "landmarks", n, "ray"));
    if (!base) return tl::unexpected(base.error());
    if (e.base_point && (*e.base_point - *base).norm() > 25)
      return fail(Fault::kRequest,
                  Message("case.base_point_lies_base_metatarsal",
                          {{"norm", mm((*e.base_point - *base).norm(), 0)}, {"ray", nameOf(e.ray)}}),
                  editPlace(edits, "landmarks", n, "base_point"), Message("case.give_point_base_bone_scanned"));
    out.overrides[e.ray].base_point = e.base_point;
    out.overrides[e.ray].distal = e.distal;
    out.applied.push_back(Message("case.metatarsal_set", {{"what", e.base_point && e.distal ? "both"
                                                                   : e.base_point           ? "point"
                                                                                            : "axis"},
                                                          {"ray", nameOf(e.ray)}}));
  }
  bool steps = false;
  for (std::size_t n = 0; n < edits.poses.size(); ++n) {
    const PoseEdit& e = edits.poses[n];
    const auto base = baseOf(e.ray, injured, editPlace(edits, "poses", n, "ray"));
    if (!base) return tl::unexpected(base.error());
    if (!e.injured_to_reduced) {
      steps = true;
      continue;
    }
    const double away = (*e.injured_to_reduced * *base - *base).norm();
    if (away > kFarthestMm)
      return fail(Fault::kRequest,
                  Message("case.matrix_moves_base_metatarsal", {{"ray", nameOf(e.ray)}, {"away", mm(away, 0)}}),
                  editPlace(edits, "poses", n, "injured_to_reduced"),
                  Message("case.takes_points_bone_scanned_where_they"));
    (e.start_only ? out.overrides[e.ray].start : out.overrides[e.ray].pose) = e.injured_to_reduced;
    out.applied.push_back(e.start_only ? Message("case.search_place_ray_started_hand", {{"ray", nameOf(e.ray)}})
                                       : Message("case.place_ray_given", {{"ray", nameOf(e.ray)}}));
  }
  auto reduction = reduceRays(injured, side, other, prior, norms, progress, out.overrides);
  if (!reduction) return tl::unexpected(reduction.error());
  if (steps) {
    for (std::size_t n = 0; n < edits.poses.size(); ++n) {
      const PoseEdit& e = edits.poses[n];
      if (!e.step) continue;
      const RayReduction* r = find(reduction->rays, e.ray);
      if (r == nullptr)
        return fail(Fault::kRequest, Message("case.ray_could_not_placed_nothing_step", {{"ray", nameOf(e.ray)}}),
                    editPlace(edits, "poses", n), Message("case.give_place_matrix"));
      const RayStep& s = *e.step;
      const RayDisplacement d{e.ray,           s.lateral_mm,         s.dorsal_mm,     s.distal_mm,
                              s.abduction_rad, s.plantarflexion_rad, s.pronation_rad, false};
      out.overrides[e.ray].pose =
          displacementTransform(d, reducedBasePoint(e.ray, *reduction, out.overrides), reduction->frame) *
          r->injured_to_reduced;
      out.applied.push_back(Message("case.place_ray_moved_one_computed", {{"ray", nameOf(e.ray)}}));
    }
    reduction = reduceRays(injured, side, other, prior, norms, progress, out.overrides);
    if (!reduction) return tl::unexpected(reduction.error());
  }
  out.reduction = *std::move(reduction);
  return out;
}

}  // namespace rayset
