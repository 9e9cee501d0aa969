// Edits of a case folded into what they ask for. Pure: knows the plan as a Case, measures nothing.
#pragma once

#include <array>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "case/case.h"
#include "workspace/open_case.h"

namespace rayset {

using EditJson = nlohmann::ordered_json;

/// A device of the list as edited: where it stood when its ray stood at `pose`.
struct EditedDevice {
  Device device;
  Rigid pose = Rigid::Identity();  ///< injured to reduced, of its ray
  bool by_hand = false;
  std::string stand;  ///< what its checks were made under (standOf()); empty: to be made
};

/// What the edits in force ask for.
struct EditState {
  std::string name, notes;  ///< empty: never set
  bool hidden = false;
  std::array<std::optional<Rigid>, 5> poses;  ///< by ray - 1: by hand
  std::vector<EditedDevice> devices;
  std::set<int> changed_rays;  ///< of which a device was changed, added or taken away
  EditJson bone_edits = EditJson::object();
  EditJson measures = EditJson::array();
  std::map<std::string, double> depths;       ///< by device
  std::set<std::string> steps_done;           ///< ids of words::Step
  std::map<std::string, std::string> visits;  ///< follow-up done: id to date
  std::string surgery_date;                   ///< empty: not known
  std::vector<std::string> cautions;          ///< edits that no longer fit; what a new construct could not do

  [[nodiscard]] const EditedDevice* device(const std::string& id) const;
  [[nodiscard]] Rigid pose(int ray, const Case& planned) const;
};

/// The plan as it is. `plan_key` tells one plan from another.
[[nodiscard]] EditState plannedState(const Case& planned, const std::string& plan_key);
/// What the checks of a ray's devices rest on: "plan.own.all", the plan, the pose of the ray itself, and of all rays.
[[nodiscard]] std::string standOf(const EditState& state, const Case& planned, const std::string& plan_key, int ray);
/// Whether plan and own ray are the same: then only what other rays have to do with a device can have changed.
[[nodiscard]] bool sameRay(const std::string& stand, const std::string& other);

/// Checks a payload as a person or page sends it (types, ranges, ids that exist); nothing is computed. kRequest in
/// words.
[[nodiscard]] Status checkEdit(const EditState& state, const Case& planned, const std::string& kind,
                               const EditJson& payload);
/// Takes a stored (completed) edit into the state. One that does not fit is told in `cautions`.
void applyEdit(EditState& state, const Case& planned, const CaseEdit& edit);

/// Lists appended, single entries replaced.
[[nodiscard]] EditJson mergedBoneEdits(EditJson merged, const EditJson& more);
/// "YYYY-MM-DD" of a day that exists.
[[nodiscard]] bool isDate(const std::string& text);

}  // namespace rayset
