// truth.json: the ground truth of a synthetic patient, for judging a plan.
//
// Units and frames as in plan.json: millimetres, degrees, HU; LPS of the CT; matrices 4 x 4, row major.
//
//   schema          "rayset.truth/1"
//   invented        true: no such patient exists
//   side            "right" | "left": the injured foot
//   source          "procedural, shape N" | "bones"
//   injury          the name asked for, "random:N", or the file's name
//   frame           {origin, distal, medial, dorsal} of the intact foot (footFrame())
//   rays[]          {ray, displaced (2 mm of lateral and dorsal shift together), shift_mm {lateral, dorsal, distal},
//                    turn_deg {abduction, plantarflexion, pronation}, eased_mm (see injure()), base_point (where it
//                    belongs), injured_to_reduced (moves the metatarsal as scanned to where it belongs)}; rays whose
//                    bone is missing are left out
//   contacts[]      "M1-C1": bones pressed into contact
//   fragments[]     {id, kind, volume_mm3, injured_to_reduced}
//   patterns        {quenu_kuss, hardcastle, myerson}: what the named injury should be called; null if the injury is
//                    not a named one, or the scheme has no name for it
//   bones[]         {id, volume_mm3 (intact surface), complete (all of it inside the field of view)} of the injured
//                   foot
//   scan            the settings, the staples {a, b (ends of the bridge), into, leg_mm, wire_mm}, and the grid {size,
//                   spacing_mm, origin, direction (columns i, j, k)}
//   other           null, or {side, scan "same"|"own", mirror_image (of the intact foot), bones[] as above}
//   surfaces        null, or the folders {intact, injured} beside truth.json; with another foot also {other}
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>

#include "phantom/patient.h"

namespace rayset {

[[nodiscard]] nlohmann::ordered_json truthJson(const Patient& patient, bool with_surfaces);

/// truth.json into `folder`; with `surfaces` also surfaces/intact/*.stl, surfaces/injured/*.stl and
/// surfaces/other/*.stl.
[[nodiscard]] Status writeTruth(const std::filesystem::path& folder, const Patient& patient, bool surfaces);

}  // namespace rayset
