// Bones corrected by hand; the next plan is made with it.
#include <fmt/format.h>

#include "base/words.h"
#include "bones/edits.h"
#include "geometry/side.h"
#include "report/words.h"
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

struct Bones {
  EditJson edits;
};

codec::Codec<EditJson> editsCodec() {
  return codec::such(codec::json("Record<string, unknown>", {{"type", "object"}}), Message("edit.not_object_entries"),
                     [](const EditJson& j) { return j.is_object() && !j.empty(); });
}

Status checkBones(const Bones& p, const EditContext& context) {
  if (p.edits.contains("poses"))
    return refused("edit.poses_not_edits_bones", "bones.edit, poses", Message("edit.use_ray_move"));
  EditJson merged = mergedBoneEdits(context.state.bone_edits, p.edits);
  merged["schema"] = "rayset.edits/1";
  const auto edits = parseEdits(merged.dump(-1, ' ', false, EditJson::error_handler_t::replace), "edits");
  if (!edits) return tl::unexpected(edits.error());
  if (context.planned == nullptr) return {};
  if (edits->side && *edits->side != context.planned->side)
    return refused(Message("edit.edits_foot_but_foot_planned",
                           {{"side", nameOf(*edits->side)}, {"side_2", nameOf(context.planned->side)}}),
                   "bones.edit, side", Message("edit.correct_side"));
  return checkEdits(*edits, context.planned->grid);
}

}  // namespace

std::vector<EditKind> bones() {
  return {editKind<Bones>({.name = "bones.edit",
                           .meaning = "Seeds, splits, merges, renames or landmarks, as in the file above; the case is "
                                      "`stale` until it is planned again",
                           .scope = EditScope::kImages,
                           .needs_new_plan = true,
                           .fields = {codec::field("edits", editsCodec(), &Bones::edits)
                                          .told({Message("edit.part_rayset_edits_1_without_poses"),
                                                 Message("edit.write_edits_docs_edits_md")})},
                           .check = checkBones,
                           .apply =
                               [](const Bones& p, EditState& state, const Case*) {
                                 state.bone_edits = mergedBoneEdits(std::move(state.bone_edits), p.edits);
                                 return Status{};
                               },
                           .words = [](const Bones&, const auto&) { return Message("edit.bones_corrected"); }})};
}

}  // namespace rayset::edit_kinds
