// K-wires.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/units.h"
#include "fixation/device_model.h"

namespace rayset::device_kinds {
namespace {

using fixation::Rule;
using fixation::RuleBook;
using Shape = OutlineStretch::Shape;
using Section = OutlineStretch::Section;

/// Length of wire drawn outside the bone, mm; it is kept clear of screw heads and of the drill's sleeve.
constexpr double kStubMm = 20;

std::vector<OutlineStretch> outline(const Device& device, const ImplantType* /*type*/) {
  const double r = device.diameter_mm / 2, length = device.length_mm;
  const double point = std::min(4 * r, length / 2), tip = 0.3 * point;
  const Section blade{0.9 * r, 0.3 * r, std::sqrt(0.9 * 0.3) * r};
  return {{Shape::kCylinder, -kStubMm, length - point, OutlineStretch::circle(r), OutlineStretch::circle(r)},
          {Shape::kCone, length - point, length - tip, OutlineStretch::circle(r), blade},
          {Shape::kCone, length - tip, length, blade, OutlineStretch::circle(0)}};
}

Rule rule(const RuleBook& book, Ray ray, DeviceStage stage, std::shared_ptr<const path::Space> space) {
  const bool definitive = stage == DeviceStage::kDefinitive;
  Rule rule = book.withImplant(definitive ? fixation::kLateralWire : fixation::kHoldingWire, fmt::format("W{}", ray),
                               stage, ray);
  rule.what = Message("fixation.wire_ray", {{"ray", nameOf(ray)}});
  book.across(rule, ray, *space);
  rule.off_centre_weight = definitive ? 0.1 : 0.02;
  rule.deep_enough = 16;
  rule.depth_cap = 45;
  rule.tool.longest = 46;
  rule.band_from = 4;
  rule.band_to = 28;
  rule.good_from = 8;
  rule.good_to = 24;
  rule.sector_half = toRadians(70);
  if (ray == 1) {
    rule.sector_centre = toRadians(55);
    rule.sector_half = toRadians(75);
  } else if (ray == 5) {
    rule.sector_centre = toRadians(-55);
    rule.sector_half = toRadians(75);
  }
  rule.space = std::move(space);
  return rule;
}

}  // namespace

DeviceModel wire();
DeviceModel wire() {
  return {.kind = DeviceKind::kWire,
          .traits = {.word = "wire",
                     .words = "wires",
                     .cut_to_length = true,
                     .stub_mm = kStubMm,
                     .driver_mm = 1.5,
                     .fate = DeviceFate::kComesOut,
                     .mark = "M2 3v5h13",
                     .mark_filled = false},
          .outline = outline,
          .rule = rule};
}

}  // namespace rayset::device_kinds
