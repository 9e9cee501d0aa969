#include "workspace/state_codec.h"

#include <fmt/format.h>

#include <cmath>
#include <set>

#include "anatomy/bones.h"
#include "anatomy/codec.h"
#include "base/dates.h"
#include "base/message_codec.h"
#include "base/units.h"
#include "case/plan_codec.h"
#include "geometry/codec.h"
#include "geometry/json.h"

namespace rayset {

using codec::Codec;
using codec::degrees;
using codec::derived;
using codec::derivedFrom;
using codec::field;
using codec::Field;
using codec::group;
using codec::Json;
using codec::list;
using codec::named;
using codec::nullable;
using codec::number;
using codec::object;
using codec::pick;
using codec::point;
using codec::ray;
using codec::text;
using codec::transform;
using codec::truth;
using codec::operator+;
using words::RayState;

namespace {

Codec<std::vector<std::string>> texts() { return list(text()); }

/// `of` as read from `from`; nullopt if there is none.
template <class T, class R, class Get>
auto ofThe(const R* T::*of, Get get) {
  using Value = std::decay_t<decltype(get(std::declval<const R&>()))>;
  return [of, get](const T& t) { return t.*of != nullptr ? std::optional<Value>(get(*(t.*of))) : std::nullopt; };
}

// ---------------------------------------------------------------------------------------------- bodies

Codec<StateBody> bodyCodec() {
  using B = StateBody;
  return named("Body", object<B>({field("id", text(), &B::id), field("name", codec::message(), &B::name),
                                  field("ray", nullable(ray()), &B::ray),
                                  field("injured_to_reduced", nullable(transform()), &B::injured_to_reduced),
                                  derived<B>("confidence", number(3), [](const B& b) { return b.bone->confidence; }),
                                  derived<B>("doubt", codec::message(), [](const B& b) { return b.bone->doubt; })
                                      .about("in words; empty where there is none"),
                                  derived<B>("by_hand", truth(), [](const B& b) { return b.bone->by_hand; })}));
}

/// By the ray's number, base to head, where the bones belong.
Codec<words::KnownAxes> axesCodec() {
  const Codec<MetatarsalAxis> axis = object<MetatarsalAxis>(
      {field("base", point(3), &MetatarsalAxis::base_centre), field("head", point(3), &MetatarsalAxis::head_centre)});
  return {.write =
              [axis](const words::KnownAxes& axes) {
                Json out = Json::object();
                for (const auto& [bone, a] : axes) out[fmt::format("{}", *rayOf(bone))] = axis.write(a);
                return out;
              },
          .read = [](const Json&, const std::string&, words::KnownAxes&) {},
          .schema = {{"type", "object"}, {"additionalProperties", axis.schema}},
          .type = "Record<string, { base: Vec; head: Vec }>",
          .definitions = axis.definitions};
}

// ---------------------------------------------------------------------------------------------- rays

Codec<StateRay> makeRayCodec() {
  using R = StateRay;
  using D = RayDisplacement;
  const Codec<D> shift =
      named("Shift", object<D>({field("lateral", number(3), &D::lateral_mm), field("dorsal", number(3), &D::dorsal_mm),
                                field("distal", number(3), &D::distal_mm)}));
  const Codec<D> turn = named("Turn", object<D>({field("abduction", degrees(3), &D::abduction_rad),
                                                 field("plantarflexion", degrees(3), &D::plantarflexion_rad),
                                                 field("pronation", degrees(3), &D::pronation_rad)}));
  const auto same = [](const auto& it) { return it; };
  const auto pose = [](const RayReduction& r) { return r.injured_to_reduced; };
  return named(
      "Ray",
      object<R>(
          {field("ray", ray(), &R::ray),
           derived<R>("state",
                      codec::choiceOf(
                          std::array{RayState::kDisplaced, RayState::kInPlace, RayState::kUntold, RayState::kUnknown},
                          [](RayState s) { return std::string(words::valueOf(s)); }),
                      [](const R& r) { return r.off != nullptr ? words::state(*r.off) : RayState::kUnknown; })
               .about("in the words in which it is shown"),
           derived<R>("shift_mm", nullable(shift), ofThe(&R::off, same)),
           derived<R>("turn_deg", nullable(turn), ofThe(&R::off, same)), field("words", codec::message(), &R::words),
           derived<R>("by_hand", truth(), [](const R& r) { return r.placed != nullptr && r.placed->by_hand; }),
           derived<R>("transform", nullable(transform()), ofThe(&R::placed, pose)),
           derived<R>("planned_transform", nullable(transform()), ofThe(&R::planned, pose)),
           derived<R>("uncertainty", nullable(uncertaintyCodec()), ofThe(&R::placed, same))
               .about(
                   "95 %; of the whole turn, and of that about the ray's own axis. Zeros where it was placed by hand: "
                   "none was computed"),
           derived<R>("joint", nullable(jointCodec()),
                      ofThe(&R::placed, [](const RayReduction& r) { return r.joint; })),
           derived<R>("overlaps", truth(),
                      [](const R& r) { return r.placed != nullptr && r.placed->joint.overlap_mm > kOverlapToldFromMm; })
               .about("the bones of the joint, by more than the error of their surfaces"),
           derived<R>("manoeuvre", codec::messages(),
                      [](const R& r) { return r.placed != nullptr ? r.placed->manoeuvre : std::vector<Message>(); }),
           field("attention", codec::messages(), &R::attention)}));
}

// ---------------------------------------------------------------------------------------------- devices

/// As in plan.json, but null if nothing could be checked, as are grey values and what follows from them without an
/// image.
Field<StateDevice> checksField() {
  using D = StateDevice;
  static const std::set<std::string> kOfGreyValues{"mean_hu", "pullout_n", "pullout_low_n", "pullout_high_n"};
  std::vector<Field<D>> fields =
      derivedFrom<D>([](const D& d) -> const DeviceChecks& { return d.device->checks; }, deviceChecksFields());
  for (Field<D>& f : fields) {
    if (!kOfGreyValues.contains(f.key)) continue;
    f.write = [write = f.write](const D& d) { return d.image_read ? write(d) : Json(nullptr); };
    f.schema = {{"anyOf", {f.schema, {{"type", "null"}}}}};
    f.type += " | null";
  }
  return derived<D>("checks", nullable(named("ChecksShown", object(fields))),
                    [](const D& d) { return d.device->checks.failure.empty() ? std::optional<D>(d) : std::nullopt; });
}

/// [along, radius]: flat ends, such as a wire's blade, by the circle of the same area.
Codec<OutlineRing> outlineCodec() {
  return {.write = [](const OutlineRing& r) -> Json {
            return {rounded(r.along, 3), rounded(std::sqrt(r.wide * r.narrow), 3)};
          },
          .read = [](const Json&, const std::string&, OutlineRing&) {},
          .schema = {{"type", "array"}, {"items", {{"type", "number"}}}, {"minItems", 2}, {"maxItems", 2}},
          .type = "[number, number]"};
}

Codec<StateDevice> makeDeviceCodec() {
  using D = StateDevice;
  std::vector<Field<D>> fields = derivedFrom<D>([](const D& d) -> const Device& { return *d.device; }, deviceFields());
  for (Field<D>& f : fields)
    if (f.key == "checks") f = checksField();
  return named(
      "Device",
      object<D>(fields +
                std::vector<Field<D>>{
                    field("name", codec::message(), &D::name), field("by_hand", truth(), &D::by_hand),
                    field("entry_words", codec::message(), &D::entry_words),
                    field("direction_words", codec::message(), &D::direction_words),
                    field("margin_wanted_mm", number(2), &D::margin_wanted_mm),
                    derived<D>("ok", truth(), [](const D& d) { return d.reasons.empty(); }),
                    field("reasons", codec::messages(), &D::reasons), field("remarks", codec::messages(), &D::remarks),
                    field("lengths_mm", list(number()), &D::lengths_mm)
                        .about("of the catalogue; none of what is cut to length"),
                    derived<D>("gauged", truth(), [](const D& d) { return traits(d.device->kind).threaded; })
                        .about("its hole is measured with a depth gauge"),
                    derived<D>("fate", codec::oneOf({"temporary", "later", "stays"}),
                               [](const D& d) {
                                 if (d.device->stage == DeviceStage::kTemporary) return std::string("temporary");
                                 return std::string(traits(d.device->kind).fate == DeviceFate::kStays ? "stays"
                                                                                                      : "later");
                               })
                        .about("when it comes out: with the definitive devices in place, at a later date, not at all"),
                    field("swaps_to", nullable(codec::oneOf({"screws", "wires"})), &D::swaps_to)
                        .about("what its ray can be fixed with instead"),
                    field("outline", list(outlineCodec()), &D::outline)
                        .about("[along, radius] in mm, from the entry along its axis; for pictures"),
                    field("measured_mm", nullable(number()), &D::measured_mm).about("what the gauge read"),
                    field("gauge_off", truth(), &D::gauge_off).about("by a size of screw or more")}));
}

// ---------------------------------------------------------------------------------------------- the plan

Codec<words::Caution> cautionCodec() {
  return named("Caution", object<words::Caution>({field("text", codec::message(), &words::Caution::text),
                                                  field("source", text(), &words::Caution::source)}));
}

Codec<OpenQuestion> questionCodec() {
  using Q = OpenQuestion;
  return named("OpenQuestion",
               object<Q>({derived<Q>("ray", nullable(ray()), [](const Q& q) { return q.ray; }),
                          derived<Q>("bones", texts(),
                                     [](const Q& q) {
                                       std::vector<std::string> ids;
                                       for (const Bone b : q.bones) ids.emplace_back(boneId(b));
                                       return ids;
                                     }),
                          field("what", codec::message(), &Q::what), field("settle", codec::message(), &Q::settle),
                          field("remedies",
                                list(codec::choice<Remedy>({{Remedy::kOtherFoot, "other foot"},
                                                            {Remedy::kFilm, "film"},
                                                            {Remedy::kPlaceByHand, "place by hand"},
                                                            {Remedy::kCorrectBones, "correct bones"}})),
                                &Q::remedies)}));
}

/// Whose foot it is, wherever something is done to it.
Codec<ScanInfo> patientCodec() {
  using I = ScanInfo;
  return named("Patient",
               object<I>({derived<I>("name", text(), [](const I& i) { return words::personName(i.patient_name); }),
                          derived<I>("id", text(), [](const I& i) { return i.patient_id; }),
                          derived<I>("born", text(), [](const I& i) { return isoDate(i.patient_birth_date); }),
                          derived<I>("scanned", text(), [](const I& i) { return isoDate(i.study_date); })}));
}

Codec<StatePlan> makeStatePlanCodec() {
  using P = StatePlan;
  const auto the_case = [](const P& p) -> const Case& { return *p.of; };
  const auto parts = [&](const std::vector<Field<Case>>& of, const std::vector<std::string>& keys) {
    return derivedFrom<P>(the_case, pick(of, keys));
  };
  const Codec<P> patterns =
      named("PatternsShown",
            object(derivedFrom<P>([](const P& p) -> const Patterns& { return p.of->patterns; }, patternFields()) +
                   std::vector{derived<P>("columns_words", codec::message(),
                                          [](const P& p) { return words::columns(*p.of); })}));
  std::vector<Field<P>> measures_reduced = parts(reductionFields(), {"measures"});
  measures_reduced.front().key = "measures_reduced";
  return named(
      "Plan",
      object(parts(planFields(), {"side", "frame", "missing"}) +
             std::vector<Field<P>>{derived<P>("patient", patientCodec(), [](const P& p) { return p.of->scan; }),
                                   group<P>("reduction", parts(reductionFields(), {"method", "order"})),
                                   derived<P>("axis", axesCodec(), [](const P& p) { return *p.axes; }),
                                   field("bodies", list(bodyCodec()), &P::bodies),
                                   field("rays", list(makeRayCodec()), &P::rays),
                                   field("devices", list(makeDeviceCodec()), &P::devices),
                                   derived<P>("patterns", patterns, [](const P& p) -> const P& { return p; })} +
             parts(injuryFields(), {"measures"}) + measures_reduced +
             std::vector<Field<P>>{
                 derived<P>("open_questions", list(questionCodec()), [](const P& p) { return openQuestions(*p.of); })
                     .about("what the plan leaves open, and what would settle it: shown before everything else"),
                 derived<P>("cautions", list(cautionCodec()), [](const P& p) { return words::caseCautions(*p.of); }),
                 derived<P>("standing_cautions", list(cautionCodec()),
                            [](const P& p) { return words::standingCautions(*p.of); })}));
}

// ---------------------------------------------------------------------------------------------- in theatre

Codec<NamedView> viewCodec() {
  return object<NamedView>(
      {derived<NamedView>("name", text(), [](const NamedView& v) { return std::string(wordOf(v)); }),
       derived<NamedView>("orbital", degrees(3), [](const NamedView& v) { return tubePose(v).orbital_rad; }),
       derived<NamedView>("tilt", degrees(3), [](const NamedView& v) { return tubePose(v).tilt_rad; })});
}

Codec<StateTheatre> makeTheatreCodec() {
  using S = StateStep;
  const Codec<S> step = named(
      "TheatreStep", object<S>({derived<S>("id", text(), [](const S& s) { return s.step.id; }),
                                derived<S>("title", codec::message(), [](const S& s) { return s.step.title; }),
                                derived<S>("lines", codec::messages(), [](const S& s) { return s.step.lines; }),
                                derived<S>("alarms", codec::messages(), [](const S& s) { return s.step.alarms; })
                                    .about("what speaks against doing it as planned"),
                                derived<S>("ray", nullable(ray()), [](const S& s) { return s.step.ray; }),
                                field("device", nullable(text()), &S::device),
                                field("instrument", nullable(codec::message()), &S::instrument),
                                field("expected_mm", nullable(number(1)), &S::expected_mm),
                                field("view", nullable(viewCodec()), &S::view),
                                field("picture", nullable(text()), &S::picture), field("done", truth(), &S::done)}));
  return named("Theatre", object<StateTheatre>({field("steps", list(step), &StateTheatre::steps),
                                                field("instruments", codec::messages(), &StateTheatre::instruments)}));
}

// ---------------------------------------------------------------------------------------------- a try

Json written(const Trial::Placed& placed, const Codec<StateDevice>& of) {
  if (placed.shown) {
    StateDevice shown = *placed.shown;
    shown.device = &placed.device;
    Json j = of.write(shown);
    j["checked"] = true;
    return j;
  }
  Json j = deviceCodec().write(placed.device);
  for (const char* key : {"checks", "warnings", "measured_depth_mm"}) j.erase(key);
  j["checked"] = false;
  j["reasons"] = codec::messages().write({"workspace.checked_when_ray_let_go"});
  return j;
}

Json written(const Trial::Moved& moved, const Codec<StateRay>& of) {
  StateRay shown = moved.shown;
  shown.placed = &moved.placed;
  shown.off = &moved.off;
  Json j = of.write(shown);
  j.erase("manoeuvre");
  return j;
}

Codec<Trial> makeTrialCodec() {
  Codec<Trial> out;
  out.write = [device = makeDeviceCodec(), ray = makeRayCodec()](const Trial& trial) {
    Json j{{"devices", Json::array()}, {"rays", Json::array()}};
    for (const Trial::Placed& d : trial.devices) j["devices"].push_back(written(d, device));
    for (const Trial::Moved& r : trial.rays) j["rays"].push_back(written(r, ray));
    return j;
  };
  return out;
}

}  // namespace

const Codec<StatePlan>& statePlanCodec() {
  static const Codec<StatePlan> of = makeStatePlanCodec();
  return of;
}
const Codec<StateTheatre>& stateTheatreCodec() {
  static const Codec<StateTheatre> of = makeTheatreCodec();
  return of;
}
const Codec<Trial>& trialCodec() {
  static const Codec<Trial> of = makeTrialCodec();
  return of;
}

}  // namespace rayset
