// The data files of the source tree, for what reads one of them.
#pragma once

#include <filesystem>

namespace rayset::test {

inline std::filesystem::path dataFile(const char* name) { return std::filesystem::path(RAYSET_DATA_DIR) / name; }

}  // namespace rayset::test
