// JSON documents on the disk.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>

#include "base/result.h"

namespace rayset {

/// Indented, with a line feed at the end; text that is no UTF-8 is replaced. Fault::kInternal naming the file where the
/// disk refuses.
[[nodiscard]] Status writeJson(const std::filesystem::path& file, const nlohmann::ordered_json& document);

}  // namespace rayset
