// The combined effect of a case's edits. Pure: knows the plan as a Case, computes nothing.
#pragma once

#include <array>
#include <cstdint>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "base/message.h"
#include "case/case.h"

namespace rayset {

using EditJson = nlohmann::ordered_json;

/// An edit as stored in the history of a case.
struct CaseEdit {
  std::int64_t seq = 0;
  std::string kind;
  EditJson payload;
};

/// A device of the list as edited.
struct EditedDevice {
  Device device;
  Rigid pose = Rigid::Identity();  ///< injured to reduced, of its ray, when the device was placed
  bool by_hand = false;
  std::string check_basis;  ///< basis of its checks (checkBasis()); empty: not checked yet
};

struct EditState {
  std::string name, notes;  ///< empty: never set
  bool hidden = false;
  PerRay<Rigid> poses;  ///< of rays placed by hand
  std::vector<EditedDevice> devices;
  std::set<Ray> changed_rays;                ///< of which a device was changed, added or removed
  EditJson bone_edits = EditJson::object();  ///< merged into one rayset.edits/1
  EditJson measures = EditJson::array();
  std::map<std::string, double> depths;       ///< by device
  std::set<std::string> steps_done;           ///< ids of words::Step
  std::map<std::string, std::string> visits;  ///< follow-up done: id to date
  std::set<std::string> films_removed;        ///< ids
  std::string surgery_date;                   ///< empty if unknown
  std::vector<Message> cautions;              ///< edits that no longer fit; limitations of a new construct

  [[nodiscard]] const EditedDevice* device(const std::string& id) const;
  [[nodiscard]] Rigid pose(Ray ray, const Case& planned) const;
};

/// The plan without edits. `plan_key` identifies the plan.
[[nodiscard]] EditState plannedState(const Case& planned, const std::string& plan_key);
/// The basis of the checks of a ray's devices: "plan.own.all", the plan, the ray's own pose, and the poses of all rays.
[[nodiscard]] std::string checkBasis(const EditState& state, const Case& planned, const std::string& plan_key, Ray ray);
/// Whether the plan and the ray's own pose are the same; then only distances to other rays and their devices can have
/// changed.
[[nodiscard]] bool samePlanAndRay(const std::string& basis, const std::string& other);
/// A name for a plan by its text (16 hexadecimal digits, FNV-1a).
[[nodiscard]] std::string planKey(const std::string& plan_json);

/// Lists appended, single entries replaced.
[[nodiscard]] EditJson mergedBoneEdits(EditJson merged, const EditJson& more);
/// Whether a plan made with `used` (null: none) would differ with `in_force`.
[[nodiscard]] bool boneEditsWait(const EditJson& used, const EditJson& in_force);

}  // namespace rayset
