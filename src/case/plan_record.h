// Reads a plan back from its folder: either what postoperative checks and films of a planned foot need, or the whole
// case.
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

/// Reads DIR/plan.json and DIR/reduced/*.stl. Fault::kRequest naming file and field if something is missing or breaks
/// the plan contract.
[[nodiscard]] Result<PlanRecord> readPlan(const std::filesystem::path& folder);
/// The grey values stored with it (DIR/bodies).
[[nodiscard]] Result<FootBodies> readPlanBodies(const std::filesystem::path& folder);
/// The label map stored with it (DIR/labels.nrrd).
[[nodiscard]] Result<LabelVolume> readPlanLabels(const std::filesystem::path& folder);

/// Large parts that are not always needed.
struct CaseParts {
  bool labels = true;
  bool bodies = true;
};
/// The whole case as it was written: its texts, reports and plan.json come out the same as before. Reads DIR/plan.json,
/// DIR/surfaces (as scanned; the reduced ones follow from the transforms) and the parts asked for; the catalogue is
/// passed in. A plan does not keep the cautions of individual stages (they are among the case's) nor, in plans of
/// version 0.1 written before it was recorded, the evidence. Numbers are rounded as in plan.json. kRequest as for
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
/// Values as they come back from plan.json, so that the same values are stored, shown and used in computation: a pose
/// made exactly rigid and then rounded, a device with its numbers rounded.
[[nodiscard]] Rigid asRecorded(const Rigid& X);
[[nodiscard]] Device asRecorded(const Device& device);
/// Four rows of four numbers, rigid to within 1e-4; kept as written, not made exactly rigid. kRequest naming `where`.
[[nodiscard]] Result<Rigid> rigidFromJson(const nlohmann::ordered_json& j, const std::string& where);

}  // namespace rayset
