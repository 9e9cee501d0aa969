#include "outcome/change.h"

#include <fmt/format.h>

#include <cmath>
#include <map>
#include <optional>

#include "anatomy/bones.h"
#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/json.h"
#include "injury/shift_words.h"

namespace rayset {
namespace {

using Json = nlohmann::json;

Vec3 point(const Json& j) { return {j.at(0).get<double>(), j.at(1).get<double>(), j.at(2).get<double>()}; }

Rigid rigid(const Json& j) {
  Rigid X = Rigid::Identity();
  for (std::size_t r = 0; r < 4; ++r)
    for (std::size_t c = 0; c < 4; ++c) X(static_cast<int>(r), static_cast<int>(c)) = j.at(r).at(c).get<double>();
  return X;
}

struct FoundRay {
  Rigid pose = Rigid::Identity();  // injured to found
  Vec3 base = Vec3::Zero();
  double mm = 0, rad = 0;
};

struct FoundMetal {
  bool seen = false;
  std::string in;  // the bone it was entered through
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();
  double mm = 0, rad = 0;
  double gap_mm = 0;  // it looks broken
  [[nodiscard]] Vec3 inwards() const { return (tip - entry).normalized(); }
};

struct Check {
  PerRay<FoundRay> rays;
  std::map<std::string, FoundMetal> metal;

  explicit Check(const Json& j) {
    for (const Json& r : j.at("rays"))
      rays[Ray(r.at("ray").get<int>())] = {rigid(r.at("injured_to_found")), point(r.at("base")),
                                           r.at("uncertainty").at("mm").get<double>(),
                                           toRadians(r.at("uncertainty").at("deg").get<double>())};
    for (const Json& d : j.at("devices")) {
      FoundMetal& m = metal[d.at("id").get<std::string>()];
      m.seen = d.at("seen").get<bool>();
      m.in = d.at("through").at(0).get<std::string>();
      if (!m.seen) continue;
      m.entry = point(d.at("entry"));
      m.tip = point(d.at("tip"));
      const Json& within = d.at("uncertainty");
      m.mm = std::max(within.at("entry_mm").get<double>(), within.at("tip_mm").get<double>());
      m.rad = toRadians(within.at("axis_deg").get<double>());
      if (d.contains("gap")) m.gap_mm = d.at("gap").at("mm").get<double>();
    }
  }
  /// The ray whose metatarsal the device was entered through; nullptr: the tarsus.
  [[nodiscard]] const FoundRay* rayOf(const FoundMetal& m) const {
    for (const auto& [ray, found] : rays)
      if (m.in == boneId(metatarsal(ray))) return &found;
    return nullptr;
  }
};

constexpr const char* kNoChange = "no change told";

}  // namespace

Status canBeCompared(const Json& earlier, const std::string& patient_id, const std::string& side,
                     const std::string& file) {
  try {
    if (!earlier.is_object() || earlier.value("schema", "") != kVerificationSchema)
      return fail(Fault::kRequest, "this is no check after an operation", file,
                  "Give the folder that an earlier `rayset verify` wrote.");
    if (earlier.value("patient_id", "") != patient_id || earlier.value("side", "") != side)
      return fail(Fault::kRequest, "the earlier check is of another patient or foot", file,
                  "Give the folder of an earlier check of this foot.");
    if (!earlier.contains("frame"))
      return fail(Fault::kRequest, "the earlier check was made before checks could be compared", file,
                  "Check its films again.");
    static_cast<void>(earlier.value("date", ""));
    const Check read(earlier);
  } catch (const std::exception& e) {
    return fail(Fault::kRequest, std::string("the earlier check cannot be read: ") + e.what(), file,
                "Check its films again.");
  }
  return {};
}

Result<Change> changeSince(const Json& earlier, const Json& later, const std::string& file) {
  if (const Status can = canBeCompared(earlier, later.value("patient_id", ""), later.value("side", ""), file); !can)
    return tl::unexpected(can.error());
  Change out;
  out.since = earlier.value("date", "");
  const Check then(earlier), now(later);
  Frame frame;
  frame.medial = point(later.at("frame").at("medial"));
  frame.distal = point(later.at("frame").at("distal"));
  frame.dorsal = point(later.at("frame").at("dorsal"));
  for (const auto& [ray, found] : now.rays) {
    const auto before = then.rays.find(ray);
    if (before == then.rays.end()) continue;
    const Rigid moved = found.pose * before->second.pose.inverse();
    const Vec3 shift = found.base - moved.inverse() * found.base;
    const Vec3 parts = frame.components(shift);
    RayChange c;
    c.ray = ray;
    c.lateral_mm = -parts.x();
    c.distal_mm = parts.y();
    c.dorsal_mm = parts.z();
    c.shift_mm = shift.norm();
    c.turn_rad = rotationAngle(moved.linear());
    c.shift_95_mm = std::hypot(found.mm, before->second.mm);
    c.turn_95_rad = std::hypot(found.rad, before->second.rad);
    c.moved = c.shift_mm > c.shift_95_mm || c.turn_rad > c.turn_95_rad;
    c.words = c.moved ? fmt::format("moved by {:.1f} mm ({}) and turned by {:.0f} degrees", c.shift_mm,
                                    fmt::join(shiftParts(c), ", "), toDegrees(c.turn_rad))
                      : kNoChange;
    out.rays.push_back(std::move(c));
  }
  for (const auto& [id, found] : now.metal) {
    const auto before = then.metal.find(id);
    if (before == then.metal.end() || (!found.seen && !before->second.seen)) continue;
    DeviceChange c;
    c.id = id;
    c.seen = found.seen && before->second.seen;
    if (!c.seen) {
      c.moved = true;
      c.words = found.seen ? "found now, not at the earlier check"
                           : "found at the earlier check, not now: taken out, broken or moved";
      out.devices.push_back(std::move(c));
      continue;
    }
    const FoundRay *ray_then = then.rayOf(before->second), *ray_now = now.rayOf(found);
    const Rigid with_bone =
        ray_then != nullptr && ray_now != nullptr ? ray_now->pose * ray_then->pose.inverse() : Rigid::Identity();
    const Vec3 in = found.inwards(), by = found.entry - with_bone * before->second.entry;
    c.backed_out_mm = -by.dot(in);
    c.aside_mm = (by - by.dot(in) * in).norm();
    c.axis_rad = std::acos(std::clamp(in.dot(with_bone.linear() * before->second.inwards()), -1.0, 1.0));
    c.shift_95_mm = std::hypot(found.mm, before->second.mm);
    c.axis_95_rad = std::hypot(found.rad, before->second.rad);
    if (ray_now != nullptr && ray_then != nullptr)
      c.shift_95_mm = std::hypot(c.shift_95_mm, std::hypot(ray_now->mm, ray_then->mm));
    const auto tell = [&](bool is, const std::string& words) {
      if (is) c.words += (c.words.empty() ? "" : ", ") + words;
    };
    c.broke = found.gap_mm > 0 && before->second.gap_mm == 0;
    tell(c.broke, "looks broken, did not at the earlier check");
    tell(c.backed_out_mm > c.shift_95_mm, fmt::format("backed out by {:.1f} mm", c.backed_out_mm));
    tell(c.backed_out_mm < -c.shift_95_mm, fmt::format("{:.1f} mm deeper", -c.backed_out_mm));
    tell(c.aside_mm > c.shift_95_mm, fmt::format("moved aside by {:.1f} mm", c.aside_mm));
    tell(c.axis_rad > c.axis_95_rad, fmt::format("turned by {:.0f} degrees", toDegrees(c.axis_rad)));
    c.moved = !c.words.empty();
    if (!c.moved) c.words = kNoChange;
    out.devices.push_back(std::move(c));
  }
  return out;
}

nlohmann::ordered_json changeJson(const Change& change) {
  using Out = nlohmann::ordered_json;
  Out j{{"date", change.since}, {"rays", Out::array()}, {"devices", Out::array()}};
  for (const RayChange& c : change.rays)
    j["rays"].push_back(
        {{"ray", c.ray},
         {"moved", c.moved},
         {"shift_mm",
          {{"total", rounded(c.shift_mm, 2)},
           {"lateral", rounded(c.lateral_mm, 2)},
           {"dorsal", rounded(c.dorsal_mm, 2)},
           {"distal", rounded(c.distal_mm, 2)}}},
         {"turn_deg", rounded(toDegrees(c.turn_rad), 2)},
         {"uncertainty", {{"mm", rounded(c.shift_95_mm, 2)}, {"deg", rounded(toDegrees(c.turn_95_rad), 2)}}},
         {"words", c.words}});
  for (const DeviceChange& c : change.devices) {
    Out d{{"id", c.id}, {"moved", c.moved}};
    if (c.seen) {
      d["backed_out_mm"] = rounded(c.backed_out_mm, 2);
      d["aside_mm"] = rounded(c.aside_mm, 2);
      d["broke"] = c.broke;
      d["axis_deg"] = rounded(toDegrees(c.axis_rad), 2);
      d["uncertainty"] = {{"mm", rounded(c.shift_95_mm, 2)}, {"axis_deg", rounded(toDegrees(c.axis_95_rad), 2)}};
    }
    d["words"] = c.words;
    j["devices"].push_back(d);
  }
  return j;
}

}  // namespace rayset
