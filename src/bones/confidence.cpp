#include "bones/confidence.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace rayset {
namespace {

// What counts as a doubt, and how much error it stands for. Fitted to bench/confidence, docs/decisions/confidence.md.
constexpr double kTouchingFrom = 0.12;
constexpr double kMetalFrom = 0.01;
constexpr double kOutlineFrom = 0.85;
constexpr double kContrastFrom = 150;         // HU
constexpr double kContrastToNoiseFrom = 6;    // flagged below
constexpr double kContrastToNoiseClear = 10;  // costs nothing above
constexpr double kStrayFrom = 0.09;           // a sound bone differs from its bent template so far
constexpr double kMatchFrom = 0.85;
constexpr double kSmallest = 0.5, kLargest = 2.0;  // real feet differ from the template by up to 1.75

/// Mean surface error (mm) that the evidence lets expect.
double expectedError(const BoneEvidence& e, bool midfoot) {
  double mm = 0.08;
  mm += 6.0 * std::max(0.0, std::max(e.strayed, e.missed) - kStrayFrom);
  mm += 0.5 * std::max(0.0, kMatchFrom - e.match);
  mm += 1.0 * std::max(0.0, kOutlineFrom - e.outline);
  mm += 0.8 * e.metal;
  mm += 0.03 * std::max(0.0, kContrastToNoiseClear - e.contrast / std::max(1.0, e.noise));
  if (midfoot && e.cut == 0) {
    const double off = std::abs(std::log(std::max(1e-3, e.volume_ratio)));
    mm += 1.0 * std::max(0.0, off - std::log(1.75));
  }
  return mm;
}

std::string percent(double fraction) { return fmt::format("{:.0f} %", 100 * fraction); }

}  // namespace

std::string_view doubtWord(Doubt doubt) {
  switch (doubt) {
    case Doubt::kTouching:
      return "touching";
    case Doubt::kCropped:
      return "cropped";
    case Doubt::kMetal:
      return "metal";
    case Doubt::kLowDensity:
      return "low density";
    case Doubt::kFaintOutline:
      return "faint outline";
    case Doubt::kOddVolume:
      return "odd volume";
    case Doubt::kNotFound:
      return "not found";
  }
  return {};
}

Verdict judge(const BoneEvidence& e, bool midfoot) {
  Verdict v;
  const double off = expectedError(e, midfoot) / kDoubtfulErrorMm;
  v.confidence = 1 / (1 + off * off);
  const auto doubt = [&](Doubt d, const std::string& text) {
    v.doubts.push_back(d);
    v.text += (v.text.empty() ? "" : "; ") + text;
  };
  if (e.metal > kMetalFrom) doubt(Doubt::kMetal, percent(e.metal) + " of its surface lies within 4 mm of metal");
  if (e.cut > 0) doubt(Doubt::kCropped, "cut by the field of view");
  if (midfoot && e.cut == 0 && (e.volume_ratio < kSmallest || e.volume_ratio > kLargest))
    doubt(Doubt::kOddVolume,
          fmt::format("its volume is {} of what the rest of the foot suggests", percent(e.volume_ratio)));
  if (e.touching > kTouchingFrom)
    doubt(Doubt::kTouching, percent(e.touching) + " of its surface lies against other bones without a visible gap");
  if (e.contrast < kContrastFrom || e.contrast < kContrastToNoiseFrom * e.noise)
    doubt(Doubt::kLowDensity, fmt::format("it stands out from soft tissue by {:.0f} HU only, with noise of {:.0f} HU",
                                          e.contrast, e.noise));
  if (e.outline < kOutlineFrom || (v.confidence < kDoubtful && v.doubts.empty()))
    doubt(Doubt::kFaintOutline,
          e.outline < kOutlineFrom
              ? fmt::format("its outline is faint: {} of it shows a clear edge", percent(e.outline))
              : fmt::format("its outline is unsure: {} of it lies away from the shape expected",
                            percent(std::max(e.strayed, e.missed))));
  return v;
}

}  // namespace rayset
