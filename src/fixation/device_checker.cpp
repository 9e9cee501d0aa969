#include "fixation/device_checker.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>

#include "anatomy/part_id.h"
#include "fixation/check_words.h"
#include "fixation/construct_request.h"
#include "fixation/device_body.h"
#include "fixation/device_inspector.h"

namespace rayset {
namespace {

using namespace fixation;
using path::Space;
using SpacePtr = std::shared_ptr<const Space>;

// The bones it passes through, as a key.
std::string throughOf(const Device& device) { return fmt::format("{}", fmt::join(device.through, ">")); }

// Where a line drawn from `entry` enters the first bone, along the line; the nearest if there are several.
std::optional<double> entryAlong(const Space& space, const Vec3& entry, const Vec3& direction) {
  constexpr double kBackMm = 25;  // a line drawn with its entry farther off than this means something else
  std::optional<double> at;
  for (const auto& hit : space.first_mesh->all(entry - kBackMm * direction, direction, 2 * kBackMm))
    if (hit.entering && (!at || std::abs(hit.distance - kBackMm) < std::abs(*at))) at = hit.distance - kBackMm;
  return at;
}

// Sets the length of this type that a line from the cortex to the drawn tip asks for, and what depends on it.
Status takeLength(Device& device, const ImplantType& type, double drawn_mm) {
  // Points are stored to a thousandth and the entry is snapped to the cortex again: neither may lose a requested size.
  constexpr double kSlackMm = 0.05;
  const double asked = drawn_mm + kSlackMm;
  if (!traits(type.kind).cut_to_length) {
    device.length_mm = type.longestWithin(asked);
    device.countersink_mm = type.head_height_mm;
    if (device.length_mm <= 0)
      return fail(Fault::kRequest,
                  Message("fixation.would_long", {{"id", device.id}, {"asked", mm(std::max(0.0, asked))}}), "tip",
                  Message("fixation.shortest_draw_tip_deeper",
                          {{"name", type.name}, {"lengths", mm(type.lengths_mm.front(), -1)}}));
  } else {
    device.length_mm = std::floor(std::min(asked, type.lengths_mm.back() - traits(type.kind).stub_mm));
    device.countersink_mm = 0;
    if (device.length_mm < kLeastWireMm)
      return fail(Fault::kRequest,
                  Message("fixation.would_go_deep", {{"id", device.id}, {"asked", mm(std::max(0.0, asked))}}), "tip",
                  Message("fixation.wire_goes_least_deep_draw_tip", {{"least_wire_mm", mm(kLeastWireMm, -1)}}));
  }
  device.tip = device.entry + device.length_mm * device.direction;
  return {};
}

// The hole is drilled as deep as allowed if that depth gives this length, else as deep as the device is long.
double drilledDepth(const Device& device, const ImplantType& type, const Rule& rule) {
  const path::Reading r = path::read(*rule.space, device.entry, device.direction, rule.tool, 0.1);
  const double usable = r.crosses ? std::min(r.usable, rule.depth_cap) : device.length_mm;
  const double sold = traits(type.kind).cut_to_length ? std::floor(usable) : type.longestWithin(usable);
  return sold > device.length_mm ? device.length_mm : usable;
}

}  // namespace

struct DeviceChecker::Impl {
  ConstructInput input;
  Catalogue catalogue;
  ConstructSettings settings;
  ReducedFoot foot{input, ReducedFoot::Beside::kLeftOut};
  RuleBook book{input, catalogue, settings, foot};
  DeviceInspector inspector{input, catalogue, foot};
  std::map<std::string, SpacePtr> spaces;                     // by the bones passed through; null if there is none
  std::map<std::string, std::optional<Rule>> rules;           // by what determines the rule
  std::vector<std::shared_ptr<const DeviceChecker>> adopted;  // own the fields of adopted rules

  Impl(ConstructInput in, Catalogue c, ConstructSettings s)
      : input(std::move(in)), catalogue(std::move(c)), settings(std::move(s)) {}

  // Makes, in parallel, the missing spaces that the devices pass through.
  void makeSpaces(const std::vector<Device>& devices) {
    std::vector<Bone> own;
    for (const Device& d : devices)
      for (const std::string& id : d.through)
        if (const auto b = boneFromId(parentId(id))) own.push_back(*b);
    foot.makeFields(own);
    std::vector<std::pair<const Device*, SpacePtr>> fresh;
    for (const Device& d : devices)
      if (d.through.size() == 2 && spaces.try_emplace(throughOf(d)).second) fresh.emplace_back(&d, nullptr);
    tbb::parallel_for(std::size_t{0}, fresh.size(),
                      [&](std::size_t n) { fresh[n].second = foot.spaceOf(*fresh[n].first); });
    for (auto& [device, space] : fresh) spaces[throughOf(*device)] = std::move(space);
  }

  std::optional<Rule> makeRule(const Device& d) {
    if (d.through.size() != 2) return std::nullopt;
    makeSpaces({d});
    const SpacePtr& space = spaces.at(throughOf(d));
    return space ? std::optional(book.of(d, space)) : std::nullopt;
  }

  const Rule* rule(const Device& d) {
    const std::string key =
        fmt::format("{}|{}|{}|{}|{}", d.ray, traits(d.kind).word, word(d.stage), d.type, throughOf(d));
    auto known = rules.find(key);
    if (known == rules.end()) known = rules.emplace(key, makeRule(d)).first;
    return known->second ? &*known->second : nullptr;
  }

  void forget(Bone b) {
    foot.forget(b);
    inspector.forget(b);
    // "M2>C2", "M2.1>M2": the character after an id distinguishes them.
    const std::string id(boneId(b));
    std::erase_if(spaces, [&](const auto& entry) {
      const std::string text = ">" + entry.first + ">";
      return text.find(">" + id + ">") != std::string::npos || text.find(">" + id + ".") != std::string::npos;
    });
  }
};

DeviceChecker::DeviceChecker(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
DeviceChecker::~DeviceChecker() = default;
DeviceChecker::DeviceChecker(DeviceChecker&&) noexcept = default;
DeviceChecker& DeviceChecker::operator=(DeviceChecker&&) noexcept = default;

Result<DeviceChecker> DeviceChecker::make(ConstructInput input, Catalogue catalogue, ConstructSettings settings) {
  if (const Status ok = validRequest(input, catalogue, settings); !ok) return tl::unexpected(ok.error());
  return DeviceChecker(std::make_unique<Impl>(std::move(input), std::move(catalogue), std::move(settings)));
}

Result<DeviceChecks> DeviceChecker::check(const Device& device, const std::vector<Device>& all) {
  const Rule* rule = impl_->rule(device);
  if (rule == nullptr) return notToBeChecked(device);
  return impl_->inspector.checks(device, all, *rule);
}

Result<Device> DeviceChecker::drawn(const Device& device, const std::string& type_id, const Vec3& entry,
                                    const Vec3& tip) {
  const ImplantType* type = impl_->catalogue.find(type_id);
  if (type == nullptr)
    return fail(Fault::kRequest, Message("fixation.implant_catalogue_has_no_2", {{"type_id", type_id}}), "type",
                Message("fixation.choose_one_catalogue"));
  if (type->kind != device.kind)
    return fail(Fault::kRequest,
                Message("fixation.is_a_and_is_a", {{"id", device.id},
                                                   {"word", nameOfKey(traits(device.kind).word)},
                                                   {"name", type->name},
                                                   {"word_2", nameOfKey(traits(type->kind).word)}}),
                "type", Message("fixation.choose_another", {{"word", nameOfKey(traits(device.kind).word)}}));
  const double drawn_mm = (tip - entry).norm();
  if (!(drawn_mm >= 2))
    return fail(Fault::kRequest, Message("fixation.line_long", {{"id", device.id}, {"drawn", mm(drawn_mm)}}), "tip",
                Message("fixation.draw_cortex_where_tip_should_least"));
  Device out = device;
  out.type = type->id;
  out.diameter_mm = type->diameter_mm;
  out.direction = (tip - entry) / drawn_mm;
  const Rule* rule = impl_->rule(out);
  if (rule == nullptr) return notToBeChecked(device);
  const auto at = entryAlong(*rule->space, entry, out.direction);
  if (const std::string& first = device.through.front(); !at)
    return fail(Fault::kRequest, Message("fixation.line_does_not_enter", {{"id", device.id}, {"first", first}}),
                "entry", Message("fixation.move_until_does_planned", {{"id", device.id}, {"first", first}}));
  out.entry = entry + *at * out.direction;
  if (const Status ok = takeLength(out, *type, drawn_mm - *at); !ok) return tl::unexpected(ok.error());
  out.measured_depth_mm = drilledDepth(out, *type, *rule);
  return out;
}

DeviceChecker::Neighbour DeviceChecker::nearest(const Device& device, const std::vector<Device>& all) const {
  Neighbour least;
  const DeviceBody body = bodyOf(device, impl_->catalogue);
  for (const Device& other : all) {
    if (other.id == device.id) continue;
    const double gap = bodyGap(body, bodyOf(other, impl_->catalogue));
    if (gap < least.mm) least = {other.id, gap};
  }
  return least;
}

bool DeviceChecker::enters(const Device& device, Bone bone) const { return impl_->inspector.enters(device, bone); }
bool DeviceChecker::mayEnter(const Device& device, Bone bone) const { return impl_->inspector.mayEnter(device, bone); }

std::vector<Message> DeviceChecker::warnings(const Device& device) const {
  return warningsOf(device, impl_->settings, hasImage());
}

const ConstructSettings& DeviceChecker::settings() const { return impl_->settings; }

void DeviceChecker::moved(Bone bone, const Rigid& injured_to_reduced, const std::map<std::string, Surface>& fragments) {
  impl_->input.injured_to_reduced[bone] = injured_to_reduced;
  const std::string id(boneId(bone));
  const auto own = [&](const std::string& part) { return parentId(part) == id; };
  for (const auto& [part, surface] : fragments)
    if (own(part)) impl_->input.fragments[part] = surface;
  std::erase_if(impl_->rules, [&](const auto& entry) {
    const auto& rule = entry.second;
    return !rule || std::any_of(rule->device.through.begin(), rule->device.through.end(), own);
  });
  impl_->forget(bone);
}

void DeviceChecker::prepare(const std::vector<Device>& devices) {
  impl_->makeSpaces(devices);
  for (const Device& d : devices) (void)impl_->rule(d);
}

void DeviceChecker::adopt(std::shared_ptr<const DeviceChecker> other) {
  for (const auto& [key, rule] : other->impl_->rules) impl_->rules.emplace(key, rule);
  impl_->adopted.push_back(std::move(other));
}

void DeviceChecker::setImage(const CtVolume* ct) { impl_->input.ct = ct; }
bool DeviceChecker::hasImage() const { return impl_->input.ct != nullptr; }

}  // namespace rayset
