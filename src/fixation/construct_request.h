// Validates requests for a construct or for checks, and words the refusals. Internal to the fixation stage.
#pragma once

#include "fixation/construct.h"

namespace rayset::fixation {

[[nodiscard]] Status validRequest(const ConstructInput& input, const Catalogue& catalogue,
                                  const ConstructSettings& settings);
[[nodiscard]] tl::unexpected<Error> notToBeChecked(const Device& device);

}  // namespace rayset::fixation
