// plan.json as a table (base/codec.h): every field once, for writing, reading, data/schema/plan.schema.json and
// web/src/plan-types.ts. Degrees and millimetres in the file, radians in memory.
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

/// data/schema/plan.schema.json and web/src/plan-types.ts, whole.
[[nodiscard]] std::string planSchemaText();
[[nodiscard]] std::string planTypesText();

}  // namespace rayset
