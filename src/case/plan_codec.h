// plan.json as a table (base/codec.h): every field once, for writing, reading, data/schema/plan.schema.json and the
// page's types. Degrees and millimetres in the file, radians in memory.
#pragma once

#include "base/codec.h"
#include "case/case.h"

namespace rayset {

/// Everything of a case but surfaces, volumes and catalogue.
[[nodiscard]] const codec::Codec<Case>& planCodec();
[[nodiscard]] const codec::Codec<Device>& deviceCodec();
[[nodiscard]] const codec::Codec<std::vector<Measure>>& measuresCodec();
/// {"mm", "deg", "roll_deg"}
[[nodiscard]] const codec::Codec<RayReduction>& uncertaintyCodec();
[[nodiscard]] const codec::Codec<JointFit>& jointCodec();

/// Their tables, for what shows a part of a plan; the second and third are "injury" and "reduction".
[[nodiscard]] std::vector<codec::Field<Case>> planFields();
[[nodiscard]] std::vector<codec::Field<Case>> injuryFields();
[[nodiscard]] std::vector<codec::Field<Case>> reductionFields();
[[nodiscard]] std::vector<codec::Field<Patterns>> patternFields();
[[nodiscard]] std::vector<codec::Field<Device>> deviceFields();
[[nodiscard]] std::vector<codec::Field<DeviceChecks>> deviceChecksFields();

/// data/schema/plan.schema.json, whole.
[[nodiscard]] std::string planSchemaText();

}  // namespace rayset
