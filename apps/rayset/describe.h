// What the program can be told, written out from its own option definitions: the manual page and the shell completion
// are made by the build with it (cmake/Install.cmake).
#pragma once

#include <CLI/CLI.hpp>
#include <string>

namespace rayset::app {

/// rayset(1), in roff.
[[nodiscard]] std::string manualPage(const CLI::App& app, const std::string& version);
/// Verbs, options and the words that options know, for bash.
[[nodiscard]] std::string bashCompletion(const CLI::App& app);

}  // namespace rayset::app
