// A plan read back from its folder: what checks after the operation and films of a planned foot need of it.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "fixation/construct.h"
#include "xray/bodies.h"

namespace rayset {

struct PlanRecord {
  std::filesystem::path folder;
  std::string patient_id, patient_name, study_date, study_uid;
  Side side = Side::kRight;
  Frame frame;
  std::map<std::string, Rigid> injured_to_reduced;  ///< by metatarsal and fragment id
  std::map<int, double> uncertainty_mm;             ///< of the plan's reduction, by ray
  BoneSurfaces reduced;
  std::map<std::string, Surface> fragments;  ///< reduced
  std::vector<Device> devices;               ///< without their checks
  [[nodiscard]] const Device* device(const std::string& id) const;
};

/// Reads DIR/plan.json and DIR/reduced/*.stl. Fault::kRequest naming file and field where something is missing or not
/// as the plan contract says.
[[nodiscard]] Result<PlanRecord> readPlan(const std::filesystem::path& folder);
/// The grey values beside it (DIR/bodies).
[[nodiscard]] Result<FootBodies> readPlanBodies(const std::filesystem::path& folder);

}  // namespace rayset
