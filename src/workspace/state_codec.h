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
  double head_mm = 0, margin_wanted_mm = 0;
  std::vector<Message> reasons, remarks;  ///< what is wrong with it; what is worth knowing
  std::vector<double> lengths_mm;         ///< of the catalogue; none for a wire
  std::optional<double> measured_mm;      ///< reading of the gauge
  bool gauge_off = false;                 ///< by a size of screw or more
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

[[nodiscard]] const codec::Codec<StateRay>& stateRayCodec();
[[nodiscard]] const codec::Codec<StateDevice>& stateDeviceCodec();
[[nodiscard]] const codec::Codec<StatePlan>& statePlanCodec();
[[nodiscard]] const codec::Codec<StateTheatre>& stateTheatreCodec();

}  // namespace rayset
