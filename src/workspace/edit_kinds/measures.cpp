// Distances and angles drawn by hand.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/rounded.h"
#include "base/units.h"
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

constexpr std::size_t kMostMeasures = 200;
constexpr double kApartMm = 0.05;  // two ends nearer than this are one point

struct Add {
  std::string id, view, kind, state;
  std::vector<Vec3> points;
};
struct Remove {
  std::string id;
};

codec::Field<Add> pointsField() {
  const Message form = Message("edit.two_ends_one_arms_end_corner");
  auto out = codec::field("points", codec::list(fields::point()), &Add::points)
                 .told({form, Message("edit.give_each_mm_lps", {{"form", form}})});
  out.read = [read = out.read](const codec::Json& j, const std::string& where, Add& p) {
    read(j, where, p);
    if (p.kind == "distance" && p.points.size() != 2)
      throw codec::BadField{where, Message("edit.does_not_hold_2_points_distance"), "edit.give_two_ends"};
    if (p.kind == "angle" && p.points.size() != 3)
      throw codec::BadField{where, Message("edit.does_not_hold_3_points_angle"),
                            Message("edit.give_one_arms_end_corner_other")};
  };
  return out;
}

EditFields<Add> addFields() {
  return {codec::field("id", codec::id(), &Add::id), codec::field("view", codec::textOf(0, 120), &Add::view),
          codec::field("kind", codec::oneOf({"distance", "angle"}, Message("edit.no_kind_measure")), &Add::kind),
          pointsField(),
          codec::field("state", codec::oneOf({"injured", "reduced"}, Message("edit.no_state_foot")), &Add::state)};
}

Status checkAdd(const Add& p, const EditContext& context) {
  for (const EditJson& m : context.state.measures)
    if (m["id"] == p.id)
      return refused(Message("edit.measure_already", {{"id", p.id}}), "measure.add", Message("edit.use_another_id"));
  if (context.state.measures.size() >= kMostMeasures)
    return refused(Message("edit.measures_already", {{"most_measures", kMostMeasures}}), "measure.add",
                   Message("edit.remove_some_first"));
  for (std::size_t i = 1; i < p.points.size(); ++i)
    if ((p.points[i] - p.points[i - 1]).norm() < kApartMm)
      return refused("edit.two_points_measure_same", "measure.add, points", Message("edit.set_them_apart"));
  return {};
}

/// mm or degrees.
double valueOf(const Add& m) {
  const std::vector<Vec3>& p = m.points;
  if (p.size() == 2) return (p[1] - p[0]).norm();
  const Vec3 a = p[0] - p[1], b = p[2] - p[1];
  return toDegrees(std::atan2(a.cross(b).norm(), a.dot(b)));
}

}  // namespace

std::vector<EditKind> measures() {
  return {
      editKind<Add>({.name = "measure.add",
                     .meaning = "Drawn by hand, patient frame",
                     .scope = EditScope::kImages,
                     .needs_plan = true,
                     .fields = addFields(),
                     .also_as = {{"kind", "measure"}},
                     .check = checkAdd,
                     .apply =
                         [](const Add& p, EditState& state, const Case*) {
                           static const codec::Codec<Add> table = codec::object(addFields());
                           EditJson m = table.write(p);
                           m["value"] = rounded(valueOf(p), 2);
                           m["unit"] = p.kind == "distance" ? "mm" : "deg";
                           state.measures.push_back(std::move(m));
                           return Status{};
                         },
                     .words =
                         [](const Add& p, const auto&) {
                           return Message("edit.drawn", {{"kind", nameOfKey(p.kind)}});
                         }}),
      editKind<Remove>({.name = "measure.remove",
                        .meaning = "A drawn measure removed",
                        .scope = EditScope::kImages,
                        .needs_plan = true,
                        .fields = {codec::field("id", codec::id(), &Remove::id)},
                        .check = [](const Remove& p, const EditContext& context) -> Status {
                          for (const EditJson& m : context.state.measures)
                            if (m["id"] == p.id) return {};
                          return refused(Message("edit.no_measure", {{"id", p.id}}), "measure.remove",
                                         Message("edit.may_have_been_removed"));
                        },
                        .apply =
                            [](const Remove& p, EditState& state, const Case*) {
                              auto& list = state.measures;
                              for (auto it = list.begin(); it != list.end(); ++it)
                                if ((*it)["id"] == p.id) {
                                  list.erase(it);
                                  break;
                                }
                              return Status{};
                            },
                        .words = [](const Remove&, const auto&) { return Message("edit.drawn_measure_removed"); }})};
}

}  // namespace rayset::edit_kinds
