// The state of a planned case as tables (base/codec.h): every field once, for writing and for the page's types. It is
// sent, not stored: nothing reads it back.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "base/codec.h"
#include "base/message.h"
#include "case/case.h"
#include "case/open_questions.h"
#include "fixation/device_outline.h"
#include "report/words.h"
#include "xray/projection.h"

namespace rayset {

struct StateBody {
  std::string id;
  Message name;
  std::optional<Ray> ray;
  std::optional<Rigid> injured_to_reduced;
  const SegmentedBone* bone = nullptr;
};

/// A ray with a missing bone has only number, words and attention.
struct StateRay {
  Ray ray;
  const RayReduction* placed = nullptr;   ///< in its current pose
  const RayReduction* planned = nullptr;  ///< as planned
  const RayDisplacement* off = nullptr;
  Message words;
  std::vector<Message> attention;
};

struct StateDevice {
  const Device* device = nullptr;
  bool by_hand = false;
  bool image_read = true;  ///< false: grey values are unknown
  Message name, entry_words, direction_words;
  double margin_wanted_mm = 0;
  std::vector<Message> reasons, remarks;  ///< what is wrong with it; what is worth knowing
  std::vector<double> lengths_mm;         ///< of the catalogue; none of what is cut to length
  std::vector<OutlineRing> outline;
  std::optional<std::string> swaps_to;  ///< "screws" or "wires": what its ray can be fixed with instead
  std::optional<double> measured_mm;    ///< reading of the gauge
  bool gauge_off = false;               ///< by a size of screw or more
};

struct StatePlan {
  const Case* of = nullptr;
  const words::KnownAxes* axes = nullptr;
  std::vector<StateBody> bodies;
  std::vector<StateRay> rays;
  std::vector<StateDevice> devices;
};

struct StateStep {
  words::Step step;
  std::optional<std::string> device, picture;
  std::optional<Message> instrument;
  std::optional<double> expected_mm;
  std::optional<NamedView> view;
  bool done = false;
};
struct StateTheatre {
  std::vector<StateStep> steps;
  std::vector<Message> instruments;
};

/// What a case shows once it is planned.
struct PlannedState {
  StatePlan plan;
  StateTheatre theatre;
};

/// What an edit that is tried would change.
struct Trial {
  struct Placed {
    Device device;
    /// What is shown of it, less its pointer to the device; of a device that goes along with a moving ray nothing: it
    /// is checked when the ray is let go.
    std::optional<StateDevice> shown;
  };
  struct Moved {
    RayReduction placed;
    RayDisplacement off;
    StateRay shown;  ///< less its pointers to these two
  };
  std::vector<Placed> devices;
  std::vector<Moved> rays;
};

[[nodiscard]] const codec::Codec<StatePlan>& statePlanCodec();
[[nodiscard]] const codec::Codec<StateTheatre>& stateTheatreCodec();
/// {"devices", "rays"} as in the state; written only. Left out of what is not checked yet: its checks and what follows
/// from them, "checked": false; of a ray: its manoeuvre.
[[nodiscard]] const codec::Codec<Trial>& trialCodec();

}  // namespace rayset
