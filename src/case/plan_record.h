// A plan read back from its folder: what checks after the operation and films of a planned foot need of it, or the
// whole case.
#pragma once

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "case/case.h"
#include "fixation/construct.h"
#include "xray/bodies.h"

namespace rayset {

struct PlanRecord {
  std::filesystem::path folder;
  std::string patient_id, patient_name, study_date, study_uid;
  Side side = Side::kRight;
  Frame frame;
  std::map<std::string, Rigid> injured_to_reduced;  ///< by metatarsal and fragment id
  PerRay<double> uncertainty_mm;                    ///< of the plan's reduction
  BoneSurfaces reduced;
  std::map<std::string, Surface> fragments;  ///< reduced
  std::vector<Device> devices;
  [[nodiscard]] const Device* device(const std::string& id) const;
};

/// Reads DIR/plan.json and DIR/reduced/*.stl. Fault::kRequest naming file and field where something is missing or not
/// as the plan contract says.
[[nodiscard]] Result<PlanRecord> readPlan(const std::filesystem::path& folder);
/// The grey values beside it (DIR/bodies).
[[nodiscard]] Result<FootBodies> readPlanBodies(const std::filesystem::path& folder);
/// The label map beside it (DIR/labels.nrrd).
[[nodiscard]] Result<LabelVolume> readPlanLabels(const std::filesystem::path& folder);

/// What is large and not always wanted.
struct CaseParts {
  bool labels = true;
  bool bodies = true;
};
/// The whole case as it was written: words, reports and plan.json of it say what they said before. Read are
/// DIR/plan.json, DIR/surfaces (as scanned; the reduced ones follow from the transforms) and the parts wanted; the
/// catalogue is given. Not kept in a plan: the cautions of the single stages (they stand among the case's),
/// evidence in plans of version 0.1 written before it was recorded. Numbers are as rounded in plan.json. kRequest as
/// readPlan().
[[nodiscard]] Result<Case> readCase(const std::filesystem::path& folder, const Catalogue& catalogue,
                                    const CaseParts& parts = {});

/// Parts of plan.json. Degrees and millimetres there, radians here.
[[nodiscard]] nlohmann::ordered_json deviceJson(const Device& device);
[[nodiscard]] nlohmann::ordered_json uncertaintyJson(const RayReduction& ray);
[[nodiscard]] nlohmann::ordered_json jointJson(const JointFit& joint);
[[nodiscard]] nlohmann::ordered_json measuresJson(const std::vector<Measure>& measures);
/// A device as deviceJson() writes it. kRequest naming the field below `where`.
[[nodiscard]] Result<Device> deviceFromJson(const nlohmann::ordered_json& j, const std::string& where);
/// As plan.json writes them and reads them back, so that what is stored, shown and computed with is one: a pose made
/// exact and then rounded, a device with its numbers rounded.
[[nodiscard]] Rigid asRecorded(const Rigid& X);
[[nodiscard]] Device asRecorded(const Device& device);
/// Four rows of four numbers, rigid to 1e-4; taken as written, not made exact. kRequest naming `where`.
[[nodiscard]] Result<Rigid> rigidFromJson(const nlohmann::ordered_json& j, const std::string& where);

}  // namespace rayset
