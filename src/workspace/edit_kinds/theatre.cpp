// What happened in theatre: steps done, depths measured.
#include <fmt/format.h>

#include <algorithm>

#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

constexpr double kDeepestMm = 150;  // more than any screw across the midfoot

struct Step {
  std::string step;
  bool done = false;
};
struct Depth {
  std::string device;
  std::optional<double> mm;
};

codec::Codec<std::optional<double>> depth() { return codec::nullable(codec::numberWithin(1, kDeepestMm, Unit::kMm)); }

const StepTitle* find(const std::vector<StepTitle>& steps, const std::string& id) {
  const auto it = std::find_if(steps.begin(), steps.end(), [&](const StepTitle& s) { return s.id == id; });
  return it == steps.end() ? nullptr : &*it;
}

}  // namespace

std::vector<EditKind> theatre() {
  return {editKind<Depth>(
              {.name = "depth.measured",
               .meaning = "What the depth gauge read in theatre",
               .scope = EditScope::kImages,
               .needs_plan = true,
               .fields = {codec::field("device", codec::id(), &Depth::device), codec::field("mm", depth(), &Depth::mm)},
               .check = [](const Depth& p,
                           const EditContext& c) { return deviceExists(c.state, p.device, "depth.measured"); },
               .apply = [](const Depth& p, EditState& state, const Case*) -> Status {
                 if (!p.mm)
                   state.depths.erase(p.device);
                 else if (state.device(p.device) == nullptr)
                   return refused(Message("edit.no_device_any_more_2", {{"device", p.device}}), "", "");
                 else
                   state.depths[p.device] = *p.mm;
                 return {};
               },
               .words =
                   [](const Depth& p, const auto&) {
                     return Message("edit.depth", {{"device", p.device}, {"measured", p.mm ? "yes" : "no"}});
                   }}),
          editKind<Step>({.name = "theatre.step",
                          .meaning = "A step of the operation done, or not done after all",
                          .scope = EditScope::kImages,
                          .needs_plan = true,
                          .fields = {codec::field("step", codec::id(), &Step::step),
                                     codec::field("done", codec::truth(), &Step::done)},
                          .check = [](const Step& p, const EditContext& c) -> Status {
                            if (find(c.steps, p.step) == nullptr)
                              return refused("edit.no_such_step", "theatre.step", Message("edit.load_case_again"));
                            return {};
                          },
                          .apply =
                              [](const Step& p, EditState& state, const Case*) {
                                if (p.done)
                                  state.steps_done.insert(p.step);
                                else
                                  state.steps_done.erase(p.step);
                                return Status{};
                              },
                          .words =
                              [](const Step& p, const std::vector<StepTitle>& steps) {
                                const StepTitle* known = find(steps, p.step);
                                const Message title = known != nullptr
                                                          ? Message("edit.step_titled", {{"title", known->title}})
                                                          : Message("edit.step_by_id", {{"id", p.step}});
                                return Message(p.done ? "edit.step_done" : "edit.step_not_done", {{"step", title}});
                              }})};
}

}  // namespace rayset::edit_kinds
