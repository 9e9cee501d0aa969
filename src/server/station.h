// State shared by the request handlers.
#pragma once

#include <atomic>
#include <cstdint>
#include <memory>
#include <string>

#include "server/events.h"
#include "server/jobs.h"
#include "server/open_cases.h"
#include "server/server.h"
#include "server/work.h"
#include "store/library.h"

namespace rayset::server {

struct Station {
  Words words;  ///< for the page
  ServerSettings settings;
  std::unique_ptr<Library> library;
  Events events;
  std::unique_ptr<Jobs> jobs;
  std::unique_ptr<OpenCases> cases;
  std::atomic<std::uint64_t> fresh{0};  ///< for names of unfinished files

  [[nodiscard]] Services services() const { return {*library, *cases, settings.resources}; }
  /// Notifies all pages that the case has changed.
  void announce(const std::string& id) {
    if (const auto row = library->find(id)) events.send(id, "case", {{"id", id}, {"seq", row->seq}});
  }
};

/// Prepares what the first view of a planned case needs. Anything that fails here fails again, with a message, when it
/// is requested.
void warm(Station& station, const std::string& id);

}  // namespace rayset::server
