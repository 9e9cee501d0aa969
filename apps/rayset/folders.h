// Finds the files that come with the program.
#pragma once

#include <filesystem>
#include <string>

namespace rayset::app {

/// `name` ("data", "web") as installed: PREFIX/share/rayset/NAME of the program in PREFIX/bin. Of the program in its
/// build tree: its place in the source tree.
[[nodiscard]] std::filesystem::path sharedFolder(const std::string& name);

}  // namespace rayset::app
