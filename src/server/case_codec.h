// The state of a case as tables (base/codec.h): every field once, for writing and for the page's types. What the
// library stored (facts of images and films, checks) was written by the same tables and is passed on unchanged.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "base/codec.h"
#include "base/message.h"
#include "case/followup.h"
#include "dicom/ct_reader.h"
#include "dicom/film_reader.h"
#include "fixation/construct.h"
#include "outcome/verification_codec.h"
#include "workspace/state_codec.h"

namespace rayset::server {

[[nodiscard]] codec::Codec<Error> errorCodec();

using Json = nlohmann::ordered_json;

/// The facts of a CT, with the location of its preview.
struct ScanFacts {
  const CtScan* scan = nullptr;
  std::optional<std::string> preview;
};
/// A film, or a picture of one about which nothing is known.
struct RealFilm {
  std::string id, name;
  std::optional<std::string> view, date, side;
  std::vector<Message> cautions;
};
/// A check after the operation.
struct FollowupCheck {
  int n = 0;
  std::string date, report;
  bool ct = false;
  CheckRecord found;
  std::vector<RealFilm> films;
};
[[nodiscard]] const codec::Codec<ScanFacts>& scanFactsCodec();
[[nodiscard]] const codec::Codec<RealFilm>& realFilmCodec();
[[nodiscard]] const codec::Codec<FollowupCheck>& followupCheckCodec();

struct JobTold {
  std::string id, case_id, kind, stage, state;
  double fraction = 0;
  std::optional<Error> error;
};
[[nodiscard]] const codec::Codec<JobTold>& jobCodec();

struct Upload {
  std::string name;
  std::size_t bytes = 0;
};
using Uploads = std::map<std::string, std::vector<Upload>>;  ///< by part
[[nodiscard]] const codec::Codec<Uploads>& uploadsCodec();

struct HistoryEntryTold {
  std::size_t seq = 0;
  std::string at, kind;
  Message words;
  bool active = false;
};
struct FollowupItem {
  Appointment appointment;
  std::optional<std::string> done, from, to;  ///< dates; the last two once there is a date of surgery
};

/// The state of a case as sent to the page.
struct CaseState {
  std::string id, name, notes, created, updated;
  std::size_t seq = 0;
  bool hidden = false;
  std::string status;  ///< "empty", "imported" or "planned"
  bool stale = false;
  std::optional<Message> can_undo, can_redo;  ///< the action, in words
  std::vector<HistoryEntryTold> history;
  Json job, uploads, images, films = Json::array(), edits;
  const PlannedState* planned = nullptr;  ///< from the workspace, once planned
  Json measures_drawn = Json::array();
  std::optional<std::string> surgery_date;
  std::vector<FollowupItem> appointments;
  Json checks = Json::array();
  std::optional<Error> problem;  ///< why a plan that should be there could not be opened
  std::optional<std::vector<ImplantType>> implants;
  std::optional<std::vector<Message>> cautions;
};
[[nodiscard]] const codec::Codec<CaseState>& caseStateCodec();

/// The text of web/src/made-types.ts.
[[nodiscard]] std::string pageTypesText();

}  // namespace rayset::server
