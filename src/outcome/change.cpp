#include "outcome/change.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "anatomy/bones.h"
#include "anatomy/frames.h"
#include "base/units.h"
#include "injury/shift_words.h"
#include "language/spoken.h"
#include "outcome/verification_codec.h"

namespace rayset {
namespace {

using Json = nlohmann::json;

Result<CheckRecord> recordFrom(const Json& j, const std::string& file) {
  return codec::decode(checkCodec(), unspoken(codec::Json(j)), Message("outcome.earlier_check"), file,
                       Message("outcome.check_films_again"));
}

template <class List, class Key>
auto* findBy(const List& list, const Key& is) {
  const auto it = std::find_if(list.begin(), list.end(), is);
  return it == list.end() ? nullptr : &*it;
}
const CheckedRay* rayOf(const CheckRecord& check, Ray ray) {
  return findBy(check.rays, [&](const CheckedRay& r) { return r.found.ray == ray; });
}
const CheckedDevice* deviceOf(const CheckRecord& check, const std::string& id) {
  return findBy(check.devices, [&](const CheckedDevice& d) { return d.found.id == id; });
}
/// The ray whose metatarsal the device was entered through; nullptr: the tarsus.
const CheckedRay* boneOf(const CheckRecord& check, const CheckedDevice& d) {
  return findBy(check.rays, [&](const CheckedRay& r) { return boneId(metatarsal(r.found.ray)) == d.through.front(); });
}

Vec3 inwards(const DeviceOutcome& d) { return (d.tip - d.entry).normalized(); }
double within(const DeviceOutcome& d) { return std::max(d.entry_95_mm, d.tip_95_mm); }

constexpr const char* kNoChange = "outcome.no_change_told";

/// The earlier check if later ones of this foot can be compared with it; errors as canBeCompared().
Result<CheckRecord> comparable(const Json& earlier, const std::string& patient_id, const std::string& side,
                               const std::string& file) {
  try {
    if (!earlier.is_object() || earlier.value("schema", "") != kVerificationSchema)
      return fail(Fault::kRequest, "outcome.no_check_after_operation", file,
                  Message("outcome.give_folder_earlier_rayset_verify_wrote"));
    if (earlier.value("patient_id", "") != patient_id || earlier.value("side", "") != side)
      return fail(Fault::kRequest, "outcome.earlier_check_another_patient_foot", file,
                  Message("outcome.give_folder_earlier_check_foot"));
    if (!earlier.contains("frame"))
      return fail(Fault::kRequest, "outcome.earlier_check_made_before_checks_could", file,
                  Message("outcome.check_films_again"));
  } catch (const Json::exception& e) {
    return fail(Fault::kRequest, Message("outcome.earlier_check_cannot_read", {{"what", e.what()}}), file,
                Message("outcome.check_films_again"));
  }
  return recordFrom(earlier, file);
}

}  // namespace

Status canBeCompared(const Json& earlier, const std::string& patient_id, const std::string& side,
                     const std::string& file) {
  if (const auto read = comparable(earlier, patient_id, side, file); !read) return tl::unexpected(read.error());
  return {};
}

Result<Change> changeSince(const Json& earlier, const Json& later, const std::string& file) {
  const auto then = comparable(earlier, later.value("patient_id", ""), later.value("side", ""), file);
  auto now = recordFrom(later, file);
  if (!then) return tl::unexpected(then.error());
  if (!now) return tl::unexpected(now.error());
  std::sort(now->devices.begin(), now->devices.end(),
            [](const CheckedDevice& a, const CheckedDevice& b) { return a.found.id < b.found.id; });
  Change out;
  out.since = then->date;
  for (const CheckedRay& found : now->rays) {
    const CheckedRay* before = rayOf(*then, found.found.ray);
    if (before == nullptr) continue;
    const Rigid moved = found.injured_to_found * before->injured_to_found.inverse();
    const Vec3 shift = found.base - moved.inverse() * found.base;
    const Vec3 parts = now->frame.components(shift);
    RayChange c;
    c.ray = found.found.ray;
    c.lateral_mm = -parts.x();
    c.distal_mm = parts.y();
    c.dorsal_mm = parts.z();
    c.shift_mm = shift.norm();
    c.turn_rad = rotationAngle(moved.linear());
    c.shift_95_mm = std::hypot(found.found.shift_95_mm, before->found.shift_95_mm);
    c.turn_95_rad = std::hypot(found.found.turn_95_rad, before->found.turn_95_rad);
    c.moved = c.shift_mm > c.shift_95_mm || c.turn_rad > c.turn_95_rad;
    c.words = c.moved ? Message("outcome.moved_turned_degrees", {{"shift", mm(c.shift_mm)},
                                                                 {"c", all(shiftParts(c))},
                                                                 {"turn", number(toDegrees(c.turn_rad), 0)}})
                      : kNoChange;
    out.rays.push_back(std::move(c));
  }
  for (const CheckedDevice& device : now->devices) {
    const CheckedDevice* earlier_device = deviceOf(*then, device.found.id);
    if (earlier_device == nullptr) continue;
    const DeviceOutcome &found = device.found, &before = earlier_device->found;
    if (!found.seen && !before.seen) continue;
    DeviceChange c;
    c.id = found.id;
    c.seen = found.seen && before.seen;
    if (!c.seen) {
      c.moved = true;
      c.words = found.seen ? Message("outcome.found_now_not_earlier_check")
                           : Message("outcome.found_earlier_check_not_now_taken");
      out.devices.push_back(std::move(c));
      continue;
    }
    const CheckedRay *ray_then = boneOf(*then, *earlier_device), *ray_now = boneOf(*now, device);
    const Rigid with_bone = ray_then != nullptr && ray_now != nullptr
                                ? ray_now->injured_to_found * ray_then->injured_to_found.inverse()
                                : Rigid::Identity();
    const Vec3 in = inwards(found), by = found.entry - with_bone * before.entry;
    c.backed_out_mm = -by.dot(in);
    c.aside_mm = (by - by.dot(in) * in).norm();
    c.axis_rad = std::acos(std::clamp(in.dot(with_bone.linear() * inwards(before)), -1.0, 1.0));
    c.shift_95_mm = std::hypot(within(found), within(before));
    c.axis_95_rad = std::hypot(found.axis_95_rad, before.axis_95_rad);
    if (ray_now != nullptr && ray_then != nullptr)
      c.shift_95_mm = std::hypot(c.shift_95_mm, std::hypot(ray_now->found.shift_95_mm, ray_then->found.shift_95_mm));
    const auto tell = [&](bool is, const Message& words) {
      if (is) c.words = c.words.empty() ? words : Message("join.comma", {{"first", c.words}, {"second", words}});
    };
    c.broke = found.gap_mm > 0 && before.gap_mm == 0;
    tell(c.broke, Message("outcome.looks_broken_did_not_earlier_check"));
    tell(c.backed_out_mm > c.shift_95_mm, Message("outcome.backed_out", {{"backed_out", mm(c.backed_out_mm)}}));
    tell(c.backed_out_mm < -c.shift_95_mm, Message("outcome.deeper", {{"backed_out", mm(-c.backed_out_mm)}}));
    tell(c.aside_mm > c.shift_95_mm, Message("outcome.moved_aside", {{"aside", mm(c.aside_mm)}}));
    tell(c.axis_rad > c.axis_95_rad, Message("outcome.turned_degrees", {{"axis", number(toDegrees(c.axis_rad), 0)}}));
    c.moved = !c.words.empty();
    if (!c.moved) c.words = kNoChange;
    out.devices.push_back(std::move(c));
  }
  return out;
}

}  // namespace rayset
