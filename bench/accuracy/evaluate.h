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
///   rays[]                 {ray, missing} or {ray, truth{}, found{} (as RayDisplacement, mm and degrees; told),
///   shift_error_mm,
///                          turn_error_deg, base_error_mm, pose_error_deg, stated_mm, stated_deg}
///   overlap{}              deepest place of one found bone inside another: mm, bones
///   patterns               {expected, found, right (no name is wrong), withheld (a name cannot be told)}
///   truly_injured, called_injured
///   devices[]              {id, sound, breach_mm, entry_off_mm, wrong_bone, wrong_bone_mm, tip_inside, nearest_mm}
///   fragments[]            {id, volume_mm3, found (id, "fleck" or null), found_mm3, centre_mm, and for pieces mean_mm,
///                          p95_mm (surface), confidence, put_back, on_bone_mm, on_bone_deg (error of its place on the
///                          bone), stated_mm, stated_deg}
///
/// `pictures`: folder for pictures of found bones over true ones; empty: none.
[[nodiscard]] nlohmann::ordered_json evaluate(const AccuracyCase& c, const std::filesystem::path& pictures);

}  // namespace rayset::accuracy
