// Cortex screws.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/units.h"
#include "fixation/check_words.h"
#include "fixation/device_model.h"

namespace rayset::device_kinds {
namespace {

using fixation::Rule;
using fixation::RuleBook;
using Shape = OutlineStretch::Shape;

std::vector<OutlineStretch> outline(const Device& device, const ImplantType* type) {
  if (type == nullptr) return modelOf(DeviceKind::kWire).outline(device, type);  // without a head
  const double r = device.diameter_mm / 2, length = device.length_mm;
  // A cylinder-edged hemisphere: flat top level with the cortex, spherical under-surface that sits in the countersunk
  // pocket.
  const double head = type->head_diameter_mm / 2, reach = std::sqrt(head * head - r * r);
  const double edge = std::max(0.05, type->head_height_mm - reach);
  const double point = std::min(1.2 * r, length / 4);
  return {{Shape::kCylinder, 0, edge, OutlineStretch::circle(head), OutlineStretch::circle(head)},
          {Shape::kBall, edge, edge + reach, OutlineStretch::circle(head), OutlineStretch::circle(r)},
          {Shape::kCylinder, edge + reach, length - point, OutlineStretch::circle(r), OutlineStretch::circle(r)},
          {Shape::kCone, length - point, length, OutlineStretch::circle(r), OutlineStretch::circle(0)}};
}

Rule rule(const RuleBook& book, Ray ray, DeviceStage stage, std::shared_ptr<const path::Space> space) {
  Rule rule = book.withImplant(fixation::kScrew, fmt::format("S{}", ray), stage, ray);
  rule.what = Message("fixation.screw_ray", {{"ray", nameOf(ray)}});
  rule.wanted_in_last = kLeastThreadMm + 1;  // rounding down to a stocked length costs a millimetre on average
  book.across(rule, ray, *space);
  rule.off_centre_weight = 0.12;
  rule.deep_enough = 30;
  // Start about 15 to 20 mm distal to the joint on the dorsal cortex (common practice, memory-high; mm memory-medium).
  rule.band_from = book.settings().joint_bridge_mm;
  rule.band_to = 24;
  rule.good_from = 15;
  rule.good_to = 20;
  rule.sector_half = toRadians(45);
  if (ray == 1) {
    rule.sector_centre = toRadians(15);  // away from the artery and nerve over the first interspace
    rule.good_from = 12;
    rule.good_to = 17;
    rule.along = book.alongCuneiform(*space);
    rule.along_weight = 0.25;
  } else if (ray == 4) {
    rule.along = -rule.ray.distal;
    rule.along_weight = 0.25;
  } else if (ray == 5) {
    // The fifth base is broad and its joint faces obliquely backwards: the approach is from its lateral side.
    rule.sector_centre = toRadians(-50);
    rule.sector_half = toRadians(55);
    rule.good_from = book.settings().joint_bridge_mm;
    rule.good_to = 16;
    rule.shaft_angle = toRadians(45);  // about 45 degrees to its shaft (common practice, no source)
  }
  rule.space = std::move(space);
  return rule;
}

}  // namespace

DeviceModel screw();
DeviceModel screw() {
  return {.kind = DeviceKind::kScrew,
          .traits = {.word = "screw",
                     .words = "screws",
                     .threaded = true,
                     .headed = true,
                     .driver_mm = 3.5,
                     .mark = "M2 3h4v10H2zM6 6.5h8.5v3H6z"},
          .outline = outline,
          .rule = rule};
}

}  // namespace rayset::device_kinds
