#include "films/film_codec.h"

#include "anatomy/codec.h"
#include "base/message_codec.h"
#include "base/rounded.h"
#include "geometry/codec.h"
#include "language/spoken.h"

namespace rayset {

using codec::choice;
using codec::choiceOf;
using codec::Codec;
using codec::count;
using codec::derived;
using codec::field;
using codec::Field;
using codec::integer;
using codec::Json;
using codec::kNotNegative;
using codec::kPositive;
using codec::list;
using codec::named;
using codec::nullable;
using codec::number;
using codec::object;
using codec::oneOf;
using codec::side;
using codec::text;
using codec::truth;
using codec::word;
using codec::operator+;

namespace {

/// [column, row]
Codec<Vec2> place() {
  return named<Vec2>("Pixel",
                     {.write =
                          [](const Vec2& p) {
                            return Json::array({rounded(p.x(), 2), rounded(p.y(), 2)});
                          },
                      .read =
                          [](const Json& j, const std::string& where, Vec2& into) {
                            if (!j.is_array() || j.size() != 2 || !j[0].is_number() || !j[1].is_number())
                              throw codec::BadField{where, "films.not_point_two_numbers"};
                            into = {j[0].get<double>(), j[1].get<double>()};
                          },
                      .schema = {{"type", "array"}, {"items", {{"type", "number"}}}, {"minItems", 2}, {"maxItems", 2}},
                      .type = "[number, number]"});
}
Codec<FilmView> view() {
  return choiceOf(kFilmViews, [](FilmView v) { return std::string(wordOf(v)); });
}

// ---------------------------------------------------------------------------------------------- films

Codec<FilmSpacing> spacingCodec() {
  using S = FilmSpacing;
  using Origin = FilmSpacing::Origin;
  const auto known = [](double S::*member, double scale) {
    return [member, scale](const S& s) { return s.known() ? std::optional<double>(scale * s.*member) : std::nullopt; };
  };
  return object<S>({field("origin",
                          choice<Origin>({{Origin::kNone, "none"},
                                          {Origin::kFiducial, "fiducial"},
                                          {Origin::kGeometry, "geometry"},
                                          {Origin::kCalibrated, "calibrated"},
                                          {Origin::kMagnification, "magnification"},
                                          {Origin::kDetector, "detector"},
                                          {Origin::kScanned, "scanned"},
                                          {Origin::kUnstated, "unstated"},
                                          {Origin::kByHand, "by_hand"}}),
                          &S::origin),
                    derived<S>("column_mm", nullable(number(6, kPositive)), known(&S::column_mm, 1)),
                    derived<S>("row_mm", nullable(number(6, kPositive)), known(&S::row_mm, 1)),
                    derived<S>("uncertainty_percent", nullable(number(1, kNotNegative)), known(&S::relative_95, 100))
                        .about("half width of the 95 % interval of the scale"),
                    field("too_large", truth(), &S::too_large).about("magnification is not corrected"),
                    field("from", codec::message(), &S::text)});
}

Codec<FilmField> fieldCodec() {
  using F = FilmField;
  const auto range = [](const char* key, int F::*first, int F::*end) {
    return derived<F>(key, list(integer(0), {{"minItems", 2}, {"maxItems", 2}}),
                      [first, end](const F& f) {
                        return std::vector<int>{f.*first, f.*end};
                      })
        .about("first, and one past the last");
  };
  return object<F>({field("found",
                          choice<F::Origin>({{F::Origin::kWhole, "whole picture"},
                                             {F::Origin::kHeader, "header"},
                                             {F::Origin::kFound, "picture"}}),
                          &F::origin),
                    range("columns", &F::left, &F::right), range("rows", &F::top, &F::bottom)});
}

/// A landmark, or a foot, of a film with this spacing.
template <class T>
struct OnFilm {
  const T* it = nullptr;
  const FilmSpacing* spacing = nullptr;
};
template <class T>
std::vector<OnFilm<T>> onFilm(const std::vector<T>& all, const FilmSpacing& spacing) {
  std::vector<OnFilm<T>> out;
  for (const T& one : all) out.push_back({&one, &spacing});
  return out;
}
template <class T, class U>
Field<OnFilm<T>> its(const char* key, const Codec<U>& of, U T::*member) {
  return derived<OnFilm<T>>(key, of, [member](const OnFilm<T>& on) -> const U& { return on.it->*member; });
}

Codec<OnFilm<PlacedLandmark>> landmarkCodec() {
  using L = PlacedLandmark;
  return object<OnFilm<L>>({its("name", text(), &L::name), its("given", place(), &L::given),
                            its("used", place(), &L::used), its("snapped", truth(), &L::snapped),
                            derived<OnFilm<L>>("moved_mm", nullable(number(3)), [](const OnFilm<L>& l) {
                              return l.spacing->known() && l.it->snapped ? std::optional<double>(l.it->moved_mm)
                                                                         : std::nullopt;
                            }).about("out of the bone is positive")});
}

Codec<OnFilm<MeasuredFoot>> footCodec() {
  using F = MeasuredFoot;
  return object<OnFilm<F>>({its("side", side(), &F::side),
                            derived<OnFilm<F>>("landmarks", list(landmarkCodec()),
                                               [](const OnFilm<F>& f) { return onFilm(f.it->landmarks, *f.spacing); }),
                            its("cautions", codec::messages(), &F::cautions)});
}

Codec<MeasuredFilm> measuredFilmCodec() {
  using F = MeasuredFilm;
  const auto info = [](const char* key, const auto& of, auto FilmInfo::*member) {
    return derived<F>(
        key, of, [member](const F& f) -> const auto& { return f.scan.info.*member; });
  };
  const auto size = [](const char* key, int Film::*member) {
    return derived<F>(key, integer(1), [member](const F& f) { return f.scan.film.*member; });
  };
  return object<F>({info("file", text(), &FilmInfo::file),
                    derived<F>("kind", codec::message(), [](const F& f) { return nameOf(f.scan.info.kind); }),
                    info("frame", integer(1), &FilmInfo::frame), size("columns", &Film::columns),
                    size("rows", &Film::rows), info("instance_uid", text(), &FilmInfo::instance_uid),
                    info("study_date", text(), &FilmInfo::study_date), field("view", view(), &F::view),
                    info("view_in_header", nullable(view()), &FilmInfo::view),
                    field("weight_bearing", nullable(truth()), &F::weight_bearing),
                    field("mirrored", truth(), &F::mirrored), info("simulated", truth(), &FilmInfo::quality_control),
                    field("spacing", spacingCodec(), &F::spacing), info("field", fieldCodec(), &FilmInfo::field),
                    derived<F>("feet", list(footCodec()), [](const F& f) { return onFilm(f.feet, f.spacing); }),
                    field("cautions", codec::messages(), &F::cautions)});
}

// ---------------------------------------------------------------------------------------------- measures

Codec<AppliedLimit> limitCodec() {
  using L = AppliedLimit;
  return object<L>(
      {field("key", text(), &L::key), field("value", number(), &L::value), field("unit", text(), &L::unit),
       field("abnormal_if", codec::message(), &L::words), field("on_difference", truth(), &L::on_difference),
       field("exceeded", truth(), &L::exceeded), field("borderline", truth(), &L::borderline),
       field("decides", truth(), &L::decides).about("false: contradicted by normal values, shown only"),
       field("applies_to", text(), &L::applies_to), field("source", word(), &L::source),
       field("certainty", oneOf({"found", "computed", "memory, high confidence", "design choice"}), &L::certainty),
       field("contradiction", codec::message(), &L::contradiction)
           .about("what contradicts the limit; empty: nothing known")});
}

Codec<FilmLine> lineCodec() {
  using Kind = FilmLine::Kind;
  return object<FilmLine>(
      {field("kind", choice<Kind>({{Kind::kMeasure, "measure"}, {Kind::kBorder, "border"}, {Kind::kAxis, "axis"}}),
             &FilmLine::kind),
       field("from", place(), &FilmLine::from), field("to", place(), &FilmLine::to)});
}

Codec<FilmMeasure> filmMeasureCodec() {
  using M = FilmMeasure;
  return named(
      "FilmMeasure",
      object<M>(
          {field("key", text({.pattern = "^[a-z0-9_]+$"}), &M::key), field("name", codec::said(), &M::name),
           field("side", side(), &M::side), field("view", view(), &M::view),
           field("film", count(), &M::film).about("index into films"), field("value", number(2), &M::value),
           field("unit", oneOf({"mm", "deg"}), &M::unit),
           field("uncertainty", number(2, kNotNegative), &M::uncertainty).about("half width of the 95 % interval"),
           field("other_side", nullable(number(2)), &M::other),
           field("difference", nullable(number(2)), &M::difference).about("value - other_side"),
           field("difference_uncertainty", nullable(number(2)), &M::difference_uncertainty),
           field("abnormal", nullable(truth()), &M::abnormal).about("null: no limit is suitable for a verdict"),
           field("borderline", truth(), &M::borderline)
               .about("within the uncertainty the verdict could be the opposite"),
           field("definition", codec::said(), &M::definition), field("note", codec::message(), &M::note),
           field("limits", list(limitCodec()), &M::limits), field("lines", list(lineCodec()), &M::lines)}));
}

Codec<FleckFinding> fleckFindingCodec() {
  using F = FleckFinding;
  return object<F>({field("side", side(), &F::side), field("film", count(), &F::film),
                    field("outline", list(place()), &F::outline), field("size_mm", nullable(number(1)), &F::size_mm),
                    field("area_mm2", nullable(number(1)), &F::area_mm2),
                    field("in_c1_m2_interval", nullable(truth()), &F::in_interval)});
}

// ---------------------------------------------------------------------------------------------- what follows

Codec<NunleyVertullo> stageCodec() {
  using S = NunleyVertullo;
  return object<S>({field("stage", oneOf({"I or normal", "II", "III", "undefined", "not given"}), &S::value),
                    field("borderline", truth(), &S::borderline), field("reason", codec::said(), &S::reason)});
}

Codec<FilmPattern> patternCodec() {
  using P = FilmPattern;
  using R = FilmRay;
  const Codec<R> ray =
      object<R>({field("ray", codec::ray(), &R::ray), field("lateral_mm", nullable(number(2)), &R::lateral_mm),
                 field("lateral_by_difference", truth(), &R::lateral_by_difference),
                 field("dorsal_mm", nullable(number(2)), &R::dorsal_mm),
                 field("dorsal_by_difference", truth(), &R::dorsal_by_difference)});
  const Codec<PatternName> name =
      named("PatternName", object<PatternName>({field("value", word(), &PatternName::value),
                                                field("reason", codec::said(), &PatternName::reason)}));
  const auto named_by = [name](const char* key, PatternName Patterns::*member) {
    return derived<P>(key, name, [member](const P& p) -> const PatternName& { return p.names.*member; });
  };
  return object<P>({derived<P>("rays", list(ray, {{"minItems", 5}, {"maxItems", 5}}),
                               [](const P& p) {
                                 std::vector<R> out;
                                 for (const auto& [number, of] : p.rays) out.push_back(of);
                                 return out;
                               }),
                    derived<P>("displaced_from_mm", number(), [](const P&) { return kDisplacedFromMm; }),
                    named_by("quenu_kuss", &Patterns::quenu_kuss), named_by("hardcastle", &Patterns::hardcastle),
                    named_by("myerson", &Patterns::myerson),
                    derived<P>("columns", list(oneOf({"medial", "middle", "lateral"})),
                               [](const P& p) -> const std::vector<std::string>& { return p.names.columns; }),
                    field("holds_whatever_was_not_seen", truth(), &P::holds),
                    field("assumed", codec::messages(), &P::assumed), field("unseen", codec::messages(), &P::unseen)});
}

/// The same person on all films: one may have what another lacks.
FilmInfo patientOf(const FilmReading& r) {
  FilmInfo patient;
  for (const MeasuredFilm& f : r.films)
    for (auto field :
         {&FilmInfo::patient_name, &FilmInfo::patient_id, &FilmInfo::patient_sex, &FilmInfo::patient_birth_date})
      if ((patient.*field).empty()) patient.*field = f.scan.info.*field;
  return patient;
}

Codec<FilmReading> makeFilmCodec() {
  using R = FilmReading;
  const Codec<FilmInfo> patient = object<FilmInfo>(
      {field("name", text(), &FilmInfo::patient_name), field("id", text(), &FilmInfo::patient_id),
       field("sex", text(), &FilmInfo::patient_sex), field("birth_date", text(), &FilmInfo::patient_birth_date)});
  return object<R>(
      {codec::constant<R>("schema", "rayset.film/1"),
       derived<R>("statement", codec::said(),
                  [](const R&) { return Message("films.advises_licensed_surgeon_decides_not_medical"); }),
       field("injured", side(), &R::injured), derived<R>("patient", patient, patientOf),
       field("films", list(measuredFilmCodec()), &R::films),
       field("measures", list(filmMeasureCodec()), &R::measures).about("of the injured foot"),
       field("other_foot", list(filmMeasureCodec()), &R::other_measures).about("of the other foot, not judged"),
       field("flecks", list(fleckFindingCodec()), &R::flecks), field("nunley_vertullo", stageCodec(), &R::stage),
       field("pattern", patternCodec(), &R::pattern), field("cautions", codec::messages(), &R::cautions),
       field("partial", truth(), &R::partial).about("something could not be measured; exit status 4"),
       codec::messageTable<R>()});
}

}  // namespace

const Codec<FilmReading>& filmCodec() {
  static const Codec<FilmReading> of = makeFilmCodec();
  return of;
}

std::string filmSchemaText() {
  return codec::schemaText("rayset.film/1",
                           "film.json of `rayset film` (docs/films.md). Millimetres and degrees; points are [column, "
                           "row] in pixels of the film as stored. Made from src/films/film_codec.cpp.",
                           filmCodec());
}

nlohmann::ordered_json filmJson(const FilmReading& reading, const Words& words) {
  return spoken(filmCodec().write(reading), words);
}

}  // namespace rayset
