#include "report/views_codec.h"

#include "geometry/codec.h"

namespace rayset {

using codec::Codec;
using codec::degrees;
using codec::direction;
using codec::field;
using codec::Field;
using codec::fieldsOf;
using codec::group;
using codec::integer;
using codec::kNotNegative;
using codec::kPositive;
using codec::number;
using codec::object;
using codec::point;
using codec::text;
using codec::operator+;

namespace {

/// The name of one of its files.
Field<ViewEntry> file(const char* key, const std::string& ending) {
  const Codec<std::string> name = text({.pattern = "\\" + ending + "$"});
  return field<ViewEntry>(
      key,
      such(name, {"report.does_not_end_in", {{"ending", ending}}},
           [ending](const std::string& s) { return s.ends_with(ending); }),
      [ending](const ViewEntry& e) { return e.name + ending; },
      [ending](ViewEntry& e, std::string s) { e.name = s.substr(0, s.size() - ending.size()); });
}

Codec<ViewEntry> entryCodec() {
  using E = ViewEntry;
  using V = ProjectionView;
  const Codec<TubePose> tube = object<TubePose>({field("orbital_deg", degrees(2), &TubePose::orbital_rad),
                                                 field("tilt_deg", degrees(2), &TubePose::tilt_rad),
                                                 field("sid_mm", number(-1, kPositive), &TubePose::sid_mm),
                                                 field("oid_mm", number(-1, kNotNegative), &TubePose::oid_mm)});
  const std::vector<Field<E>> own{
      file("file", ".dcm"), file("picture", ".png"),
      field("view", text({.may_be_empty = false}), &E::view).about("in words"),
      field("state", codec::choiceOf(kFilmedStates, [](FilmedState s) { return std::string(wordOf(s)); }), &E::state),
      field("tube", tube, &E::tube)
          .about("angles as in docs/verify.md; distance from source to detector, and from joints to detector")};
  return object(
      own + fieldsOf(&E::exposed, {field("source", point(3), &V::source).about("focal spot"),
                                   field("detector", point(3), &V::detector).about("centre of the first pixel"),
                                   field("right", direction(9), &V::right).about("direction of increasing column"),
                                   field("down", direction(9), &V::down).about("direction of increasing row"),
                                   field("pixel_mm", number(-1, kPositive), &V::pixel_mm).about("at the detector"),
                                   field("columns", integer(1), &V::columns), field("rows", integer(1), &V::rows)}));
}

}  // namespace

const Codec<ViewsRecord>& viewsCodec() {
  static const Codec<ViewsRecord> of = object<ViewsRecord>(
      {codec::constant<ViewsRecord>("schema", "rayset.views/1"), codec::constant<ViewsRecord>("simulated", true),
       field("films", list(entryCodec(), {{"minItems", 1}}), &ViewsRecord::films)});
  return of;
}

std::string viewsSchemaText() {
  return codec::schemaText(
      "rayset.views/1",
      "views.json of `rayset views`: one entry for each simulated film. Millimetres and degrees; points and directions "
      "in "
      "the DICOM patient frame (LPS) of the CT that was planned. Made from src/report/views_codec.cpp.",
      viewsCodec());
}

}  // namespace rayset
