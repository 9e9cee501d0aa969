// Distances and angles drawn by hand.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/units.h"
#include "geometry/json.h"
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

EditField<Add> pointsField() {
  return {.key = "points",
          .form = "two ends, or one arm's end, the corner and the other arm's end",
          .read = [](const EditJson* v, const std::string& kind, Add& p) -> Status {
            const std::size_t wanted = p.kind == "distance" ? 2 : 3;
            if (v == nullptr || !v->is_array() || v->size() != wanted)
              return refused(
                  fmt::format("a {} has {} points", p.kind, wanted), kind + ", points",
                  p.kind == "distance" ? "Give its two ends." : "Give one arm's end, the corner, the other arm's end.");
            for (const EditJson& j : *v) {
              const auto point = fields::point(&j, kind, "points");
              if (!point) return tl::unexpected(point.error());
              p.points.push_back(*point);
            }
            return {};
          },
          .write =
              [](const Add& p) {
                EditJson list = EditJson::array();
                for (const Vec3& x : p.points) list.push_back({x.x(), x.y(), x.z()});
                return list;
              }};
}

EditField<Add> choiceField(std::string key, std::string Add::*member, std::string first, std::string second,
                           std::string what) {
  EditField<Add> f = fields::textField(key, member, 1, 20);
  f.form = fmt::format("\"{}\" or \"{}\"", first, second);
  f.read = [=, text = f.read](const EditJson* v, const std::string& kind, Add& p) -> Status {
    if (const Status s = text(v, kind, p); !s) return s;
    if (p.*member != first && p.*member != second)
      return refused(fmt::format("\"{}\" is no {}", p.*member, what), kind,
                     fmt::format("Write {} or {}.", first, second));
    return {};
  };
  return f;
}

std::vector<EditField<Add>> addFields() {
  EditField<Add> kind = choiceField("kind", &Add::kind, "distance", "angle", "kind of measure");
  kind.also_as = "measure";  // "kind" is the edit's own on the wire
  return {fields::idField("id", &Add::id), fields::textField("view", &Add::view, 0, 120), kind, pointsField(),
          choiceField("state", &Add::state, "injured", "reduced", "state of the foot")};
}

Status checkAdd(const Add& p, const EditContext& context) {
  for (const EditJson& m : context.state.measures)
    if (m["id"] == p.id)
      return refused(fmt::format("there is a measure {} already", p.id), "measure.add", "Use another id.");
  if (context.state.measures.size() >= kMostMeasures)
    return refused(fmt::format("there are {} measures already", kMostMeasures), "measure.add", "Remove some first.");
  for (std::size_t i = 1; i < p.points.size(); ++i)
    if ((p.points[i] - p.points[i - 1]).norm() < kApartMm)
      return refused("two points of the measure are the same", "measure.add, points", "Set them apart.");
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
  return {editKind<Add>({.name = "measure.add",
                         .meaning = "Drawn by hand, patient frame",
                         .scope = EditScope::kImages,
                         .needs_plan = true,
                         .fields = addFields(),
                         .check = checkAdd,
                         .apply =
                             [](const Add& p, EditState& state, const Case*) {
                               EditJson m = payloadJson(p, addFields());
                               m["value"] = rounded(valueOf(p), 2);
                               m["unit"] = p.kind == "distance" ? "mm" : "deg";
                               state.measures.push_back(std::move(m));
                               return Status{};
                             },
                         .words = [](const Add& p, const auto&) { return p.kind + " drawn"; }}),
          editKind<Remove>({.name = "measure.remove",
                            .meaning = "A drawn measure removed",
                            .scope = EditScope::kImages,
                            .needs_plan = true,
                            .fields = {fields::idField("id", &Remove::id)},
                            .check = [](const Remove& p, const EditContext& context) -> Status {
                              for (const EditJson& m : context.state.measures)
                                if (m["id"] == p.id) return {};
                              return refused(fmt::format("there is no measure {}", p.id), "measure.remove",
                                             "It may have been removed.");
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
                            .words = [](const Remove&, const auto&) { return std::string("drawn measure removed"); }})};
}

}  // namespace rayset::edit_kinds
