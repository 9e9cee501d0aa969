#include "outcome/verification_codec.h"

#include "anatomy/codec.h"
#include "anatomy/frames.h"
#include "base/dates.h"
#include "base/message_codec.h"
#include "geometry/codec.h"
#include "language/spoken.h"

namespace rayset {

using codec::Codec;
using codec::count;
using codec::degrees;
using codec::direction;
using codec::field;
using codec::Field;
using codec::fieldsOf;
using codec::group;
using codec::Json;
using codec::kNotNegative;
using codec::kShare;
using codec::list;
using codec::named;
using codec::number;
using codec::object;
using codec::oneOf;
using codec::optionalField;
using codec::point;
using codec::Presence;
using codec::ray;
using codec::text;
using codec::transform;
using codec::truth;
using codec::word;
using codec::words;
using codec::operator+;

namespace {

constexpr codec::Range kLikeness{.least = -1.0, .most = 1.0};

/// A field that no comparison with a later check needs.
template <class T>
Field<T> told(Field<T> f) {
  return std::move(f).when(Presence::kNow);
}

Codec<Outcome> verdictCodec() {
  return named("Verdict", codec::choiceOf(std::array{Outcome::kAnatomical, Outcome::kAcceptable, Outcome::kNotReduced,
                                                     Outcome::kUnknown},
                                          [](Outcome o) { return std::string(wordOf(o)); }));
}

Codec<Frame> directionsCodec() {
  return object<Frame>({field("medial", direction(6), &Frame::medial), field("distal", direction(6), &Frame::distal),
                        field("dorsal", direction(6), &Frame::dorsal)});
}

// ---------------------------------------------------------------------------------------------- films

Codec<FilmOutcome> filmCodec() {
  using F = FilmOutcome;
  const std::vector<Field<F>> own{field("file", word(), &F::file),
                                  field("view", codec::said(), &F::view).about("the view assumed, and its origin"),
                                  field("similarity", number(3, kLikeness), &F::similarity),
                                  group<F>("from_nominal", {field("mm", number(1, kNotNegative), &F::shift_mm),
                                                            field("deg", degrees(1, kNotNegative), &F::turn_rad)})
                                      .about("of the tube, from its nominal place in the view")};
  return object(
      own +
      fieldsOf(&F::exposed, {field("source", point(2), &ProjectionView::source),
                             field("detector", point(2), &ProjectionView::detector).about("centre of the first pixel"),
                             field("right", direction(6), &ProjectionView::right),
                             field("down", direction(6), &ProjectionView::down),
                             field("pixel_mm", number(5, {.least = 0.0, .above = true}), &ProjectionView::pixel_mm)}));
}

// ---------------------------------------------------------------------------------------------- rays

/// To four digits, from which its length cannot be recovered.
Codec<Vec3> weakestCodec() {
  Codec<Vec3> out = direction(4);
  out.read = point(4).read;
  return out;
}

std::vector<Field<RayOutcome>> shiftFields() {
  using R = RayOutcome;
  return {
      told(group<R>("shift_mm", std::vector{field("total", number(2, kNotNegative), &R::shift_mm)} +
                                    fieldsOf(&R::off, {field("lateral", number(2), &RayDisplacement::lateral_mm),
                                                       field("dorsal", number(2), &RayDisplacement::dorsal_mm),
                                                       field("distal", number(2), &RayDisplacement::distal_mm)})))
          .about("of the base from where it was planned; total in space"),
      told(group<R>("turn_deg",
                    std::vector{field("total", degrees(2, kNotNegative), &R::turn_rad)} +
                        fieldsOf(&R::off, {field("abduction", degrees(2), &RayDisplacement::abduction_rad),
                                           field("plantarflexion", degrees(2), &RayDisplacement::plantarflexion_rad),
                                           field("pronation", degrees(2), &RayDisplacement::pronation_rad)}))),
      group<R>(
          "uncertainty",
          {field("mm", number(2, kNotNegative), &R::shift_95_mm),
           field("deg", degrees(2, kNotNegative), &R::turn_95_rad),
           told(field("weakest", weakestCodec(), &R::weakest)).about("direction in which the shift is least certain"),
           told(field("weakest_words", codec::message(), &R::weakest_words))}),
      field("doubt", codec::said(), &R::doubt)
          .onlyWhere([](const R& r) { return !r.doubt.empty(); })
          .about("why the verdict is not sure; absent where it is")};
}

Codec<CheckedRay> rayCodec() {
  using R = RayOutcome;
  using C = CheckedRay;
  const std::vector<Field<R>> head{field("ray", ray(), &R::ray), told(field("verdict", verdictCodec(), &R::verdict)),
                                   told(field("sure", truth(), &R::sure)),
                                   told(field("planned_to_found", transform(), &R::planned_to_found))};
  const std::vector<Field<C>> place{field("injured_to_found", transform(), &C::injured_to_found)
                                        .about("from where the metatarsal was scanned, independent of the plan"),
                                    field("base", point(3), &C::base).about("of the metatarsal, as found")};
  const std::vector<Field<C>> images{
      optionalField("in_plane",
                    object<C::InPlane>({field("mm", number(2, kNotNegative), &C::InPlane::mm),
                                        field("uncertainty_mm", number(2, kNotNegative), &C::InPlane::within_mm)}),
                    &C::in_plane)
          .about("with a single film: the part of the shift in its plane"),
      optionalField("similarity", number(3, kLikeness), &C::similarity).about("on the worst film; films only"),
      optionalField("rms_mm", number(3, kNotNegative), &C::rms_mm).about("between the registered surfaces; CT only")};
  return named("RayCheck", object(fieldsOf(&C::found, head) + place + fieldsOf(&C::found, shiftFields()) + images,
                                  {{"oneOf", {{{"required", {"similarity"}}}, {{"required", {"rms_mm"}}}}}}));
}

// ---------------------------------------------------------------------------------------------- devices

Codec<CheckedDevice> deviceCheckCodec() {
  using D = DeviceOutcome;
  using C = CheckedDevice;
  const auto seen = [](const D& d) { return d.seen; };
  const auto three = [](const char* key, double D::*entry, double D::*tip, double D::*axis) {
    return group<D>(key,
                    {field("entry_mm", number(2, kNotNegative), entry), field("tip_mm", number(2, kNotNegative), tip),
                     field("axis_deg", degrees(2, kNotNegative), axis)});
  };
  const std::vector<Field<DeviceChecks>> checks{
      field("inside_fraction", number(3, kShare), &DeviceChecks::inside_fraction),
      field("cortex_margin_mm", number(2), &DeviceChecks::cortex_margin_mm),
      field("tip_beyond_cortex_mm", number(2, kNotNegative), &DeviceChecks::tip_beyond_cortex_mm),
      field("other_bones", words(), &DeviceChecks::other_bones)};
  return named(
      "DeviceCheck",
      object(fieldsOf(&C::found, {field("id", word(), &D::id), field("seen", truth(), &D::seen)}) +
                 std::vector{field("through",
                                   such(list(word(), {{"minItems", 1}}), Message("outcome.names_no_bone"),
                                        [](const std::vector<std::string>& bones) { return !bones.empty(); }),
                                   &C::through)
                                 .about("bones, in the order the device enters them")} +
                 fieldsOf(&C::found,
                          {field("entry", point(2), &D::entry).where(seen), field("tip", point(2), &D::tip).where(seen),
                           three("from_plan", &D::entry_off_mm, &D::tip_off_mm, &D::axis_off_rad).onlyWhere(seen),
                           three("uncertainty", &D::entry_95_mm, &D::tip_95_mm, &D::axis_95_rad).where(seen),
                           field("longer_mm", number(1), &D::longer_mm)
                               .onlyWhere(seen)
                               .about("than planned, as the images show"),
                           group<D>("gap", {field("mm", number(1, kNotNegative), &D::gap_mm),
                                            field("from_entry_mm", number(1, kNotNegative), &D::gap_at_mm)})
                               .onlyWhere([](const D& d) { return d.seen && d.gap_mm > 0; })
                               .about("between its ends, where films show no metal: it looks broken")}) +
                 std::vector{optionalField("similarity", number(3, kLikeness), &C::similarity)
                                 .about("how well its shadow matches, on the film that shows it worst; films only")} +
                 fieldsOf(&C::found, {field("checks", object(checks), &D::checks)
                                          .onlyWhere(seen)
                                          .about("in its found position, in the bones as found"),
                                      told(field("warnings", codec::messages(), &D::warnings))}),
             {{"if", {{"properties", {{"seen", {{"const", true}}}}}}},
              {"then", {{"required", {"entry", "tip", "from_plan", "uncertainty", "checks"}}}}}));
}

// ---------------------------------------------------------------------------------------------- since

Codec<RayChange> rayChangeCodec() {
  using C = RayChange;
  return named("RayChange",
               object<C>({field("ray", ray(), &C::ray),
                          field("moved", truth(), &C::moved).about("shift or turn lies outside its interval"),
                          group<C>("shift_mm", {field("total", number(2, kNotNegative), &C::shift_mm),
                                                field("lateral", number(2), &C::lateral_mm),
                                                field("dorsal", number(2), &C::dorsal_mm),
                                                field("distal", number(2), &C::distal_mm)})
                              .about("of the base; total in space"),
                          field("turn_deg", degrees(2, kNotNegative), &C::turn_rad),
                          group<C>("uncertainty", {field("mm", number(2, kNotNegative), &C::shift_95_mm),
                                                   field("deg", degrees(2, kNotNegative), &C::turn_95_rad)}),
                          field("words", codec::said(), &C::words)}));
}

Codec<DeviceChange> deviceChangeCodec() {
  using C = DeviceChange;
  const auto seen = [](const C& c) { return c.seen; };
  return named(
      "DeviceChange",
      object<C>({field("id", word(), &C::id), field("moved", truth(), &C::moved),
                 field<C>(
                     "backed_out_mm", number(2), [](const C& c) { return c.backed_out_mm; },
                     [](C& c, double mm) {
                       c.seen = true;
                       c.backed_out_mm = mm;
                     })
                     .onlyWhere(seen)
                     .about("along its axis, relative to the bone it was entered through; negative: deeper"),
                 field("aside_mm", number(2, kNotNegative), &C::aside_mm).where(seen),
                 field("broke", truth(), &C::broke).where(seen).about("looks broken, and did not at the earlier check"),
                 field("axis_deg", degrees(2, kNotNegative), &C::axis_rad).where(seen),
                 group<C>("uncertainty", {field("mm", number(2, kNotNegative), &C::shift_95_mm),
                                          field("axis_deg", degrees(2, kNotNegative), &C::axis_95_rad)})
                     .where(seen),
                 field("words", codec::said(), &C::words)}));
}

Codec<Change> makeChangeCodec() {
  return named("Since",
               object<Change>({field("date", text(), &Change::since).about("of the earlier check; may be empty"),
                               field("rays", list(rayChangeCodec(), {{"maxItems", 5}}), &Change::rays),
                               field("devices", list(deviceChangeCodec()), &Change::devices)}));
}

// ---------------------------------------------------------------------------------------------- the whole

Codec<Measure> measureFoundCodec() {
  return named("MeasureFound",
               object<Measure>({field("key", word(), &Measure::key), field("name", codec::said(), &Measure::name),
                                field("value", number(2), &Measure::value),
                                field("unit", oneOf({"mm", "deg"}), &Measure::unit)}));
}

std::vector<Field<CheckRecord>> makeCheckFields() {
  using C = CheckRecord;
  const auto there = [](auto C::*member) { return [member](const C& c) { return !(c.*member).empty(); }; };
  return {codec::constant<C>("schema", kVerificationSchema),
          field("side", codec::side(), &C::side),
          field("patient_id", text(), &C::patient_id),
          told(field("verdict", verdictCodec(), &C::verdict)).about("of the worst ray"),
          told(field("sure", truth(), &C::sure))
              .about("whether the whole interval of every ray lies on one side of each limit"),
          field("date", text(), &C::date).onlyWhere(there(&C::date)).about("of the images; absent where unknown"),
          field("frame", directionsCodec(), &C::frame).about("directions of the foot, patient frame"),
          field("ct", codec::message(), &C::ct)
              .onlyWhere(there(&C::ct))
              .about("the scan that was read, in words; absent for films"),
          told(field("films", list(filmCodec()), &C::films)).about("empty for a CT"),
          field("rays", list(rayCodec(), {{"maxItems", 5}}), &C::rays).about("those that could be judged"),
          field("devices", list(deviceCheckCodec()), &C::devices),
          told(field("measures", list(measureFoundCodec()), &C::measures)).about("of the foot as found"),
          optionalField("since", makeChangeCodec(), &C::since)
              .about("what has changed since an earlier check; absent where none was given"),
          told(field("cautions", codec::messages(), &C::cautions)),
          codec::messageTable<C>()};
}

}  // namespace

CheckRecord recordOf(const PlanRecord& plan, const Verification& v) {
  CheckRecord out;
  out.side = plan.side;
  out.patient_id = plan.patient_id;
  out.verdict = v.verdict;
  out.sure = v.sure;
  out.date = isoDate(v.date);
  out.frame = plan.frame;
  out.ct = v.ct;
  out.films = v.films;
  const bool films = v.ct.empty();
  for (const auto& [number, r] : v.rays) {
    const Bone bone = metatarsal(number);
    CheckedRay ray;
    ray.found = r;
    ray.injured_to_found = r.planned_to_found * poseOf(plan.injured_to_reduced, std::string(boneId(bone)));
    ray.base = r.planned_to_found * basePoint(plan.reduced.at(bone), plan.frame.distal);
    if (v.oneFilm()) ray.in_plane = CheckedRay::InPlane{r.in_plane_mm, r.in_plane_95_mm};
    (films ? ray.similarity : ray.rms_mm) = films ? r.similarity : r.rms_mm;
    out.rays.push_back(std::move(ray));
  }
  for (const DeviceOutcome& d : v.devices) {
    CheckedDevice device{d, {}, {}};
    if (const Device* planned = plan.device(d.id)) device.through = planned->through;
    if (d.seen && films) device.similarity = d.similarity;
    out.devices.push_back(std::move(device));
  }
  out.measures = v.measures;
  out.since = v.since;
  out.cautions = v.cautions;
  return out;
}

const Codec<CheckRecord>& checkCodec() {
  static const Codec<CheckRecord> of = named("VerificationFile", object(makeCheckFields()));
  return of;
}

std::vector<Field<CheckRecord>> checkFields() { return makeCheckFields(); }

const Codec<Change>& changeCodec() {
  static const Codec<Change> of = makeChangeCodec();
  return of;
}

nlohmann::ordered_json verificationJson(const PlanRecord& plan, const Verification& v, const Words& words) {
  return spoken(checkCodec().write(recordOf(plan, v)), words);
}

std::string verificationSchemaText() {
  return codec::schemaText(
      kVerificationSchema,
      "verification.json of `rayset verify`: where rays and devices were found, compared with the plan. Millimetres "
      "and degrees; points and directions in the DICOM patient frame (LPS) of the CT that was planned; intervals are "
      "half widths of 95 % intervals. Made from src/outcome/verification_codec.cpp.",
      checkCodec());
}

}  // namespace rayset
