#include "bones/confidence.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/median.h"

namespace rayset {
namespace {

// What counts as a doubt, and how much error it implies. Fitted to bench/confidence, docs/decisions/confidence.md.
constexpr double kTouchingFrom = 0.12;
constexpr double kMetalFrom = 0.01;
constexpr double kOutlineFrom = 0.85;
constexpr double kContrastFrom = 150;         // HU
constexpr double kContrastToNoiseFrom = 6;    // flagged below
constexpr double kContrastToNoiseClear = 10;  // costs nothing above
constexpr double kStrayFrom = 0.2;            // sound bones stray from their bent template by up to 0.16
constexpr double kMissFrom = 0.2;
constexpr double kMatchFrom = 0.66;
constexpr double kBuriedFrom = 0.002;  // sound bones without touching neighbours show up to 0.001
constexpr double kOpenEndFrom = 0.6;  // touching toes or tarsal bones cover up to 0.58 of a whole end; cut across: 0.72
constexpr double kLengthFrom =
    0.14;  // log: metatarsals of seven feet of four persons differ from the others by up to 0.123
constexpr double kStandsOffFrom =
    30;  // mm2: up to 16 on sound metatarsals of seven feet, 137 with a sesamoid taken along
constexpr double kDenseInsideFrom =
    5;  // mm3: up to 2 in sound bones of seven feet (28 scans), 15 and 17 with a sesamoid taken along
constexpr double kSmallest = 0.5, kLargest = 2.0;  // real feet differ from the template by up to 1.75

/// Error (mm) to expect from the fit of the shape.
double expectedFromShape(const TemplateEvidence& e, bool midfoot) {
  double mm = 0.08;
  // A piece of a neighbour included, or a piece lost to it.
  mm += 8.0 * std::max(0.0, e.strayed - kStrayFrom) + 4.0 * std::max(0.0, e.missed - kMissFrom);
  // Without a gap to a neighbour, the border is the template's alone.
  mm += 3.0 * e.strayed * e.touching;
  mm += 2.2 * std::max(0.0, kMatchFrom - e.match);
  mm += 1.0 * std::max(0.0, kOutlineFrom - e.outline);
  mm += 0.8 * e.metal;
  mm += 0.03 * std::max(0.0, kContrastToNoiseClear - e.contrast / std::max(1.0, e.noise));
  if (midfoot && e.cut == 0) {
    const double off = std::abs(std::log(std::max(1e-3, e.volume_ratio)));
    mm += 1.0 * std::max(0.0, off - std::log(1.75));
  }
  return mm;
}

/// Additional error (mm) to expect if the surface runs through bone: a border without evidence, an end cut off, or a
/// piece of a neighbour.
double expectedFromEnds(const TemplateEvidence& e) {
  return 25.0 * std::max(0.0, e.buried - kBuriedFrom) + 5.0 * std::max(0.0, e.open_end - kOpenEndFrom) +
         8.0 * std::max(0.0, std::abs(std::log(std::max(1e-3, e.length_ratio))) - kLengthFrom) +
         0.015 * std::max(0.0, e.stands_off_mm2 - kStandsOffFrom) +
         0.08 * std::max(0.0, e.dense_inside_mm3 - kDenseInsideFrom);
}

double confidenceAt(double mm) { return 1 / (1 + std::pow(mm / kDoubtfulErrorMm, 2)); }

Quantity share(double fraction) { return percent(100 * fraction); }

}  // namespace

Verdict verdictOn(const TemplateEvidence& e, bool midfoot) {
  Verdict v;
  const double shape = expectedFromShape(e, midfoot), ends = midfoot ? expectedFromEnds(e) : 0;
  v.shape = confidenceAt(shape);
  v.confidence = confidenceAt(shape + ends);
  const auto doubt = [&](Doubt d, const Message& text) {
    v.doubts.push_back(d);
    v.texts.push_back(text);
  };
  if (e.metal > kMetalFrom)
    doubt(Doubt::kMetal, Message("bones.surface_lies_within_4_mm_metal", {{"share", share(e.metal)}}));
  if (e.cut > 0) doubt(Doubt::kCropped, Message("bones.cut_field_view"));
  if (midfoot && e.cut == 0 && (e.volume_ratio < kSmallest || e.volume_ratio > kLargest))
    doubt(Doubt::kOddVolume, Message("bones.volume_what_rest_foot_suggests", {{"share", share(e.volume_ratio)}}));
  if (midfoot && (e.open_end > kOpenEndFrom || std::abs(std::log(std::max(1e-3, e.length_ratio))) > kLengthFrom))
    doubt(Doubt::kEndMissing,
          e.open_end > kOpenEndFrom
              ? Message("bones.bone_goes_beyond_one_end", {{"share", share(e.open_end)}})
              : Message("bones.length_what_other_metatarsals_suggest", {{"share", share(e.length_ratio)}}));
  if (midfoot && e.stands_off_mm2 > kStandsOffFrom)
    doubt(Doubt::kTakenAlong,
          Message("bones.surface_stand_more_off_shape_expected",
                  {{"stands_off", Quantity{e.stands_off_mm2, Unit::kMm2, 0}}, {"stands_off_mm", mm(kStandsOffMm, 0)}}));
  else if (midfoot && e.dense_inside_mm3 > kDenseInsideFrom)
    doubt(Doubt::kTakenAlong, Message("bones.what_looks_like_plates_joint_lies"));
  if (e.touching > kTouchingFrom) {
    doubt(Doubt::kTouching, Message("bones.surface_lies_against_other_bones_without", {{"share", share(e.touching)}}));
  } else if (v.confidence < kDoubtful && v.shape >= kDoubtful && v.doubts.empty()) {
    doubt(Doubt::kTouching, Message("bones.surface_run_through_bone_without_visible", {{"share", share(e.buried)}}));
  }
  if (e.contrast < kContrastFrom || e.contrast < kContrastToNoiseFrom * e.noise)
    doubt(Doubt::kLowDensity,
          Message("bones.stands_out_soft_tissue_only_noise",
                  {{"contrast", Quantity{e.contrast, Unit::kHu, 0}}, {"noise", Quantity{e.noise, Unit::kHu, 0}}}));
  if (e.outline < kOutlineFrom || (v.confidence < kDoubtful && v.doubts.empty()))
    doubt(Doubt::kFaintOutline, e.outline < kOutlineFrom
                                    ? Message("bones.outline_faint_shows_clear_edge", {{"share", share(e.outline)}})
                                    : Message("bones.outline_unsure_lies_away_shape_expected",
                                              {{"share", share(std::max(e.strayed, e.missed))}}));
  return v;
}

bool judgeTogether(std::vector<Verdict*>& foot) {
  if (foot.size() < 4) return false;
  std::vector<double> all;
  all.reserve(foot.size());
  for (const Verdict* v : foot) all.push_back(v->shape);
  const double middle = median(std::move(all));
  if (middle >= kDoubtful) return false;
  for (Verdict* v : foot) {
    v->confidence = std::min(v->confidence, middle);
    if (!v->doubts.empty()) continue;
    v->doubts.push_back(Doubt::kFaintOutline);
    v->texts.emplace_back(Message("bones.most_foot_fits_shape_expected_poorly"));
  }
  return true;
}

}  // namespace rayset
