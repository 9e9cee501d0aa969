#include "xray/projection.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "anatomy/frames.h"
#include "base/units.h"

namespace rayset {

Vec2 ProjectionView::project(const Vec3& p) const {
  const Vec3 ray = p - source;
  const Vec3 at = source + ray * (sid() / ray.dot(normal())) - detector;
  return Vec2(at.dot(right), at.dot(down)) / pixel_mm;
}

Vec2 ProjectionView::principal() const {
  const Vec3 at = source - detector;
  return Vec2(at.dot(right), at.dot(down)) / pixel_mm;
}

ProjectionView ProjectionView::moved(const Rigid& X) const {
  ProjectionView v = *this;
  v.source = X * source;
  v.detector = X * detector;
  v.right = X.linear() * right;
  v.down = X.linear() * down;
  return v;
}

ProjectionView ProjectionView::binned(int factor) const {
  ProjectionView v = *this;
  v.detector = place((factor - 1) / 2.0, (factor - 1) / 2.0);
  v.pixel_mm = pixel_mm * factor;
  v.columns = columns / factor;
  v.rows = rows / factor;
  return v;
}

ProjectionView ProjectionView::cropped(int column, int row, int new_columns, int new_rows) const {
  ProjectionView v = *this;
  v.detector = place(column, row);
  v.columns = new_columns;
  v.rows = new_rows;
  return v;
}

namespace {

/// The lowest point of a bone along `down`, or of its distal third only.
Vec3 lowest(const Surface& bone, const Vec3& down) {
  Vec3 best = bone.vertices.front();
  for (const Vec3& v : bone.vertices)
    if (v.dot(down) > best.dot(down)) best = v;
  return best;
}

/// The lowest point of a metatarsal's head: of the last fifth of its length.
std::optional<Vec3> lowestOfHead(const BoneSurfaces& bones, Bone bone, const Vec3& distal, const Vec3& down) {
  const auto it = bones.find(bone);
  if (it == bones.end() || it->second.empty()) return std::nullopt;
  double low = 1e9, high = -1e9;
  for (const Vec3& v : it->second.vertices) {
    low = std::min(low, v.dot(distal));
    high = std::max(high, v.dot(distal));
  }
  if (high - low < 40) return std::nullopt;  // cut by the field of view: no head to stand on
  std::optional<Vec3> best;
  for (const Vec3& v : it->second.vertices) {
    if (v.dot(distal) < high - 0.2 * (high - low)) continue;
    if (!best || v.dot(down) > best->dot(down)) best = v;
  }
  return best;
}

}  // namespace

PlantarFrame plantarFrame(const BoneSurfaces& bones, const Frame& foot, Side side) {
  PlantarFrame result;
  Frame& f = result.frame;
  f.origin = foot.origin;
  if (const auto m3 = bones.find(Bone::kM3); m3 != bones.end() && !m3->second.empty())
    f.origin = basePoint(m3->second, foot.distal);

  // The ray slopes down to its head, so the plate's normal leans back from the ray's own dorsal direction.
  Vec3 dorsal = std::cos(kRaySlope) * foot.dorsal - std::sin(kRaySlope) * foot.distal;
  result.assumed = true;

  const auto heel = bones.find(Bone::kCal);
  if (heel != bones.end() && !heel->second.empty()) {
    // The plate that touches heel and heads: which points touch depends on the plate, so this is repeated a few times.
    for (int round = 0; round < 6; ++round) {
      const Vec3 down = -dorsal;
      const auto first = lowestOfHead(bones, Bone::kM1, foot.distal, down);
      const auto fifth = lowestOfHead(bones, Bone::kM5, foot.distal, down);
      if (!first || !fifth) break;
      const Vec3 at_heel = lowest(heel->second, down);
      if ((*first - at_heel).norm() < 60) break;  // a heel cut short by the field of view
      Vec3 normal = (*first - at_heel).cross(*fifth - at_heel).normalized();
      if (normal.dot(foot.dorsal) < 0) normal = -normal;
      if (normal.dot(foot.dorsal) < 0.5) break;  // no foot is like that: a bone is missing its end
      dorsal = normal;
      result.assumed = false;
    }
  }
  f.dorsal = dorsal;
  f.distal = (foot.distal - foot.distal.dot(dorsal) * dorsal).normalized();
  f.medial = side == Side::kRight ? Vec3(f.dorsal.cross(f.distal)) : Vec3(f.distal.cross(f.dorsal));
  result.ray_slope_rad = std::asin(std::clamp(-foot.distal.dot(dorsal), -1.0, 1.0));
  return result;
}

Result<ProjectionView> projectionView(const PlantarFrame& plate, const TubePose& tube) {
  const auto refuse = [](const Message& what, const Message& remedy) {
    return fail(Fault::kRequest, what, {}, remedy);
  };
  if (!(tube.oid_mm >= 0) || !(tube.sid_mm >= tube.oid_mm + 100) || !(tube.sid_mm <= 5000))
    return refuse("xray.tube_stands_too_near_too_far", Message("xray.source_image_distance_must_least_100"));
  if (!(tube.pixel_mm >= 0.02 && tube.pixel_mm <= 5))
    return refuse("xray.pixel_out_range", Message("xray.use_0_02_5_mm"));
  if (!(tube.width_mm >= 1 && tube.height_mm >= 1 && tube.width_mm <= 1000 && tube.height_mm <= 1000))
    return refuse("xray.detector_out_range", Message("xray.use_1_1000_mm_width_height"));
  if (!(std::abs(tube.orbital_rad) <= 2 * std::numbers::pi && std::abs(tube.tilt_rad) <= 2 * std::numbers::pi))
    return refuse("xray.tube_angle_out_range", Message("xray.use_360_360_degrees"));

  const Frame& f = plate.frame;
  // Towards the tube: tilted first in the sagittal plane, then rotated about the long axis.
  const Vec3 sagittal = std::cos(tube.tilt_rad) * f.dorsal + std::sin(tube.tilt_rad) * f.distal;
  const double along = sagittal.dot(f.distal), across = sagittal.dot(f.dorsal);
  const Vec3 to_tube =
      along * f.distal + across * (std::cos(tube.orbital_rad) * f.dorsal - std::sin(tube.orbital_rad) * f.medial);
  const Vec3 beam = -to_tube;

  ProjectionView v;
  v.pixel_mm = tube.pixel_mm;
  v.columns = std::max(1, static_cast<int>(std::lround(tube.width_mm / tube.pixel_mm)));
  v.rows = std::max(1, static_cast<int>(std::lround(tube.height_mm / tube.pixel_mm)));
  const bool sideways = std::abs(beam.dot(f.medial)) > std::numbers::sqrt2 / 2;
  Vec3 up = sideways ? f.dorsal : f.distal;
  if (std::abs(beam.dot(up)) > 0.99) up = sideways ? f.distal : f.dorsal;
  up = (up - up.dot(beam) * beam).normalized();
  v.down = -up;
  v.right = v.down.cross(beam);
  v.source = f.origin + to_tube * (tube.sid_mm - tube.oid_mm);
  v.detector = Vec3::Zero();
  const Vec3 middle = f.origin + beam * tube.oid_mm;
  v.detector = middle - tube.pixel_mm * ((v.columns - 1) / 2.0 * v.right + (v.rows - 1) / 2.0 * v.down);
  return v;
}

namespace {
constexpr std::array<std::pair<NamedView, std::string_view>, 6> kViewWords{{
    {NamedView::kDorsoplantar10, "dorsoplantar-10"},
    {NamedView::kDorsoplantar15, "dorsoplantar-15"},
    {NamedView::kDorsoplantar20, "dorsoplantar-20"},
    {NamedView::kOblique30, "oblique-30"},
    {NamedView::kLateral, "lateral"},
    {NamedView::kLateromedial, "lateromedial"},
}};
}  // namespace

std::string_view wordOf(NamedView view) {
  for (const auto& [known, word] : kViewWords)
    if (known == view) return word;
  return {};
}

std::optional<NamedView> namedViewFromWord(std::string_view word) {
  for (const auto& [view, known] : kViewWords)
    if (known == word) return view;
  return std::nullopt;
}

Message nameOf(NamedView view) {
  std::string code = "xray.view_";
  for (const char c : wordOf(view)) code += c == '-' ? '_' : c;
  return Message::made(std::move(code));
}

TubePose tubePose(NamedView view) {
  TubePose tube;
  switch (view) {
    case NamedView::kDorsoplantar10:
      tube.tilt_rad = toRadians(10);
      break;
    case NamedView::kDorsoplantar15:
      tube.tilt_rad = toRadians(15);
      break;
    case NamedView::kDorsoplantar20:
      tube.tilt_rad = toRadians(20);
      break;
    case NamedView::kOblique30:
      tube.orbital_rad = toRadians(30);
      break;
    case NamedView::kLateral:
      tube.orbital_rad = toRadians(-90);
      std::swap(tube.width_mm, tube.height_mm);
      break;
    case NamedView::kLateromedial:
      tube.orbital_rad = toRadians(90);
      std::swap(tube.width_mm, tube.height_mm);
      break;
  }
  return tube;
}

Result<std::pair<TubePose, Message>> tubeFromWord(const std::string& word) {
  if (const auto named = namedViewFromWord(word)) return std::pair(tubePose(*named), nameOf(*named));
  TubePose tube;
  std::size_t at = 0;
  while (at <= word.size()) {
    const std::size_t end = std::min(word.find(',', at), word.size());
    const std::string part = word.substr(at, end - at);
    at = end + 1;
    const std::size_t equals = part.find('=');
    const std::string key = part.substr(0, equals);
    const char* from = equals == std::string::npos ? part.c_str() + part.size() : part.c_str() + equals + 1;
    char* rest = nullptr;
    const double value = std::strtod(from, &rest);
    const bool number = rest != from && *rest == '\0' && std::isfinite(value);
    if (!number || (key != "orbital" && key != "tilt" && key != "sid" && key != "oid"))
      return fail(Fault::kRequest, Message("xray.no_view", {{"word", word}}), {},
                  Message("xray.use_dorsoplantar_10_dorsoplantar_15_dorsoplantar"));
    if (key == "orbital") tube.orbital_rad = toRadians(value);
    if (key == "tilt") tube.tilt_rad = toRadians(value);
    if (key == "sid") tube.sid_mm = value;
    if (key == "oid") tube.oid_mm = value;
  }
  if (std::abs(std::sin(tube.orbital_rad)) > 0.7) std::swap(tube.width_mm, tube.height_mm);
  return std::pair(tube, Message("xray.tube_angles", {{"orbital", number(toDegrees(tube.orbital_rad), 0)},
                                                      {"tilt", number(toDegrees(tube.tilt_rad), 0)}}));
}

}  // namespace rayset
