// verification.json as a table (base/codec.h): every field once, for writing, reading,
// data/schema/verification.schema.json and the page's types.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "base/codec.h"
#include "base/message.h"
#include "outcome/verification.h"

namespace rayset {

/// A ray as found, with its position independent of the plan, for comparison with later checks.
struct CheckedRay {
  RayOutcome found;
  Rigid injured_to_found = Rigid::Identity();
  Vec3 base = Vec3::Zero();  ///< of its metatarsal, as found
  struct InPlane {
    double mm = 0, within_mm = 0;
  };
  std::optional<InPlane> in_plane;   ///< with a single film
  std::optional<double> similarity;  ///< films only
  std::optional<double> rms_mm;      ///< CT only
};

struct CheckedDevice {
  DeviceOutcome found;
  std::vector<std::string> through;  ///< bones, in the order it enters them
  std::optional<double> similarity;  ///< films only
};

/// The contents of verification.json.
struct CheckRecord {
  Side side = Side::kRight;
  std::string patient_id;
  Outcome verdict = Outcome::kUnknown;
  bool sure = false;
  std::string date;  ///< 2026-01-31; may be empty
  Frame frame;       ///< its directions
  Message ct;        ///< empty for films
  std::vector<FilmOutcome> films;
  std::vector<CheckedRay> rays;
  std::vector<CheckedDevice> devices;
  std::vector<Measure> measures;
  std::optional<Change> since;
  std::vector<Message> cautions;
};

[[nodiscard]] CheckRecord recordOf(const PlanRecord& plan, const Verification& v);

/// Reads checks of this and earlier versions: fields that no comparison needs may be missing.
[[nodiscard]] const codec::Codec<CheckRecord>& checkCodec();
/// Its table, for showing part of a check.
[[nodiscard]] std::vector<codec::Field<CheckRecord>> checkFields();
/// Its "since".
[[nodiscard]] const codec::Codec<Change>& changeCodec();

/// The text of data/schema/verification.schema.json.
[[nodiscard]] std::string verificationSchemaText();

}  // namespace rayset
