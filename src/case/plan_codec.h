// plan.json as a table (base/codec.h): every field is declared once, for writing, reading, data/schema/plan.schema.json
// and web/src/plan-types.ts. The file uses degrees and millimetres, memory radians and millimetres.
#pragma once

#include "base/codec.h"
#include "case/case.h"

namespace rayset {

/// A whole case except surfaces, volumes and catalogue.
[[nodiscard]] const codec::Codec<Case>& planCodec();
[[nodiscard]] const codec::Codec<Device>& deviceCodec();
[[nodiscard]] const codec::Codec<std::vector<Measure>>& measuresCodec();
/// {"mm", "deg", "roll_deg"}
[[nodiscard]] const codec::Codec<RayReduction>& uncertaintyCodec();
[[nodiscard]] const codec::Codec<JointFit>& jointCodec();

/// The complete text of data/schema/plan.schema.json and web/src/plan-types.ts.
[[nodiscard]] std::string planSchemaText();
[[nodiscard]] std::string planTypesText();

}  // namespace rayset
