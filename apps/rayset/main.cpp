// rayset: plan the reduction and fixation of tarsometatarsal injuries from CT.
#include <fmt/format.h>
#include <unistd.h>

#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>

#include "describe.h"
#include "folders.h"
#include "verbs.h"

namespace rayset::app {
namespace {

std::atomic<bool>* g_stop = nullptr;

void onSignal(int) {
  if (g_stop != nullptr) g_stop->store(true);
}

void jsonLine(const char* kind, const nlohmann::ordered_json& fields) {
  nlohmann::ordered_json line{{"kind", kind}};
  line.update(fields);
  fmt::print(stderr, "{}\n", line.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
}

/// An option that is needed before the others can be read: "--name VALUE", "--name=VALUE" or the variable.
std::optional<std::string> givenEarly(int argc, char** argv, const std::string& name, const char* variable) {
  for (int i = 1; i < argc; ++i) {
    const std::string word = argv[i];
    if (word == name && i + 1 < argc) return argv[i + 1];
    if (word.starts_with(name + "=")) return word.substr(name.size() + 1);
  }
  const char* value = variable == nullptr ? nullptr : std::getenv(variable);
  return value == nullptr || *value == '\0' ? std::nullopt : std::optional<std::string>(value);
}

}  // namespace

Result<Resources> Console::resources() const {
  return readResources(data.empty() ? sharedFolder("data") : std::filesystem::path(data), words);
}

Progress Console::progress() {
  Progress p;
  p.stop = &stop;
  if (quiet) return p;
  struct State {
    std::mutex mutex;
    std::string stage;
    int percent = -1;
  };
  const auto state = std::make_shared<State>();
  const bool terminal = isatty(STDERR_FILENO) != 0;
  const bool as_json = json;
  p.report = [state, terminal, as_json, said = words](std::string_view stage, double fraction) {
    const std::lock_guard lock(state->mutex);
    const int percent = static_cast<int>(100 * std::clamp(fraction, 0.0, 1.0));
    const bool fresh = stage != state->stage;
    if (!fresh && percent <= state->percent) return;  // stages may report from several threads, out of order
    if (as_json) {
      jsonLine("progress", {{"stage", stage}, {"fraction", fraction}});
    } else if (terminal) {
      constexpr int kWidth = 30;
      const int filled = percent * kWidth / 100;
      if (fresh && !state->stage.empty()) fmt::print(stderr, "\n");
      fmt::print(stderr, "\r{:<16} [{}{}] {:3d} %", said(Message::made("progress." + std::string(stage))),
                 std::string(static_cast<std::size_t>(filled), '#'),
                 std::string(static_cast<std::size_t>(kWidth - filled), '.'), percent);
      if (percent == 100) fmt::print(stderr, "\n");
      std::fflush(stderr);
    } else if (fresh) {
      fmt::print(stderr, "{}\n", said("cli.stage_line", {{"stage", Message::made("progress." + std::string(stage))}}));
    }
    state->stage = percent == 100 && terminal ? std::string() : std::string(stage);
    state->percent = percent;
    if (percent == 100 && terminal) state->percent = -1;
  };
  return p;
}

void Console::say(const std::string& text) {
  if (json) {
    jsonLine("message", {{"text", text}});
  } else if (!quiet) {
    fmt::print("{}\n", text);
    std::fflush(stdout);
  }
}

void Console::caution(const std::string& text) {
  if (json) {
    jsonLine("caution", {{"text", text}});
  } else if (!quiet) {
    fmt::print(stderr, "{}\n", words("cli.caution", {{"text", text}}));
  }
}

int Console::fail(const Error& error) {
  const int status = exitStatus(error.fault);
  if (json) {
    jsonLine("error", {{"what", words(error.what)},
                       {"where", error.where},
                       {"remedy", words(error.remedy)},
                       {"code", error.what.code()},
                       {"exit_status", status}});
  } else {
    fmt::print(stderr, "{}\n", words("cli.program", {{"line", words.line(error)}}));
  }
  return status;
}

}  // namespace rayset::app

int main(int argc, char** argv) {
  using namespace rayset::app;
  Console console;
  // Before anything else, since the help is in words too.
  rayset::WordFolders folders{sharedFolder("data") / "words", {}};
  if (const auto data = givenEarly(argc, argv, "--data", "RAYSET_DATA"))
    folders.added = std::filesystem::path(*data) / "words";
  std::string language = givenEarly(argc, argv, "--language", nullptr).value_or(rayset::languageOfUser(folders));
  auto words = rayset::readWords(folders, language);
  if (!words) {
    const auto first = rayset::readWords(folders);
    if (first) console.words = *first;
    return console.fail(words.error());
  }
  console.words = *std::move(words);
  g_stop = &console.stop;
  struct sigaction action {};
  action.sa_handler = onSignal;
  sigaction(SIGINT, &action, nullptr);
  sigaction(SIGTERM, &action, nullptr);

  CLI::App app{console.words("cli.rayset_plans_reduction_fixation_tarsometatarsal_lisfranc"), "rayset"};
  app.set_version_flag("--version", "rayset " RAYSET_VERSION);
  // For the build; hidden from users.
  app.add_flag_callback("--manual-page", [&app] { throw CLI::CallForVersion(manualPage(app, RAYSET_VERSION), 0); })
      ->group("");
  app.add_flag_callback("--bash-completion", [&app] { throw CLI::CallForVersion(bashCompletion(app), 0); })->group("");
  app.require_subcommand(1);
  app.fallthrough();
  app.add_flag("--quiet", console.quiet, console.words("cli.print_errors_only"));
  app.add_flag("--json", console.json, console.words("cli.log_one_json_object_line_standard"));
  app.add_option("--data", console.data, console.words("cli.folder_limits_json_implants_json_joints"))
      ->envname("RAYSET_DATA");
  app.add_option("--language", language, console.words("cli.language"))
      ->check(CLI::IsMember(rayset::languagesIn(folders)));
  int status = 0;
  addPhantomVerb(app, console, status);
  addPlanVerb(app, console, status);
  addViewsVerb(app, console, status);
  addVerifyVerb(app, console, status);
  addFilmVerb(app, console, status);
  addReplayVerb(app, console, status);
  addServeVerb(app, console, status);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? 0 : 2;  // help and version are not errors; everything else was an invalid request
  } catch (const std::bad_alloc&) {
    return console.fail({rayset::Fault::kInternal, rayset::Message("cli.not_enough_memory_these_images"), "",
                         rayset::Message("cli.close_other_programs_crop_series_foot")});
  } catch (const std::exception& e) {
    return console.fail({rayset::Fault::kInternal, rayset::Message("run.failed", {{"why", e.what()}}), "",
                         rayset::Message("cli.please_report_command_you_used")});
  }
  return status;
}
