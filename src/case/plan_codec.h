// plan.json as a table (base/codec.h): every field is declared once, for writing, reading, data/schema/plan.schema.json
// and the page's types. The file uses degrees and millimetres, memory radians and millimetres.
#pragma once

#include "base/codec.h"
#include "case/case.h"

namespace rayset {

/// A whole case except surfaces, volumes and catalogue.
[[nodiscard]] const codec::Codec<Case>& planCodec();
[[nodiscard]] const codec::Codec<Device>& deviceCodec();
[[nodiscard]] codec::Codec<DeviceKind> deviceKindCodec();
[[nodiscard]] const codec::Codec<std::vector<Measure>>& measuresCodec();
/// {"mm", "deg", "roll_deg"}
[[nodiscard]] const codec::Codec<RayReduction>& uncertaintyCodec();
[[nodiscard]] const codec::Codec<JointFit>& jointCodec();

/// The tables themselves, for whatever shows part of a plan; the second and third are "injury" and "reduction".
[[nodiscard]] std::vector<codec::Field<Case>> planFields();
[[nodiscard]] std::vector<codec::Field<Case>> injuryFields();
[[nodiscard]] std::vector<codec::Field<Case>> reductionFields();
[[nodiscard]] std::vector<codec::Field<Patterns>> patternFields();
[[nodiscard]] std::vector<codec::Field<Device>> deviceFields();
[[nodiscard]] std::vector<codec::Field<DeviceChecks>> deviceChecksFields();

/// The complete text of data/schema/plan.schema.json.
[[nodiscard]] std::string planSchemaText();

}  // namespace rayset
