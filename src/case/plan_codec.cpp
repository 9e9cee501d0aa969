#include "case/plan_codec.h"

#include <cmath>

#include "anatomy/codec.h"
#include "anatomy/frames.h"
#include "anatomy/labels.h"
#include "base/message_codec.h"
#include "base/rounded.h"
#include "geometry/codec.h"
#include "language/spoken.h"

namespace rayset {

using codec::Codec;
using codec::constant;
using codec::count;
using codec::degrees;
using codec::derived;
using codec::direction;
using codec::field;
using codec::Field;
using codec::fieldsOf;
using codec::group;
using codec::integer;
using codec::Json;
using codec::kNotNegative;
using codec::kPositive;
using codec::kShare;
using codec::list;
using codec::named;
using codec::nullable;
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
using codec::operator+;

namespace {

constexpr codec::Range kPercent{.least = 0.0, .most = 100.0};
constexpr codec::Range kAngle{.least = -180.0, .most = 180.0};
constexpr codec::Range kHalfTurn{.least = 0.0, .most = 180.0};

Codec<std::string> uid() { return text({.pattern = "^([0-9.]{1,64})?$"}); }
Codec<std::string> partId() {
  return text({.pattern = "^(M[1-5]|C[1-3]|Cub|Nav|Tal|Cal|tibia|fibula|toes|sesamoids)(\\.[1-9][0-9]*)?$"});
}
Codec<std::vector<std::string>> partIds() { return list(partId()); }

/// A text that is null if empty.
Codec<std::string> textOrNull() {
  Codec<std::string> out = text();
  out.write = [](const std::string& v) { return v.empty() ? Json(nullptr) : Json(v); };
  out.read = [](const Json& j, const std::string&, std::string& into) {
    into = j.is_string() ? j.get<std::string>() : std::string();
  };
  out.schema = {{"type", {"string", "null"}}, {"minLength", 1}};
  out.type = "string | null";
  return out;
}

// ---------------------------------------------------------------------------------------------- images

std::vector<Field<ScanInfo>> scanFields() {
  const auto known = [](const char* key, std::string ScanInfo::*member, const Codec<std::string>& of = text()) {
    return field<ScanInfo>(key, of, member).when(Presence::kNow);
  };
  return {known("patient_id", &ScanInfo::patient_id),
          known("patient_name", &ScanInfo::patient_name),
          known("patient_sex", &ScanInfo::patient_sex),
          known("patient_birth_date", &ScanInfo::patient_birth_date),
          known("study_uid", &ScanInfo::study_uid, uid()),
          known("study_date", &ScanInfo::study_date),
          known("study_description", &ScanInfo::study_description),
          known("accession", &ScanInfo::accession),
          known("series_uid", &ScanInfo::series_uid, uid()),
          known("series_description", &ScanInfo::series_description),
          known("series_number", &ScanInfo::series_number),
          known("frame_of_reference_uid", &ScanInfo::frame_of_reference_uid, uid()),
          known("manufacturer", &ScanInfo::manufacturer),
          known("model", &ScanInfo::model),
          known("kernel", &ScanInfo::kernel),
          known("body_part", &ScanInfo::body_part),
          known("laterality", &ScanInfo::laterality),
          known("patient_position", &ScanInfo::patient_position),
          field<ScanInfo>("kvp", number(-1, kNotNegative), &ScanInfo::kvp).when(Presence::kNow),
          field<ScanInfo>("files", count(), &ScanInfo::files).when(Presence::kNow)};
}

std::vector<Field<Grid>> gridFields() {
  const Json three{{"minItems", 3}, {"maxItems", 3}};
  const auto unrounded = [](int digits, const Json& schema) {
    Codec<Vec3> of = point(digits);
    of.schema = schema;
    return of;
  };
  return {field<Grid>(
              "size", list(integer(1, 100000), three),
              [](const Grid& g) {
                return std::vector<int>{g.size.x(), g.size.y(), g.size.z()};
              },
              [](Grid& g, const std::vector<int>& size) {
                if (size.size() != 3) throw codec::BadField{"/images/size", "case.not_three_numbers"};
                g.size = {size[0], size[1], size[2]};
              }),
          field<Grid>("spacing_mm",
                      unrounded(6, {{"type", "array"},
                                    {"items", {{"type", "number"}, {"exclusiveMinimum", 0}}},
                                    {"minItems", 3},
                                    {"maxItems", 3}}),
                      &Grid::spacing),
          field<Grid>("origin", point(6), &Grid::origin).when(Presence::kNow).about("centre of the first voxel"),
          field<Grid>(
              "directions", list(direction(9), three),
              [](const Grid& g) {
                return std::vector<Vec3>{g.direction.col(0), g.direction.col(1), g.direction.col(2)};
              },
              [](Grid& g, const std::vector<Vec3>& axes) {
                if (axes.size() != 3) throw codec::BadField{"/images/directions", "case.not_three_directions"};
                for (int a = 0; a < 3; ++a) g.direction.col(a) = axes[static_cast<std::size_t>(a)];
              })
              .when(Presence::kNow)
              .about("unit directions of increasing column, row and slice")};
}

Codec<Frame> frameCodec() {
  return named(
      "Frame",
      object<Frame>({field("origin", point(4), &Frame::origin), field("distal", direction(9), &Frame::distal),
                     field("medial", direction(9), &Frame::medial), field("dorsal", direction(9), &Frame::dorsal)}));
}

// ---------------------------------------------------------------------------------------------- bones

Codec<std::vector<Doubt>> doubtsCodec() {
  return list(named("Doubt", codec::choiceOf(kDoubts, doubtWord)), {{"uniqueItems", true}});
}

Codec<std::map<std::string, double>> figuresCodec() {
  using Figures = std::map<std::string, double>;
  return {.write = [](const Figures& figures) { return Json(figures); },
          .read =
              [](const Json& j, const std::string& where, Figures& into) {
                if (!j.is_object()) throw codec::BadField{where, "field.no_object"};
                into.clear();
                for (const auto& [name, value] : j.items()) into[name] = number().from(value, where + "/" + name);
              },
          .schema = {{"type", "object"}, {"additionalProperties", {{"type", "number"}}}},
          .type = "Record<string, number>"};
}

/// Left out of a bone without evidence.
Field<SegmentedBone> evidenceField() {
  std::vector<Field<TemplateEvidence>> measured;
  for (const EvidenceField& e : kEvidenceFields)
    measured.push_back(field<TemplateEvidence>(e.key, number(e.digits), e.value).when(Presence::kNow));
  const auto of_template = named("Evidence", object(measured));
  const auto of_others =
      named("NamedFigures", object<NamedFigures>({field("segmenter", codec::word(), &NamedFigures::segmenter),
                                                  field("figures", figuresCodec(), &NamedFigures::figures)}));
  Field<SegmentedBone> out;
  out.key = "evidence";
  out.write = [of_template, of_others](const SegmentedBone& bone) {
    if (const auto* t = std::get_if<TemplateEvidence>(&bone.evidence)) return of_template.write(*t);
    if (const auto* o = std::get_if<NamedFigures>(&bone.evidence)) return of_others.write(*o);
    return codec::leftOut();
  };
  out.read = [of_template, of_others](const Json& j, const std::string& where, SegmentedBone& bone) {
    if (j.contains("segmenter"))
      bone.evidence = of_others.from(j, where);
    else
      bone.evidence = of_template.from(j, where);
  };
  out.schema = {{"anyOf", {of_template.schema, of_others.schema}}};
  out.type = of_template.type + " | " + of_others.type;
  out.presence = Presence::kSometimes;
  codec::addTo(out.definitions, of_template.definitions);
  codec::addTo(out.definitions, of_others.definitions);
  return std::move(out).about(
      "what the confidence is based on; of the template: shares of the surface (0 to 1) and grey values, "
      "docs/decisions/confidence.md");
}

/// A bone or fragment with its id. Written from `from`, so that no surface is copied.
struct BoneEntry {
  std::string id;
  const SegmentedBone* from = nullptr;
  SegmentedBone read;
};

std::vector<Field<BoneEntry>> boneFields() {
  const std::vector<Field<SegmentedBone>> own{
      field("volume_mm3", number(1, kPositive), &SegmentedBone::volume_mm3),
      field("complete", truth(), &SegmentedBone::complete),
      field("confidence", number(3, kShare), &SegmentedBone::confidence)
          .about("how likely the surface is within 0.5 mm everywhere; docs/decisions/confidence.md says how well this "
                 "holds"),
      field("doubts", doubtsCodec(), &SegmentedBone::doubts).when(Presence::kNow),
      field("doubt", codec::message(), &SegmentedBone::doubt).about("the doubts in words, with figures"),
      field("by_hand", truth(), &SegmentedBone::by_hand).when(Presence::kNow).about("corrected by an edit"),
      field("mean_hu", number(0), &SegmentedBone::mean_hu).when(Presence::kNow),
      evidenceField()};
  const std::vector<Field<BoneEntry>> out{
      field("id", partId(), &BoneEntry::id),
      derived<BoneEntry>("label", integer(1, 255),
                         [](const BoneEntry& b) -> int {
                           const auto bone = boneFromId(b.id);
                           return bone ? label(*bone) : fragmentLabel(b.id);
                         }),
      derived<BoneEntry>("surface", text({.pattern = R"(^surfaces/[A-Za-z0-9.]+\.stl$)"}),
                         [](const BoneEntry& b) { return "surfaces/" + b.id + ".stl"; }),
      derived<BoneEntry>("reduced_surface", text({.pattern = R"(^reduced/[A-Za-z0-9.]+\.stl$)"}),
                         [](const BoneEntry& b) { return "reduced/" + b.id + ".stl"; })};
  return out + codec::fieldsBehind(&BoneEntry::from, &BoneEntry::read, own);
}

Codec<std::vector<BoneEntry>> bonesCodec() {
  return list(named("BoneRecord", object(boneFields(), {{"$comment", "words and text go together"},
                                                        {"if", {{"properties", {{"doubts", {{"maxItems", 0}}}}}}},
                                                        {"then", {{"properties", {{"doubt", {{"maxLength", 0}}}}}}},
                                                        {"else", {{"properties", {{"doubt", {{"minLength", 1}}}}}}}})),
              {{"minItems", 1}});
}

std::vector<BoneEntry> bonesOf(const Case& c) {
  std::vector<BoneEntry> out;
  for (const auto& [bone, b] : c.bones) out.push_back({std::string(boneId(bone)), &b, {}});
  for (const auto& [id, f] : c.fragments) out.push_back({id, &f.bone, {}});
  return out;
}

void takeBones(Case& c, std::vector<BoneEntry> bones) {
  for (BoneEntry& b : bones)
    if (const auto bone = boneFromId(b.id))
      c.bones[*bone] = std::move(b.read);
    else
      c.fragments[b.id].bone = std::move(b.read);
}

struct Missing {
  std::string id;
};

Codec<std::vector<Missing>> missingCodec() {
  return list(
      named("MissingBone", object<Missing>({field("id", partId(), &Missing::id), constant<Missing>("confidence", 0),
                                            constant<Missing>("doubts", {doubtWord(Doubt::kNotFound)})})));
}

std::vector<Missing> missingOf(const Case& c) {
  std::vector<Missing> out;
  for (const Bone bone : kMidfootBones)
    if (!c.bones.contains(bone)) out.push_back({std::string(boneId(bone))});
  return out;
}

// ---------------------------------------------------------------------------------------------- injury

Codec<RayDisplacement> displacementCodec() {
  const Field<RayDisplacement> displaced = field<RayDisplacement>(
      "displaced", nullable(truth()),
      [](const RayDisplacement& d) { return d.told ? std::optional<bool>(d.displaced) : std::nullopt; },
      [](RayDisplacement& d, const std::optional<bool>& value) {
        d.told = value.has_value();
        d.displaced = value.value_or(false);
      });
  return object<RayDisplacement>(
      {field("ray", ray(), &RayDisplacement::ray), Field<RayDisplacement>(displaced).about("null: it cannot be told"),
       group<RayDisplacement>("shift_mm", {field("lateral", number(3), &RayDisplacement::lateral_mm),
                                           field("dorsal", number(3), &RayDisplacement::dorsal_mm),
                                           field("distal", number(3), &RayDisplacement::distal_mm)}),
       group<RayDisplacement>("turn_deg",
                              {field("abduction", degrees(3, kAngle), &RayDisplacement::abduction_rad),
                               field("plantarflexion", degrees(3, kAngle), &RayDisplacement::plantarflexion_rad),
                               field("pronation", degrees(3, kAngle), &RayDisplacement::pronation_rad)})});
}

Codec<Fleck> fleckCodec() {
  return object<Fleck>(
      {field("centre", point(2), &Fleck::centre), field("volume_mm3", number(0, kPositive), &Fleck::volume_mm3)});
}

Codec<Measure> measureCodec() {
  const Json rules{{"dependentRequired", {{"from", {"to"}}, {"to", {"from"}}}},
                   {"allOf",
                    {{{"$comment", "a verdict needs a limit, and a limit needs its source"},
                      {"if", {{"properties", {{"abnormal", {{"type", "boolean"}}}}}}},
                      {"then", {{"properties", {{"limit", {{"type", "number"}}}}}}}},
                     {{"if", {{"properties", {{"limit", {{"type", "number"}}}}}}},
                      {"then", {{"properties", {{"source", {{"minLength", 1}}}}}}}}}}};
  return named(
      "Measure",
      object<Measure>(
          {field("key", text({.pattern = "^[a-z0-9_]+$"}), &Measure::key), field("name", codec::said(), &Measure::name),
           field("value", number(2), &Measure::value), field("unit", oneOf({"mm", "deg", "mm2", "%"}), &Measure::unit),
           field("limit", nullable(number(3)), &Measure::limit),
           field("limit_on", codec::choice<bool>({{false, "value"}, {true, "side difference"}}),
                 &Measure::limit_on_difference),
           field("limit_is", codec::choice<bool>({{false, "upper"}, {true, "lower"}}), &Measure::limit_is_lower),
           field("other_side", nullable(number(2)), &Measure::other_side),
           field("difference", nullable(number(2)), &Measure::difference),
           field("abnormal", nullable(truth()), &Measure::abnormal), field("source", text(), &Measure::source),
           field("certainty", text(), &Measure::certainty), field("note", codec::message(), &Measure::note),
           optionalField("from", point(3), &Measure::from), optionalField("to", point(3), &Measure::to)},
          rules));
}

std::vector<std::string> columnNames() {
  std::vector<std::string> out;
  for (const Column& column : kColumns) out.emplace_back(column.name);
  return out;
}

std::vector<Field<Patterns>> makePatternFields() {
  const auto name = [](const char* key, PatternName Patterns::*member, const std::vector<std::string>& words) {
    return field<Patterns>(
        key, oneOf(words), [member](const Patterns& p) { return (p.*member).value; },
        [member](Patterns& p, const std::string& word) { (p.*member).value = word; });
  };
  const auto reason = [](const char* key, PatternName Patterns::*member) {
    return field<Patterns>(
        key, codec::said(), [member](const Patterns& p) { return (p.*member).reason; },
        [member](Patterns& p, const Message& why) { (p.*member).reason = why; });
  };
  return {
      name("quenu_kuss", &Patterns::quenu_kuss,
           {"homolateral", "isolated", "divergent", "none", "unclassified", "cannot be told"}),
      name("hardcastle", &Patterns::hardcastle, {"A", "B", "C", "none", "unclassified", "cannot be told"}),
      name("myerson", &Patterns::myerson, {"A", "B1", "B2", "C1", "C2", "none", "unclassified", "cannot be told"}),
      field("columns", list(oneOf(columnNames()), {{"uniqueItems", true}}), &Patterns::columns),
      group<Patterns>("reasons", {reason("quenu_kuss", &Patterns::quenu_kuss),
                                  reason("hardcastle", &Patterns::hardcastle), reason("myerson", &Patterns::myerson)})};
}

Codec<Patterns> patternsCodec() { return named("Patterns", object(makePatternFields())); }

std::vector<RayDisplacement> displacementsOf(const Case& c) {
  std::vector<RayDisplacement> out;
  for (const auto& [ray, d] : c.rays) out.push_back(d);
  return out;
}

void takeDisplacements(Case& c, const std::vector<RayDisplacement>& rays) {
  for (RayDisplacement d : rays) {
    if (!d.told) d.displaced = d.asideMm() >= kDisplacedFromMm;  // the likelier of the two
    c.rays[d.ray] = d;
  }
}

std::vector<Field<Case>> makeInjuryFields() {
  return {field<Case>("rays", list(displacementCodec(), {{"maxItems", 5}}), displacementsOf, takeDisplacements),
          field("flecks", list(fleckCodec()), &Case::flecks)
              .when(Presence::kNow)
              .about("small pieces of bone between C1 and M2 that belong to no bone"),
          field("measures", list(measureCodec()), &Case::measures),
          field("patterns", patternsCodec(), &Case::patterns)};
}

// ---------------------------------------------------------------------------------------------- reduction

std::vector<Field<RayReduction>> uncertaintyFields() {
  return {field("mm", number(2, kNotNegative), &RayReduction::uncertainty_mm),
          field("deg", degrees(2, kNotNegative), &RayReduction::uncertainty_rad).about("of the whole rotation"),
          field("roll_deg", degrees(2, kNotNegative), &RayReduction::roll_rad)
              .when(Presence::kNow)
              .about("of the rotation about the ray's own axis alone")};
}

Codec<JointFit> makeJointCodec() {
  return named("JointFit", object<JointFit>({field("gap_mm", number(2), &JointFit::gap_mm),
                                             field("step_mm", number(2), &JointFit::step_mm),
                                             field("overlap_mm", number(2, kNotNegative), &JointFit::overlap_mm),
                                             field("contact_mm2", number(1, kNotNegative), &JointFit::contact_mm2)}));
}

Codec<RayReduction> rayReductionCodec() {
  return object<RayReduction>(
      {field("ray", ray(), &RayReduction::ray), field("transform", transform(), &RayReduction::injured_to_reduced),
       group("uncertainty", uncertaintyFields()),
       field("by_hand", truth(), &RayReduction::by_hand)
           .when(Presence::kNow)
           .about("the transform was given by hand; its uncertainty is then 0 because none was computed"),
       field("doubt", codec::message(), &RayReduction::doubt)
           .when(Presence::kNow)
           .about("why it cannot be told whether the ray is displaced; empty where it can"),
       field("joint", makeJointCodec(), &RayReduction::joint),
       field("manoeuvre", codec::messages(), &RayReduction::manoeuvre)});
}

/// A fragment with its id; the rest of it is in the table of bones.
struct FragmentEntry {
  std::string id;
  const CaseFragment* from = nullptr;
  CaseFragment read;
};

Codec<FragmentEntry> fragmentCodec() {
  const auto within = [](const char* key, double FragmentReduction::*mm, double FragmentReduction::*rad) {
    return group<FragmentReduction>(
        key, {field("mm", number(2, kNotNegative), mm), field("deg", degrees(2, kNotNegative), rad)});
  };
  std::vector<Field<CaseFragment>> own{field("transform", transform(), &CaseFragment::injured_to_reduced)
                                           .about("moves the fragment, as scanned, to where it belongs")};
  own = own + fieldsOf(&CaseFragment::fit, {field("on_bone", transform(), &FragmentReduction::injured_to_bone)
                                                .about("moves it to its place on the main part as scanned")});
  own.push_back(
      group<CaseFragment>("uncertainty", {field("mm", number(2, kNotNegative), &CaseFragment::uncertainty_mm),
                                          field("deg", degrees(2, kNotNegative), &CaseFragment::uncertainty_rad)}));
  own =
      own +
      fieldsOf(
          &CaseFragment::fit,
          {within("uncertainty_on_bone", &FragmentReduction::uncertainty_mm, &FragmentReduction::uncertainty_rad)
               .when(Presence::kNow)
               .about("of its position on the main part alone"),
           group<FragmentReduction>("break", {field("gap_mm", number(2, kNotNegative), &FragmentReduction::gap_mm),
                                              field("step_mm", number(2, kNotNegative), &FragmentReduction::step_mm),
                                              field("overlap_mm", number(2), &FragmentReduction::overlap_mm),
                                              field("face_mm2", number(0, kNotNegative), &FragmentReduction::face_mm2)})
               .about("the fracture faces once reduced"),
           field("doubt", codec::message(), &FragmentReduction::doubt)});
  return object(
      std::vector<Field<FragmentEntry>>{field("id", text({.pattern = R"(^M2\.[1-9]$)"}), &FragmentEntry::id)} +
      codec::fieldsBehind(&FragmentEntry::from, &FragmentEntry::read, own));
}

std::vector<RayReduction> reductionsOf(const Case& c) {
  std::vector<RayReduction> out;
  for (const Ray ray : c.reduction.order)
    if (const RayReduction* r = find(c.reduction.rays, ray)) out.push_back(*r);
  return out;
}

void takeReductions(Case& c, std::vector<RayReduction> rays) {
  for (RayReduction& r : rays) c.reduction.rays[r.ray] = std::move(r);
}

std::vector<FragmentEntry> fragmentsOf(const Case& c) {
  std::vector<FragmentEntry> out;
  for (const auto& [id, f] : c.fragments) out.push_back({id, &f, {}});
  return out;
}

/// The bones have already been read: any entry among them that is not a bone must be a fragment here.
void takeFragments(Case& c, std::vector<FragmentEntry> fragments) {
  std::map<std::string, CaseFragment> all;
  for (FragmentEntry& f : fragments) {
    const auto bone = c.fragments.find(f.id);
    if (bone == c.fragments.end()) throw codec::BadField{"/bones/" + f.id, "case.missing"};
    f.read.bone = std::move(bone->second.bone);
    all[f.id] = std::move(f.read);
    c.fragments.erase(bone);
  }
  if (!c.fragments.empty())
    throw codec::BadField{"/bones/" + c.fragments.begin()->first, "case.neither_bone_nor_fragment_reduction"};
  c.fragments = std::move(all);
}

std::vector<Field<Case>> makeReductionFields() {
  const std::vector<Field<ReductionResult>> own{
      field("method",
            codec::choice<ReductionMethod>(
                {{ReductionMethod::kContralateral, "contralateral"}, {ReductionMethod::kCongruence, "congruence"}}),
            &ReductionResult::method),
      field("order", list(ray(), {{"uniqueItems", true}, {"maxItems", 5}}), &ReductionResult::order)};
  Field<ReductionResult> residual =
      field("mirror_residual_mm", number(3, kNotNegative), &ReductionResult::mirror_residual_mm)
          .when(Presence::kSometimes);
  residual.write = [write = residual.write](const ReductionResult& r) {
    return r.method == ReductionMethod::kContralateral ? write(r) : codec::leftOut();
  };
  return fieldsOf(&Case::reduction, own + std::vector{residual}) +
         std::vector<Field<Case>>{
             field<Case>("rays", list(rayReductionCodec(), {{"maxItems", 5}}), reductionsOf, takeReductions),
             field<Case>("fragments", list(fragmentCodec()), fragmentsOf, takeFragments)
                 .when(Presence::kNow)
                 .about("pieces of broken bones, ids as in bones[]"),
             field("measures", list(measureCodec()), &Case::measures_reduced)};
}

// ---------------------------------------------------------------------------------------------- devices

std::vector<Field<DeviceChecks>> makeChecksFields() {
  using C = DeviceChecks;
  const auto now = [](Field<C> f) { return std::move(f).when(Presence::kNow); };
  return {now(field("inside_fraction", number(4, kShare), &C::inside_fraction)),
          now(field("cortex_margin_mm", number(2), &C::cortex_margin_mm)),
          now(field("nearest_device_mm", number(2), &C::nearest_device_mm)),
          now(field("joint_area_lost_percent", number(2, kPercent), &C::joint_area_lost_percent)),
          now(field("tip_beyond_cortex_mm", number(2, kNotNegative), &C::tip_beyond_cortex_mm)),
          now(field("crossing_off_centre_mm", number(2, kNotNegative), &C::crossing_off_centre_mm)),
          now(field("entry_to_joint_mm", number(1), &C::entry_to_joint_mm)),
          now(field("angle_to_shaft_deg", degrees(1, kHalfTurn), &C::angle_to_shaft_rad)),
          now(field("angle_to_surface_deg", degrees(1, kHalfTurn), &C::angle_to_surface_rad)),
          now(field("crossing_angle_deg", degrees(1, kHalfTurn), &C::crossing_angle_rad)),
          now(field("length_in_first_mm", number(1, kNotNegative), &C::length_in_first_mm)),
          now(field("length_in_last_mm", number(1, kNotNegative), &C::length_in_last_mm)),
          now(field("mean_hu", number(0), &C::mean_hu)),
          now(field("pullout_n", number(0, kNotNegative), &C::pullout_n)),
          now(field("pullout_low_n", number(0, kNotNegative), &C::pullout_low_n)),
          now(field("pullout_high_n", number(0, kNotNegative), &C::pullout_high_n)),
          field("other_bones", partIds(), &C::other_bones),
          now(field("may_enter", partIds(), &C::may_enter)),
          now(field("surface_error_mm", number(2, kNotNegative), &C::surface_error_mm))};
}

Codec<DeviceChecks> checksCodec() { return named("DeviceChecks", object(makeChecksFields())); }

std::vector<Field<Device>> makeDeviceFields() {
  return {field("id", text({.pattern = "^[A-Z][A-Za-z0-9.]*$"}), &Device::id),
          field("type", text({.may_be_empty = false}), &Device::type),
          field("kind", deviceKindCodec(), &Device::kind),
          field("stage", codec::choiceOf(kDeviceStages, word), &Device::stage),
          field("ray", ray(), &Device::ray),
          field("through", list(partId(), {{"minItems", 1}, {"uniqueItems", true}}), &Device::through),
          field("entry", point(3), &Device::entry),
          field("tip", point(3), &Device::tip),
          field("direction", direction(6), &Device::direction),
          field("diameter_mm", number(-1, {.least = 0.0, .most = 10.0, .above = true}), &Device::diameter_mm),
          field("length_mm", number(-1, {.least = 0.0, .most = 200.0, .above = true}), &Device::length_mm),
          field("measured_depth_mm", number(1, kNotNegative), &Device::measured_depth_mm),
          field("countersink_mm", number(1, kNotNegative), &Device::countersink_mm),
          field("checks", checksCodec(), &Device::checks),
          field("warnings", codec::messages(), &Device::warnings)};
}

Codec<Device> makeDeviceCodec() { return named("DeviceRecord", object(makeDeviceFields())); }

std::vector<Field<Case>> fixationFields() {
  return fieldsOf(&Case::fixation, {field("devices", list(makeDeviceCodec()), &ConstructResult::devices)});
}

// ---------------------------------------------------------------------------------------------- the rest

Codec<AppliedEdits> editsCodec() {
  return object<AppliedEdits>(
      {field("file", text(), &AppliedEdits::file).when(Presence::kNow),
       field("request", codec::json("Record<string, unknown> | null", {{"type", {"object", "null"}}}),
             &AppliedEdits::source),
       field("applied", codec::messages(), &AppliedEdits::applied)});
}

Codec<std::map<std::string, double>> timingsCodec() {
  static constexpr std::array<const char*, 6> kStages{"read", "bones", "injury", "reduction", "fixation", "report"};
  return {.write =
              [](const std::map<std::string, double>& timings) {
                Json j = Json::object();
                for (const char* stage : kStages)
                  if (const auto it = timings.find(stage); it != timings.end()) j[stage] = rounded(it->second, 3);
                return j;
              },
          .read =
              [](const Json& j, const std::string& where, std::map<std::string, double>& into) {
                for (const auto& [stage, seconds] : j.items())
                  into[stage] = number().from(seconds, where + "/" + stage);
              },
          .schema = {{"type", "object"},
                     {"propertyNames", {{"pattern", "^[a-z_]+$"}}},
                     {"required", kStages},
                     {"additionalProperties", {{"type", "number"}, {"minimum", 0}}}},
          .type = "Record<string, number>"};
}

std::vector<Field<Case>> makePlanFields() {
  return {constant<Case>("schema", "rayset.plan/1"),
          derived<Case>("program", text({.pattern = "^rayset [0-9]"}),
                        [](const Case&) { return std::string("rayset " RAYSET_VERSION); }),
          field("side", codec::side(), &Case::side),
          field("other_foot", textOrNull(), &Case::other_foot)
              .when(Presence::kNow)
              .about("\"same scan\", the folder's name, or null"),
          group<Case>("images", fieldsOf(&Case::scan, scanFields()) + fieldsOf(&Case::grid, gridFields())),
          field<Case>(
              "frame", frameCodec(), [](const Case& c) { return c.reduction.frame; },
              [](Case& c, const Frame& frame) { c.reduction.frame = frame; }),
          field<Case>("bones", bonesCodec(), bonesOf, takeBones),
          derived<Case>("missing", missingCodec(), missingOf)
              .when(Presence::kNow)
              .about("bones of the twelve that were not found, or were removed by hand"),
          constant<Case>("labels", "labels.nrrd").when(Presence::kNow),
          group<Case>("injury", makeInjuryFields()),
          group<Case>("reduction", makeReductionFields(),
                      {{"if", {{"properties", {{"method", {{"const", "contralateral"}}}}}}},
                       {"then", {{"required", {"mirror_residual_mm"}}}},
                       {"else", {{"not", {{"required", {"mirror_residual_mm"}}}}}}}),
          group<Case>("fixation", fixationFields()),
          field("edits", nullable(editsCodec()), &Case::edits)
              .when(Presence::kNow)
              .about("corrections by hand used in the plan, or null; the request follows edits.schema.json"),
          field("timings_s", timingsCodec(), &Case::timings_s).when(Presence::kNow),
          field("cautions", codec::messages(), &Case::cautions),
          field("partial", truth(), &Case::partial)
              .when(Presence::kNow)
              .about("a bone or ray could not be handled (exit status 4)"),
          codec::messageTable<Case>()};
}

}  // namespace

const Codec<Case>& planCodec() {
  static const Codec<Case> of = named("PlanFile", object(makePlanFields()));
  return of;
}
Codec<DeviceKind> deviceKindCodec() {
  return codec::choiceOf(kDeviceKinds, [](DeviceKind kind) { return traits(kind).word; });
}
const Codec<Device>& deviceCodec() {
  static const Codec<Device> of = makeDeviceCodec();
  return of;
}
const Codec<std::vector<Measure>>& measuresCodec() {
  static const Codec<std::vector<Measure>> of = list(measureCodec());
  return of;
}
const Codec<RayReduction>& uncertaintyCodec() {
  static const Codec<RayReduction> of = object(uncertaintyFields());
  return of;
}
const Codec<JointFit>& jointCodec() {
  static const Codec<JointFit> of = makeJointCodec();
  return of;
}

std::vector<Field<Case>> planFields() { return makePlanFields(); }
std::vector<Field<Case>> injuryFields() { return makeInjuryFields(); }
std::vector<Field<Case>> reductionFields() { return makeReductionFields(); }
std::vector<Field<Patterns>> patternFields() { return makePatternFields(); }
std::vector<Field<Device>> deviceFields() { return makeDeviceFields(); }
std::vector<Field<DeviceChecks>> deviceChecksFields() { return makeChecksFields(); }

std::string planSchemaText() {
  return codec::schemaText(
      "rayset.plan/1",
      "The whole of plan.json. Millimetres, degrees, seconds, HU, newtons. Points and directions in the DICOM patient "
      "frame (LPS) of the CT that was read. Made from src/case/plan_codec.cpp.",
      planCodec());
}

nlohmann::ordered_json measuresJson(const std::vector<Measure>& measures) { return measuresCodec().write(measures); }
nlohmann::ordered_json uncertaintyJson(const RayReduction& ray) { return uncertaintyCodec().write(ray); }
nlohmann::ordered_json jointJson(const JointFit& joint) { return jointCodec().write(joint); }
nlohmann::ordered_json deviceJson(const Device& d) { return deviceCodec().write(d); }
nlohmann::ordered_json planJson(const Case& c, const Words& words) { return spoken(planCodec().write(c), words); }

}  // namespace rayset
