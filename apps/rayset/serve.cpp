// rayset serve: the workstation, a page on this machine.
#include <fcntl.h>
#include <fmt/format.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdlib>
#include <thread>

#include "folders.h"
#include "server/server.h"
#include "verbs.h"

extern char** environ;

namespace rayset::app {
namespace {

struct Options {
  std::string cases, web, log;
  std::uint16_t port = 0;
  bool open = false;
  std::string add_images, add_plan, add_name;
};

std::string defaultCases() {
  const char* home = std::getenv("HOME");
  return (std::filesystem::path(home == nullptr ? "." : home) / "rayset-cases").string();
}

/// Asks the desktop to open the page; the user sees whether that worked.
void openPage(const std::string& address) {
  std::string program = "xdg-open", url = address;
  char* arguments[] = {program.data(), url.data(), nullptr};
  pid_t child = 0;
  posix_spawn_file_actions_t quiet;  // without a desktop it complains at length; the address has been printed
  posix_spawn_file_actions_init(&quiet);
  posix_spawn_file_actions_addopen(&quiet, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
  posix_spawn_file_actions_addopen(&quiet, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
  if (posix_spawnp(&child, program.c_str(), &quiet, nullptr, arguments, environ) == 0)
    std::thread([child] { waitpid(child, nullptr, 0); }).detach();
  posix_spawn_file_actions_destroy(&quiet);
}

int serve(const Options& options, Console& console) {
  const bool adds = !options.add_images.empty() || !options.add_plan.empty() || !options.add_name.empty();
  if (adds && (options.add_images.empty() || options.add_plan.empty() || options.add_name.empty()))
    return console.fail({Fault::kRequest, Message("cli.case_add_needs_images_plan_name"),
                         "--add-images, --add-plan, --add-name", Message("cli.give_all_three")});
  auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  std::signal(SIGPIPE, SIG_IGN);  // the reader of our output may be gone
  server::ServerSettings settings;
  settings.cases = options.cases.empty() ? defaultCases() : options.cases;
  settings.web = options.web.empty() ? sharedFolder("web") : std::filesystem::path(options.web);
  settings.resources = std::move(*resources);
  settings.http.port = options.port;
  settings.version = RAYSET_VERSION;
  auto log = server::Log::open(options.log);
  if (!log) return console.fail(log.error());
  settings.log = *log;
  auto server = server::Server::start(settings);
  if (!server) return console.fail(server.error());
  if (adds) {
    const auto added = (*server)->add({options.add_images, options.add_plan, options.add_name}, console.progress());
    if (!added) return console.fail(added.error());
  }
  const std::string address = (*server)->address();
  console.say(console.words("cli.rayset_cases_ctrl_ends", {{"address", address}, {"cases", settings.cases.string()}}));
  if (options.open) openPage(address);
  while (!console.stop) std::this_thread::sleep_for(std::chrono::milliseconds(50));
  server->reset();
  console.say(console.words("cli.ended"));
  return 0;
}

}  // namespace

void addServeVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("serve", console.words("cli.workstation_page_browser_machine_only"));
  verb->add_option("--cases", options->cases, console.words("cli.folder_case_library_else_rayset_cases"));
  verb->add_option("--port", options->port, console.words("cli.127_0_0_1_0_free"))->capture_default_str();
  verb->add_option("--web", options->web, console.words("cli.folder_built_page"));
  verb->add_option("--log", options->log, console.words("cli.file_log_json_lines_without_names"));
  verb->add_flag("--open", options->open, console.words("cli.show_browser"));
  verb->add_option("--add-images", options->add_images, console.words("cli.ct_case_add_library_once"));
  verb->add_option("--add-plan", options->add_plan, console.words("cli.what_rayset_plan_wrote"));
  verb->add_option("--add-name", options->add_name, console.words("cli.name_list"));
  verb->callback([options, &console, &status] { status = serve(*options, console); });
}

}  // namespace rayset::app
