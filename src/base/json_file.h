// JSON documents on disk.
#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>

#include "base/result.h"

namespace rayset {

/// Indented, with a trailing line feed; invalid UTF-8 is replaced. Fault::kInternal, naming the file, if writing fails.
[[nodiscard]] Status writeJson(const std::filesystem::path& file, const nlohmann::ordered_json& document);

}  // namespace rayset
