// Devices placed by hand, left out, or planned again with the other kind.
#include <fmt/format.h>

#include <algorithm>

#include "anatomy/bones.h"
#include "anatomy/codec.h"
#include "workspace/edit_kind.h"

namespace rayset::edit_kinds {
namespace {

Status noLonger(Message what) { return refused(std::move(what), "", ""); }

EditedDevice edited(const StoredDevice& d, const Rigid& pose_now) {
  return {d.device, d.pose.value_or(pose_now), true, d.check_basis};
}

void addTo(std::vector<Message>& cautions, const std::vector<Message>& more) {
  cautions.insert(cautions.end(), more.begin(), more.end());
}

// ---------------------------------------------------------------------------------------------- device.set

struct Set {
  std::string id;
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();
  std::optional<std::string> type;
  std::optional<StoredDevice> made;  ///< its fields are stored beside the others
  std::vector<Message> cautions;
};

EditFields<Set> setFields() {
  return {codec::field("id", codec::id(), &Set::id), codec::field("entry", fields::point(), &Set::entry),
          codec::field("tip", fields::point(), &Set::tip), codec::optionalField("type", codec::id(), &Set::type)};
}

EditFields<Set> setCompleted() {
  return codec::fieldsOf(&Set::made, storedDeviceFields()) + EditFields<Set>{fields::cautions(&Set::cautions)};
}

Status applySet(const Set& p, EditState& state, const Case* planned) {
  const auto it = std::find_if(state.devices.begin(), state.devices.end(),
                               [&](const EditedDevice& d) { return d.device.id == p.id; });
  if (it == state.devices.end()) return noLonger(Message("edit.no_device_any_more", {{"id", p.id}}));
  if (!p.made) return noLonger(Message("edit.edit_has_no_device"));
  if (p.made->device.ray != it->device.ray || p.made->device.through != it->device.through)
    return noLonger(Message("edit.goes_through_other_bones_plan", {{"id", it->device.id}}));
  state.changed_rays.insert(it->device.ray);
  *it = edited(*p.made, state.pose(it->device.ray, *planned));
  addTo(state.cautions, p.cautions);
  return {};
}

// ---------------------------------------------------------------------------------------------- device.remove

struct Remove {
  std::string id;
};

Status applyRemove(const Remove& p, EditState& state, const Case*) {
  const EditedDevice* d = state.device(p.id);
  if (d == nullptr) return noLonger(Message("edit.no_device_any_more", {{"id", p.id}}));
  state.changed_rays.insert(d->device.ray);
  state.devices.erase(state.devices.begin() + (d - state.devices.data()));
  return {};
}

// ---------------------------------------------------------------------------------------------- device.swap

struct Swap {
  Ray ray;
  std::string to;
  std::vector<StoredDevice> devices;
  std::vector<Message> cautions;
};

EditFields<Swap> swapFields() {
  return {codec::field("ray", codec::ray(), &Swap::ray),
          codec::field("to", codec::oneOf({"screws", "wires"}, Message("edit.neither_screws_nor_wires")), &Swap::to)};
}

EditFields<Swap> swapCompleted() {
  return {codec::field("devices", codec::list(codec::object(storedDeviceFields())), &Swap::devices)
              .when(codec::Presence::kNow),
          fields::cautions(&Swap::cautions)};
}

Status checkSwap(const Swap& p, const EditContext& context) {
  if (!wiresMayHold(p.ray))
    return refused(Message("edit.ray_planned_screws_only", {{"ray", nameOf(p.ray)}}), "device.swap",
                   Message("edit.wires_place_screws_fourth_fifth_ray"));
  if (!context.planned->reduction.rays.contains(p.ray))
    return refused(Message("edit.ray_not_placed_nothing_can_hold", {{"ray", nameOf(p.ray)}}), "device.swap",
                   Message("edit.see_cautions"));
  return {};
}

Status applySwap(const Swap& p, EditState& state, const Case* planned) {
  std::vector<EditedDevice> made;
  for (const StoredDevice& d : p.devices) {
    if (d.device.ray != p.ray) return noLonger(Message("edit.device_another_ray"));
    made.push_back(edited(d, state.pose(p.ray, *planned)));
  }
  const auto mine = [&](const EditedDevice& d) { return d.device.ray == p.ray; };
  const auto at = std::find_if(state.devices.begin(), state.devices.end(), mine) - state.devices.begin();
  std::erase_if(state.devices, mine);
  state.devices.insert(state.devices.begin() + at, made.begin(), made.end());
  addTo(state.cautions, p.cautions);
  state.changed_rays.insert(p.ray);
  return {};
}

}  // namespace

std::vector<EditKind> devices() {
  const auto known = [](const auto& p, const EditContext& context, const char* kind) {
    return deviceExists(context.state, p.id, kind);
  };
  return {editKind<Set>({.name = "device.set",
                         .meaning = "Moved or turned by hand: the entry is snapped to the cortex, the length to the "
                                    "catalogue; `type` names another implant",
                         .scope = EditScope::kImages,
                         .needs_plan = true,
                         .changes_plan = true,
                         .fields = setFields(),
                         .completed = setCompleted(),
                         .check = [known](const Set& p, const EditContext& c) { return known(p, c, "device.set"); },
                         .complete = [](Set& p, EditWorkbench& bench) -> Status {
                           auto placed = bench.place(p.id, p.type.value_or(""), p.entry, p.tip);
                           if (!placed) return tl::unexpected(placed.error());
                           p.entry = placed->device.device.entry;
                           p.tip = placed->device.device.tip;
                           p.type = placed->device.device.type;
                           p.made = std::move(placed->device);
                           p.cautions = std::move(placed->cautions);
                           return {};
                         },
                         .attempt =
                             [](const Set& p, EditWorkbench& bench) {
                               return bench.tryPlace(p.id, p.type.value_or(""), p.entry, p.tip);
                             },
                         .apply = applySet,
                         .words =
                             [](const Set& p, const auto&) {
                               return Message("edit.placed_hand", {{"id", p.id}});
                             }}),
          editKind<Remove>(
              {.name = "device.remove",
               .meaning = "Left out of the plan",
               .scope = EditScope::kImages,
               .needs_plan = true,
               .changes_plan = true,
               .fields = {codec::field("id", codec::id(), &Remove::id)},
               .check = [known](const Remove& p, const EditContext& c) { return known(p, c, "device.remove"); },
               .apply = applyRemove,
               .words =
                   [](const Remove& p, const auto&) {
                     return Message("edit.left_out", {{"id", p.id}});
                   }}),
          editKind<Swap>({.name = "device.swap",
                          .meaning = "Fourth and fifth ray: planned again with the other kind of device",
                          .scope = EditScope::kImages,
                          .needs_plan = true,
                          .changes_plan = true,
                          .fields = swapFields(),
                          .completed = swapCompleted(),
                          .check = checkSwap,
                          .complete = [](Swap& p, EditWorkbench& bench) -> Status {
                            auto made = bench.construct(p.ray, p.to == "wires");
                            if (!made) return tl::unexpected(made.error());
                            p.devices = std::move(made->devices);
                            p.cautions = std::move(made->cautions);
                            return {};
                          },
                          .apply = applySwap,
                          .words =
                              [](const Swap& p, const auto&) {
                                return Message("edit.ray", {{"ray", p.ray.number()}, {"to", p.to}});
                              }})};
}

}  // namespace rayset::edit_kinds
