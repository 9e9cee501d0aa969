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
  return codec::such(codec::json("Record<string, unknown>", {{"type", "object"}}), "is not an object with entries",
                     [](const EditJson& j) { return j.is_object() && !j.empty(); });
}

Status checkBones(const Bones& p, const EditContext& context) {
  if (p.edits.contains("poses")) return refused("poses are not edits of bones", "bones.edit, poses", "Use ray.move.");
  EditJson merged = mergedBoneEdits(context.state.bone_edits, p.edits);
  merged["schema"] = "rayset.edits/1";
  const auto edits = parseEdits(merged.dump(-1, ' ', false, EditJson::error_handler_t::replace), "edits");
  if (!edits) return tl::unexpected(edits.error());
  if (context.planned == nullptr) return {};
  if (edits->side && *edits->side != context.planned->side)
    return refused(fmt::format("the edits are for the {} foot, but the {} foot is planned", sideWord(*edits->side),
                               sideWord(context.planned->side)),
                   "bones.edit, side", "Correct the side.");
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
                                          .told({"part of a rayset.edits/1, without poses",
                                                 "Write {\"edits\": {\"seeds\": [..]}} (docs/edits.md)."})},
                           .check = checkBones,
                           .apply =
                               [](const Bones& p, EditState& state, const Case*) {
                                 state.bone_edits = mergedBoneEdits(std::move(state.bone_edits), p.edits);
                                 return Status{};
                               },
                           .words = [](const Bones&, const auto&) { return std::string("bones corrected"); }})};
}

}  // namespace rayset::edit_kinds
