#include "server/routes.h"

#include <algorithm>
#include <array>

#include "server/handlers.h"

namespace rayset::server {
namespace {

// docs/decisions/workstation.md describes what each takes and returns.
constexpr std::array kRoutes{
    Route{"GET", "/", page},
    Route{"GET", "/watch/ID", page},
    Route{"GET", "/words.js", pageWords},
    Route{"GET", "/assets/FILE...", asset},

    Route{"GET", "/api/about", about},
    Route{"GET", "/api/events", listen},
    Route{"DELETE", "/api/jobs/JOB", stopJob},
    Route{"GET", "/api/cases", listCases},
    Route{"POST", "/api/cases", newCase},
    Route{"GET", "/api/cases/CASE", caseState},

    Route{"POST", "/api/cases/CASE/edits", edit},
    Route{"POST", "/api/cases/CASE/try", tryEdit},
    Route{"POST", "/api/cases/CASE/undo", undo},
    Route{"POST", "/api/cases/CASE/redo", redo},

    Route{"PUT", "/api/cases/CASE/upload/PART/NAME", upload},
    Route{"DELETE", "/api/cases/CASE/upload/PART", dropUploads},
    Route{"POST", "/api/cases/CASE/import", startImport},
    Route{"POST", "/api/cases/CASE/plan", startPlan},
    Route{"POST", "/api/cases/CASE/verify", startVerify},

    Route{"GET", "/api/cases/CASE/mesh/BODY", mesh},
    Route{"GET", "/api/cases/CASE/slice", slice},
    Route{"GET", "/api/cases/CASE/film", film},
    Route{"GET", "/api/cases/CASE/real-film/FILM...", realFilm},
    Route{"GET", "/api/cases/CASE/thumbnail", thumbnail},

    Route{"GET", "/api/cases/CASE/exports", exports},
    Route{"GET", "/api/cases/CASE/files/FILE...", exported},
    Route{"GET", "/api/cases/CASE/followup.ics", calendar},
    Route{"GET", "/api/cases/CASE/measures.csv", measures},
    Route{"GET", "/api/cases/CASE/case.json", caseJson},
    Route{"GET", "/api/cases/CASE/all.zip", allZip},
};

bool fits(std::string_view pattern, const std::vector<std::string>& segments) {
  std::size_t n = 0;
  for (pattern.remove_prefix(1); !pattern.empty(); ++n) {
    const auto end = std::min(pattern.find('/'), pattern.size());
    const std::string_view word = pattern.substr(0, end);
    pattern.remove_prefix(std::min(end + 1, pattern.size()));
    if (n >= segments.size()) return false;
    if (word.ends_with("...")) return true;
    const bool any = word.front() >= 'A' && word.front() <= 'Z';
    if (!any && word != segments[n]) return false;
  }
  return n == segments.size();
}

}  // namespace

const Route* routeOf(const Request& request) {
  const auto it = std::find_if(kRoutes.begin(), kRoutes.end(), [&](const Route& r) {
    return r.method == request.method && fits(r.pattern, request.segments);
  });
  return it == kRoutes.end() ? nullptr : &*it;
}

}  // namespace rayset::server
