// A case with its edits applied, in memory, ready for viewing and changing: the basis of the workstation. Reads what
// `rayset plan` wrote and replays edits onto it; computes nothing that a stage does not compute.
//
// Edits (kind and payload, all in patient frame, mm, degrees where a name says so) are those of docs/edits.md, made
// from workspace/edit_registry.h. replay() is a pure function of plan and edits, so undo, redo and a restart lead to
// the same state. tryEdit() shows what an edit would do without making it; both keep what they built (distance fields,
// joined solids) for the next call, so that a device can be dragged.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "case/case.h"
#include "workspace/edit_state.h"
#include "workspace/state_codec.h"

namespace rayset {

class OpenCase {
 public:
  /// `plan`: folder that writeReport() and plan.json were written to; `images`: the CT's DICOM (read when first
  /// needed).
  [[nodiscard]] static Result<std::unique_ptr<OpenCase>> open(const std::filesystem::path& plan,
                                                              const std::filesystem::path& images,
                                                              const Resources& resources);
  ~OpenCase();

  /// The state under these edits (those in force, in order). Edits that no longer fit (a device that a new plan does
  /// not have) are left out and reported in edits().cautions.
  [[nodiscard]] Status replay(const std::vector<CaseEdit>& edits);
  /// Checks an edit against the present state and completes it: entry snapped to the cortex, length to the catalogue,
  /// devices planned again if it requires that (`device.swap`). Store the returned payload. `films`: ids of the case's
  /// films. kRequest in words.
  [[nodiscard]] Result<EditJson> complete(const std::string& kind, const EditJson& payload,
                                          const std::vector<std::string>& films = {});
  /// What `device.set` or `ray.move` would change. A try never waits for the CT: until it has been read, grey values
  /// and pull-out of the device are not known. The devices of a moving ray are returned at their new place without
  /// checks: these, and the ray's new manoeuvre, follow when the edit is made.
  [[nodiscard]] Result<Trial> tryEdit(const std::string& kind, const EditJson& payload);

  /// What the replayed edits say.
  [[nodiscard]] const EditState& edits() const;
  /// What the page shows of a planned case (docs/decisions/workstation.md, "State"). Valid until the next replay(); so
  /// is what it points to.
  [[nodiscard]] const PlannedState& state() const;
  /// Gives this ray priority in building what dragging needs; returns at once. That is built in the background from a
  /// few seconds after open(), about a second per ray; an earlier first try waits for it.
  void prepare(Ray ray);
  /// The planned case with its edits, for reports, exports and checks. Labels and bodies are in it after loadVolumes().
  [[nodiscard]] const Case& edited() const;
  /// Reads labels and bodies into edited(), once (about a second).
  [[nodiscard]] Status loadVolumes();
  /// The CT; read from `images` on first use.
  [[nodiscard]] Result<const CtVolume*> ct();

 private:
  struct Impl;
  explicit OpenCase(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
