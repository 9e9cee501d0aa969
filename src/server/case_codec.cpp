#include "server/case_codec.h"

#include "base/dates.h"
#include "base/message_codec.h"
#include "case/data_words.h"
#include "case/plan_codec.h"
#include "geometry/codec.h"
#include "report/words.h"
#include "server/open_cases.h"
#include "workspace/state_codec.h"

namespace rayset::server {

using codec::Codec;
using codec::count;
using codec::derived;
using codec::derivedFrom;
using codec::field;
using codec::Field;
using codec::group;
using codec::integer;
using codec::list;
using codec::named;
using codec::nullable;
using codec::number;
using codec::object;
using codec::oneOf;
using codec::optionalField;
using codec::pick;
using codec::Presence;
using codec::text;
using codec::truth;
using codec::operator+;

namespace {

/// A part of what a planned case shows; null of others.
template <class T>
Field<CaseState> fieldOfPlanned(const std::string& key, const Codec<T>& of, T PlannedState::*part) {
  Field<CaseState> out = derived<CaseState>(key, nullable(of), [](const CaseState&) { return std::optional<T>(); });
  out.write = [of, part](const CaseState& s) {
    return s.planned != nullptr ? of.write(s.planned->*part) : Json(nullptr);
  };
  return out;
}

/// JSON written earlier by the table `of`.
template <class T>
Codec<Json> written(const Codec<T>& of) {
  Codec<Json> out = codec::json(of.type, of.schema);
  out.definitions = of.definitions;
  return out;
}

/// Three numbers, as they are.
template <class T>
Codec<std::vector<T>> three(const Codec<T>& of) {
  Codec<std::vector<T>> out = list(of, {{"minItems", 3}, {"maxItems", 3}});
  out.type = "[number, number, number]";
  return out;
}

Codec<ScanFacts> makeScanFactsCodec() {
  using F = ScanFacts;
  const auto info = [](const char* key, std::string ScanInfo::*member) {
    return derived<F>(key, text(), [member](const F& f) { return f.scan->info.*member; });
  };
  // Written by the state alone: another foot may come later.
  Field<F> other_foot = derived<F>("other_foot", nullable(text()), [](const F&) {
                          return std::optional<std::string>();
                        }).about("\"apart\" in a folder of its own, \"same scan\", or null");
  other_foot.write = [](const F&) { return codec::leftOut(); };
  return named(
      "ScanFacts",
      object<F>({derived<F>("patient", text(), [](const F& f) { return words::personName(f.scan->info.patient_name); }),
                 info("patient_id", &ScanInfo::patient_id),
                 derived<F>("study_date", text(), [](const F& f) { return isoDate(f.scan->info.study_date); }),
                 derived<F>("series", text(),
                            [](const F& f) {
                              const ScanInfo& i = f.scan->info;
                              if (i.series_number.empty()) return i.series_description;
                              return i.series_description.empty() ? i.series_number
                                                                  : i.series_description + " (" + i.series_number + ")";
                            }),
                 info("series_uid", &ScanInfo::series_uid),
                 derived<F>("files", count(), [](const F& f) { return f.scan->info.files; }),
                 derived<F>("size", three(integer(1)),
                            [](const F& f) {
                              const auto& s = f.scan->volume.grid.size;
                              return std::vector<int>{s.x(), s.y(), s.z()};
                            }),
                 derived<F>("spacing_mm", three(number()),
                            [](const F& f) {
                              const auto& s = f.scan->volume.grid.spacing;
                              return std::vector<double>{s.x(), s.y(), s.z()};
                            }),
                 derived<F>("cautions", codec::messages(), [](const F& f) { return f.scan->cautions; }),
                 field("preview", nullable(text()), &F::preview), other_foot}));
}

Codec<RealFilm> makeRealFilmCodec() {
  using F = RealFilm;
  return named("RealFilm",
               object<F>({field("view", nullable(text()), &F::view), field("date", nullable(text()), &F::date),
                          field("side", nullable(oneOf({"right", "left"})), &F::side),
                          field("cautions", codec::messages(), &F::cautions), field("id", text(), &F::id),
                          field("name", text(), &F::name)}));
}

Codec<FollowupCheck> makeFollowupCheckCodec() {
  using C = FollowupCheck;
  const auto found = [](const std::vector<std::string>& keys) {
    return derivedFrom<C>([](const C& c) -> const CheckRecord& { return c.found; }, pick(checkFields(), keys));
  };
  return named(
      "FollowupCheck",
      object(std::vector<Field<C>>{field("n", integer(1), &C::n), field("date", text(), &C::date),
                                   field("kind", codec::choice<bool>({{true, "ct"}, {false, "films"}}), &C::ct)} +
             found({"verdict", "sure"}) + std::vector<Field<C>>{field("report", text(), &C::report)} +
             found({"rays", "devices", "measures", "since", "cautions"}) +
             std::vector<Field<C>>{field("films", list(realFilmCodec()), &C::films)
                                       .when(Presence::kSometimes)  // absent from checks by the first versions
                                       .about("none in checks of the first versions")}));
}

Codec<JobTold> makeJobCodec() {
  using J = JobTold;
  return named("Job", object<J>({field("job", text(), &J::id), field("case", text(), &J::case_id),
                                 field("kind", text(), &J::kind), field("stage", text(), &J::stage),
                                 field("fraction", number(), &J::fraction),
                                 field("state", oneOf({"running", "done", "failed", "cancelled"}), &J::state),
                                 optionalField("error", errorCodec(), &J::error)}));
}

Codec<Uploads> makeUploadsCodec() {
  const Codec<std::vector<Upload>> files = list(
      named("Upload", object<Upload>({field("name", text(), &Upload::name), field("bytes", count(), &Upload::bytes)})));
  std::vector<Field<Uploads>> parts;
  for (const char* part : kParts)
    parts.push_back(derived<Uploads>(part, files, [part = std::string(part)](const Uploads& u) {
      const auto it = u.find(part);
      return it != u.end() ? it->second : std::vector<Upload>();
    }));
  return named("Uploads", object(parts));
}

Codec<HistoryEntryTold> historyCodec() {
  using H = HistoryEntryTold;
  return named("HistoryEntry",
               object<H>({field("seq", count(), &H::seq), field("at", text(), &H::at), field("kind", text(), &H::kind),
                          field("words", codec::message(), &H::words), field("active", truth(), &H::active)}));
}

Codec<ImplantType> implantCodec() {
  using T = ImplantType;
  return named("Implant", object<T>({field("id", text(), &T::id), field("kind", deviceKindCodec(), &T::kind),
                                     derived<T>("name", codec::message(), [](const T& t) { return nameOf(t); }),
                                     field("diameter_mm", number(), &T::diameter_mm),
                                     field("lengths_mm", list(number()), &T::lengths_mm)}));
}

Codec<FollowupItem> appointmentCodec() {
  using F = FollowupItem;
  using A = Appointment;
  const std::vector<Field<A>> own{field("id", text(), &A::id),
                                  field("week_from", integer(0), &A::week_from),
                                  field("week_to", integer(0), &A::week_to),
                                  derived<A>("title", codec::message(), titleOf),
                                  derived<A>("text", codec::message(), textOf),
                                  field("source", text(), &A::source),
                                  field("certainty", text(), &A::certainty)};
  return named("FollowupItem",
               object(fieldsOf(&F::appointment, own) +
                      std::vector<Field<F>>{field("done", nullable(text()), &F::done).about("when it was kept"),
                                            optionalField("date_from", text(), &F::from),
                                            optionalField("date_to", text(), &F::to)}));
}

Codec<CaseState> makeCaseStateCodec() {
  using S = CaseState;
  return named("CaseState",
               object<S>({field("id", text(), &S::id),
                          field("name", text(), &S::name),
                          field("notes", text(), &S::notes),
                          field("created", text(), &S::created),
                          field("updated", text(), &S::updated),
                          field("seq", count(), &S::seq),
                          field("hidden", truth(), &S::hidden),
                          field("status", oneOf({"empty", "imported", "planned"}), &S::status),
                          field("stale", truth(), &S::stale),
                          field("can_undo", nullable(codec::message()), &S::can_undo),
                          field("can_redo", nullable(codec::message()), &S::can_redo),
                          field("history", list(historyCodec()), &S::history),
                          field("job", written(nullable(jobCodec())), &S::job),
                          field("uploads", written(uploadsCodec()), &S::uploads),
                          field("images", written(nullable(scanFactsCodec())), &S::images),
                          field("films", written(list(realFilmCodec())), &S::films).about("taken before the operation"),
                          field("edits", codec::json("Record<string, unknown>", {{"type", "object"}}), &S::edits)
                              .about("corrections of bones in force: lists by their kind"),
                          fieldOfPlanned("plan", statePlanCodec(), &PlannedState::plan),
                          fieldOfPlanned("theatre", stateTheatreCodec(), &PlannedState::theatre),
                          group<S>("followup", {field("surgery_date", nullable(text()), &S::surgery_date),
                                                field("plan", list(appointmentCodec()), &S::appointments),
                                                field("checks", written(list(followupCheckCodec())), &S::checks)}),
                          field("measures_drawn", codec::json("unknown[]", {{"type", "array"}}), &S::measures_drawn),
                          optionalField("problem", errorCodec(), &S::problem),
                          optionalField("implants", list(implantCodec()), &S::implants),
                          optionalField("cautions", codec::messages(), &S::cautions)}));
}

}  // namespace

Codec<Error> errorCodec() {
  return named("ServerError",
               object<Error>({field("what", codec::message(), &Error::what),
                              field("where", text(), &Error::where).when(Presence::kSometimes),
                              field("remedy", codec::message(), &Error::remedy).when(Presence::kSometimes)}));
}

const Codec<ScanFacts>& scanFactsCodec() {
  static const Codec<ScanFacts> of = makeScanFactsCodec();
  return of;
}
const Codec<RealFilm>& realFilmCodec() {
  static const Codec<RealFilm> of = makeRealFilmCodec();
  return of;
}
const Codec<FollowupCheck>& followupCheckCodec() {
  static const Codec<FollowupCheck> of = makeFollowupCheckCodec();
  return of;
}
const Codec<JobTold>& jobCodec() {
  static const Codec<JobTold> of = makeJobCodec();
  return of;
}
const Codec<Uploads>& uploadsCodec() {
  static const Codec<Uploads> of = makeUploadsCodec();
  return of;
}
const Codec<CaseState>& caseStateCodec() {
  static const Codec<CaseState> of = makeCaseStateCodec();
  return of;
}

std::string pageTypesText() {
  codec::Definitions all = planCodec().definitions;
  codec::addTo(all, checkCodec().definitions);
  codec::addTo(all, caseStateCodec().definitions);
  return codec::typescriptFile(
      "Made from the tables of the files (src/server/case_codec.cpp and what it includes); the test "
      "PageTypes.AreCurrent renews it.",
      all);
}

}  // namespace rayset::server
