// The planned part of a case's state as the page reads it (docs/decisions/workstation.md, "State").
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "base/message.h"
#include "case/case.h"
#include "fixation/device_checker.h"
#include "report/words.h"
#include "workspace/edit_kind.h"
#include "workspace/edit_state.h"
#include "workspace/state_codec.h"

namespace rayset {

/// What the state is made from. `edited` is `planned` with `edits` applied.
struct StateInput {
  const Case& planned;
  const Case& edited;
  const EditState& edits;
  const DeviceChecker& checker;
  const words::KnownAxes& axes;  ///< of the metatarsals of `edited`
  std::filesystem::path folder;  ///< of the plan, for pictures
};

/// Points into `in`, which must outlive it unchanged.
[[nodiscard]] PlannedState plannedState(const StateInput& in);
/// The steps of the operation, as edits refer to them.
[[nodiscard]] std::vector<StepTitle> stepTitles(const StateTheatre& theatre);

/// One ray; `r` and `d` describe its pose (not necessarily that of `in.edited`).
[[nodiscard]] StateRay stateOf(const StateInput& in, const RayReduction& r, const RayDisplacement& d);
/// One device among `all`.
[[nodiscard]] StateDevice stateOf(const StateInput& in, const Device& device, const std::vector<Device>& all,
                                  bool by_hand);
/// A sentence with numbers for every failed check; empty if the device passes.
[[nodiscard]] std::vector<Message> deviceReasons(const DeviceChecker& checker, const Device& device,
                                                 const std::vector<Device>& all);

}  // namespace rayset
