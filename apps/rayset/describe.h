// Describes the program's options from their definitions: the build makes the manual page and the shell completion with
// it (cmake/Install.cmake).
#pragma once

#include <CLI/CLI.hpp>
#include <string>

namespace rayset::app {

/// rayset(1), in roff.
[[nodiscard]] std::string manualPage(const CLI::App& app, const std::string& version);
/// Verbs, options and the values options accept, for bash.
[[nodiscard]] std::string bashCompletion(const CLI::App& app);

}  // namespace rayset::app
