// Rays placed by hand, and back to the plan.
#include <fmt/format.h>

#include <algorithm>

#include "anatomy/bones.h"
#include "anatomy/codec.h"
#include "case/plan_record.h"
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

constexpr double kFarthestMm = 60;  // no injury displaces a base farther than this (case/corrections.cpp)

struct Move {
  Ray ray;
  Rigid injured_to_reduced = Rigid::Identity();
};
struct Reset {
  Ray ray;
};

codec::Field<Move> transformField() {
  codec::Codec<Rigid> matrix = codec::transform();
  matrix.help.form = {"edit.matrix_injured_reduced", {{"form", matrix.help.form}}};
  return codec::field("transform", matrix, &Move::injured_to_reduced);
}

Status checkPose(const Move& p, const EditState& state, const Case& planned) {
  const auto bone = planned.injured.find(metatarsal(p.ray));
  const RayReduction* r = find(planned.reduction.rays, p.ray);
  if (r == nullptr || bone == planned.injured.end())
    return refused(Message("edit.ray_not_placed_plan_cannot_moved", {{"ray", nameOf(p.ray)}}), "ray.move",
                   Message("edit.see_cautions_bone_missing"));
  const Rigid& X = p.injured_to_reduced;
  if (Mat3(X.linear()).determinant() < 0)
    return refused("edit.matrix_mirrors_bone", "ray.move, transform", Message("edit.give_rotation_without_reflection"));
  if (X.matrix().row(3) != Eigen::RowVector4d(0, 0, 0, 1))
    return refused("edit.last_row_matrix_not_0_0", "ray.move, transform", Message("edit.give_rigid_transform"));
  const Vec3 centre = bounds(bone->second).center();
  const double away = (X * centre - state.pose(p.ray, planned) * centre).norm();
  const double from_plan = (X * centre - r->injured_to_reduced * centre).norm();
  if (std::min(away, from_plan) > kFarthestMm)
    return refused(
        Message("edit.matrix_takes_metatarsal_where_stands", {{"ray", nameOf(p.ray)}, {"away", mm(away, 0)}}),
        "ray.move, transform",
        Message("edit.takes_points_bone_scanned_where_they", {{"farthest_mm", mm(kFarthestMm, -1)}}));
  return {};
}

}  // namespace

std::vector<EditKind> rays() {
  return {
      editKind<Move>(
          {.name = "ray.move",
           .meaning = "Placed by hand; the devices of that ray go along with its bone and are checked again",
           .scope = EditScope::kImages,
           .needs_plan = true,
           .changes_plan = true,
           .fields = {codec::field("ray", codec::ray(), &Move::ray), transformField()},
           .check = [](const Move& p, const EditContext& c) { return checkPose(p, c.state, *c.planned); },
           .complete =
               [](Move& p, EditWorkbench&) {
                 p.injured_to_reduced = asRecorded(p.injured_to_reduced);
                 return Status{};
               },
           .attempt = [](const Move& p, EditWorkbench& bench) { return bench.tryPose(p.ray, p.injured_to_reduced); },
           .apply = [](const Move& p, EditState& state, const Case* planned) -> Status {
             if (const Status s = checkPose(p, state, *planned); !s) return s;
             state.poses[p.ray] = p.injured_to_reduced;
             return {};
           },
           .words =
               [](const Move& p, const auto&) {
                 return Message("edit.ray_placed_hand", {{"ray", p.ray.number()}});
               }}),
      editKind<Reset>({.name = "ray.reset",
                       .meaning = "Back to the plan's pose",
                       .scope = EditScope::kImages,
                       .needs_plan = true,
                       .changes_plan = true,
                       .fields = {codec::field("ray", codec::ray(), &Reset::ray)},
                       .check = [](const Reset& p, const EditContext& c) -> Status {
                         if (!c.state.poses.contains(p.ray))
                           return refused(Message("edit.ray_stands_where_plan_put", {{"ray", nameOf(p.ray)}}),
                                          "ray.reset", Message("edit.nothing_go_back"));
                         return {};
                       },
                       .apply =
                           [](const Reset& p, EditState& state, const Case*) {
                             state.poses.erase(p.ray);
                             return Status{};
                           },
                       .words =
                           [](const Reset& p, const auto&) {
                             return Message("edit.ray_back_plan", {{"ray", p.ray.number()}});
                           }})};
}

}  // namespace rayset::edit_kinds
