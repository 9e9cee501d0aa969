// One run of the accuracy matrix: foot -> injury -> scan -> plan, and the plan against the truth.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>

#include "cases.h"

namespace rayset::accuracy {

/// Everything that was measured, so that any summary can be made from the records alone:
///
///   key, case{}            see AccuracyCase
///   failure                null, or why there is no plan; exit: what `rayset plan` would have ended with
///   cautions[], seconds{}, plan_seconds
///   method                 "contralateral" | "congruence"
///   bones[]                {id, in_view (share of its surface), counted (half of it or more is in view), found, right
///                          (named right and within 1 mm on average), mean_mm, p95_mm, max_mm, dice (surface,
///                          voxelised), dice_labels (label map), volume_error (share of the true volume; null where the
///                          bone is cut), confidence, doubt}
///   rays[]                 {ray, missing} or {ray, truth{}, found{} (as RayDisplacement, mm and degrees),
///   shift_error_mm,
///                          turn_error_deg, base_error_mm, pose_error_deg, stated_mm, stated_deg}
///   patterns               {expected, found, right}
///   truly_injured, called_injured
///   devices[]              {id, sound, breach_mm, entry_off_mm, wrong_bone, wrong_bone_mm, tip_inside, nearest_mm}
///   fragments[]            {id, volume_mm3, to_m2_mm (mean distance of its surface from the found second metatarsal)}
///
/// `pictures`: folder for pictures of found bones over true ones; empty: none.
[[nodiscard]] nlohmann::ordered_json evaluate(const AccuracyCase& c, const std::filesystem::path& pictures);

/// The reduction alone, from the true surfaces: prints one line a ray with the error in the foot frame.
void printReduction(const AccuracyCase& c);

}  // namespace rayset::accuracy
