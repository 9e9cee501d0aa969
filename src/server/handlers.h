// The request handlers, one function per route (routes.cpp). Handlers for a case are only called if it exists.
#pragma once

#include "server/http.h"
#include "server/station.h"

namespace rayset::server {

// page.cpp: the page and its events
Reply page(Station& station, Request& request);
Reply asset(Station& station, Request& request);
Reply pageWords(Station& station, Request& request);
Reply about(Station& station, Request& request);
Reply listen(Station& station, Request& request);

// cases.cpp: cases and edits
Reply listCases(Station& station, Request& request);
Reply newCase(Station& station, Request& request);
Reply caseState(Station& station, Request& request);
Reply edit(Station& station, Request& request);
Reply tryEdit(Station& station, Request& request);
Reply undo(Station& station, Request& request);
Reply redo(Station& station, Request& request);

// intake.cpp: uploads and long work
/// Where the file of an upload() goes while it is received; a reply if it is refused.
tl::expected<Intake, Reply> uploadIntake(Station& station, const Request& request);
Reply upload(Station& station, Request& request);
Reply dropUploads(Station& station, Request& request);
Reply startImport(Station& station, Request& request);
Reply startPlan(Station& station, Request& request);
Reply startVerify(Station& station, Request& request);
Reply stopJob(Station& station, Request& request);

// looking.cpp: views
Reply mesh(Station& station, Request& request);
Reply slice(Station& station, Request& request);
Reply film(Station& station, Request& request);
Reply realFilm(Station& station, Request& request);
Reply thumbnail(Station& station, Request& request);

// downloads.cpp: exports
Reply exports(Station& station, Request& request);
Reply exported(Station& station, Request& request);
Reply calendar(Station& station, Request& request);
Reply measures(Station& station, Request& request);
Reply caseJson(Station& station, Request& request);
Reply allZip(Station& station, Request& request);

}  // namespace rayset::server
