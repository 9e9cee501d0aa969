// The verbs of the command line, one file each. Each adds its subcommand and, when chosen, runs it and stores the exit
// status.
#pragma once

#include <CLI/CLI.hpp>
#include <atomic>
#include <string>

#include "base/progress.h"
#include "base/result.h"
#include "case/resources.h"

namespace rayset::app {

/// Shared by all verbs: output, and the flag that Ctrl-C sets.
struct Console {
  bool quiet = false;  ///< --quiet: errors only
  bool json = false;   ///< --json: one JSON object per line on standard error
  Words words;         ///< of --language, or of the user's environment
  std::string data;    ///< --data; empty: the folder that came with the program
  std::atomic<bool> stop{false};

  /// The data files; a verb that needs them reads them first.
  [[nodiscard]] Result<Resources> resources() const;

  /// Progress bar on a terminal, plain lines elsewhere, JSON lines with --json, nothing with --quiet.
  [[nodiscard]] Progress progress();
  void say(const std::string& text);  ///< information; standard output (JSON line with --json)
  void say(const Message& message) { say(words(message)); }
  void say(const char* text) { say(std::string(text)); }
  void caution(const std::string& text);  ///< standard error
  void caution(const Message& message) { caution(words(message)); }
  int fail(const Error& error);  ///< prints the message, returns the exit status
};

void addFilmVerb(CLI::App& app, Console& console, int& status);
void addPhantomVerb(CLI::App& app, Console& console, int& status);
void addPlanVerb(CLI::App& app, Console& console, int& status);
void addReplayVerb(CLI::App& app, Console& console, int& status);
void addServeVerb(CLI::App& app, Console& console, int& status);
void addVerifyVerb(CLI::App& app, Console& console, int& status);
void addViewsVerb(CLI::App& app, Console& console, int& status);

}  // namespace rayset::app
