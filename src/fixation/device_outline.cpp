#include "fixation/device_outline.h"

#include <cmath>

#include "fixation/device_model.h"

namespace rayset {

std::vector<OutlineStretch> deviceOutline(const Device& device, const ImplantType* type) {
  std::vector<OutlineStretch> out = modelOf(device.kind).outline(device, type);
  std::erase_if(out, [](const OutlineStretch& s) { return !(s.to > s.from); });
  return out;
}

std::vector<OutlineRing> outlineRings(const Device& device, const ImplantType* type) {
  std::vector<OutlineRing> rings;
  for (const OutlineStretch& s : deviceOutline(device, type)) {
    if (rings.empty()) rings.push_back({s.from, s.begin.wide, s.begin.narrow});
    if (s.from < 0 && s.to > 0) rings.push_back({0, s.begin.wide, s.begin.narrow});  // where it enters the bone
    if (s.shape == OutlineStretch::Shape::kBall) {
      const double last = std::acos(s.end.round / s.begin.round);
      constexpr int kArc = 10;
      for (int i = 1; i <= kArc; ++i) {
        const double angle = last * i / kArc, radius = s.begin.round * std::cos(angle);
        rings.push_back({s.from + s.begin.round * std::sin(angle), radius, radius});
      }
    } else {
      rings.push_back({s.to, s.end.wide, s.end.narrow});
    }
  }
  return rings;
}

}  // namespace rayset
