#include "fixation/device_outline.h"

#include <algorithm>
#include <cmath>

namespace rayset {
namespace {

using Shape = OutlineStretch::Shape;
using Section = OutlineStretch::Section;

Section round(double radius) { return {radius, radius, radius}; }

std::vector<OutlineStretch> headed(const Device& device, const ImplantType& type) {
  const double r = device.diameter_mm / 2, length = device.length_mm;
  // A cylinder-edged hemisphere: flat top level with the cortex, spherical under-surface that sits in the countersunk
  // pocket.
  const double head = type.head_diameter_mm / 2, reach = std::sqrt(head * head - r * r);
  const double edge = std::max(0.05, type.head_height_mm - reach);
  const double point = std::min(1.2 * r, length / 4);
  return {{Shape::kCylinder, 0, edge, round(head), round(head)},
          {Shape::kBall, edge, edge + reach, round(head), round(r)},
          {Shape::kCylinder, edge + reach, length - point, round(r), round(r)},
          {Shape::kCone, length - point, length, round(r), round(0)}};
}

std::vector<OutlineStretch> headless(const Device& device) {
  const double r = device.diameter_mm / 2, length = device.length_mm;
  const double point = std::min(4 * r, length / 2), tip = 0.3 * point;
  const Section blade{0.9 * r, 0.3 * r, std::sqrt(0.9 * 0.3) * r};
  return {{Shape::kCylinder, -kWireStubMm, length - point, round(r), round(r)},
          {Shape::kCone, length - point, length - tip, round(r), blade},
          {Shape::kCone, length - tip, length, blade, round(0)}};
}

}  // namespace

std::vector<OutlineStretch> deviceOutline(const Device& device, const ImplantType* type) {
  std::vector<OutlineStretch> out =
      traits(device.kind).headed && type != nullptr ? headed(device, *type) : headless(device);
  std::erase_if(out, [](const OutlineStretch& s) { return !(s.to > s.from); });
  return out;
}

}  // namespace rayset
