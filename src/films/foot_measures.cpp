// The measures of one foot on one film. Each is a function of landmarks in millimetres; its uncertainty follows from
// the partial derivatives with respect to each landmark it uses, taken numerically.
#include <fmt/format.h>

#include <cmath>
#include <functional>
#include <set>

#include "anatomy/bones.h"
#include "base/units.h"
#include "films/foot_frame.h"

namespace rayset::films {
namespace {

constexpr double kTwoSided95 = 1.959963984540054;
// Without a floor line the floor is assumed to follow the picture's rows to within this (95 %); ours.
constexpr double kFloorError_rad = 0.035;

class Bench {
 public:
  Bench(const MeasuredFilm& film, const MeasuredFoot& foot, const FootFrame& frame, const Vec2& mm, bool lengths)
      : film_(film), foot_(foot), frame_(frame), mm_(mm), lengths_(lengths) {
    for (const PlacedLandmark& l : foot.landmarks) points_[l.name] = l.used.cwiseProduct(mm);
  }

  [[nodiscard]] bool has(std::initializer_list<std::string_view> names) const {
    for (const auto& name : names)
      if (points_.find(name) == points_.end()) return false;
    return true;
  }
  /// The point; the function being differentiated sees it moved.
  [[nodiscard]] Vec2 p(std::string_view name) {
    used_.emplace(name);
    const auto it = points_.find(name);
    return name == moved_ ? Vec2(it->second + move_) : it->second;
  }
  [[nodiscard]] Vec2 across() const { return frame_.across; }
  [[nodiscard]] Vec2 distal() const { return frame_.distal; }
  [[nodiscard]] Vec2 pixel(const Vec2& point_mm) const { return point_mm.cwiseQuotient(mm_); }

  /// Normal of the line a-b on the lateral (dorsal) side.
  [[nodiscard]] Vec2 normal(const Vec2& a, const Vec2& b) const {
    const Vec2 d = (b - a).normalized();
    const Vec2 n(-d.y(), d.x());
    return n.dot(across()) >= 0 ? n : Vec2(-n);
  }
  /// How far `point` lies lateral (dorsal) of the line a-b.
  [[nodiscard]] double offset(std::string_view point, std::string_view a, std::string_view b) {
    const Vec2 start = p(a), end = p(b);
    return (p(point) - start).dot(normal(start, end));
  }

  struct What {
    std::string key;
    Message name, definition;
    std::string unit = "mm";
    Message note = {};
    double extra_95 = 0;  ///< further uncertainty, in the unit
  };
  FilmMeasure* measure(const What& what, const std::function<double()>& value) {
    if (what.unit == "mm" && !lengths_) return nullptr;
    moved_ = {};
    used_.clear();
    const double here = value();
    if (!std::isfinite(here)) return nullptr;
    const auto used = used_;
    double variance = 0;
    constexpr double kStep = 1e-3;
    for (const std::string& name : used) {
      const PlacedLandmark& l = *foot_.find(name);
      for (const auto& [way, sd] : {std::pair{l.out, l.sd_mm}, {Vec2(-l.out.y(), l.out.x()), l.sd_along_mm}}) {
        moved_ = name;
        move_ = kStep * way;
        const double slope = (value() - here) / kStep;
        variance += slope * slope * sd * sd;
      }
    }
    moved_ = {};
    FilmMeasure m;
    m.key = what.key;
    m.name = what.name;
    m.definition = what.definition;
    m.unit = what.unit;
    m.note = what.note;
    m.side = foot_.side;
    m.view = film_.view;
    m.value = here;
    const double scale = what.unit == "mm" ? here * film_.spacing.relative_95 : 0;
    m.uncertainty = std::sqrt(kTwoSided95 * kTwoSided95 * variance + scale * scale + what.extra_95 * what.extra_95);
    out.push_back(std::move(m));
    return &out.back();
  }

  void line(FilmMeasure* m, FilmLine::Kind kind, const Vec2& from_mm, const Vec2& to_mm) const {
    if (m != nullptr) m->lines.push_back({kind, pixel(from_mm), pixel(to_mm)});
  }
  void label(FilmMeasure* m, const Vec2& at_mm) const {
    if (m != nullptr) m->label = pixel(at_mm);
  }

  std::vector<FilmMeasure> out;

 private:
  const MeasuredFilm& film_;
  const MeasuredFoot& foot_;
  const FootFrame& frame_;
  Vec2 mm_;
  bool lengths_;
  PointsMm points_;
  std::set<std::string, std::less<>> used_;
  std::string moved_;
  Vec2 move_ = Vec2::Zero();
};

/// The border a-b as drawn: a little longer at both ends, and on to the level of `past`.
void drawBorder(Bench& b, FilmMeasure* m, const Vec2& from, const Vec2& to, const Vec2& past) {
  const Vec2 d = (to - from).normalized();
  const double least = std::min(0.0, (past - from).dot(d)), most = std::max((to - from).dot(d), (past - from).dot(d));
  b.line(m, FilmLine::Kind::kBorder, from + (least - 1.5) * d, from + (most + 1.5) * d);
}

/// Distance across a gap: from a point to a border beyond it.
void gap(Bench& b, const char* key, const Message& name, const Message& definition, std::string_view point,
         std::string_view border_proximal, std::string_view border_distal) {
  if (!b.has({point, border_proximal, border_distal})) return;
  FilmMeasure* m = b.measure({key, name, definition}, [&] { return -b.offset(point, border_proximal, border_distal); });
  if (m == nullptr) return;
  const Vec2 from = b.p(border_proximal), to = b.p(border_distal), at = b.p(point);
  const Vec2 foot = at + m->value * b.normal(from, to);
  drawBorder(b, m, from, to, foot);
  b.line(m, FilmLine::Kind::kMeasure, at, foot);
  b.label(m, 0.5 * (at + foot));
}

/// Offset of a metatarsal's corner from the border of its tarsal bone.
void step(Bench& b, const std::string& key, const Message& name, const Message& definition, const std::string& point,
          const std::string& proximal, const std::string& distal, const Message& note = {}) {
  if (!b.has({point, proximal, distal})) return;
  FilmMeasure* m = b.measure({key, name, definition, "mm", note}, [&] { return b.offset(point, proximal, distal); });
  if (m == nullptr) return;
  const Vec2 from = b.p(proximal), to = b.p(distal), at = b.p(point);
  drawBorder(b, m, from, to, at);
  b.line(m, FilmLine::Kind::kMeasure, at, at - m->value * b.normal(from, to));
  b.label(m, at);
}

Vec2 bisector(Bench& b, std::string_view a, std::string_view c, std::string_view d, std::string_view e) {
  return ((b.p(c) - b.p(a)).normalized() + (b.p(e) - b.p(d)).normalized()).normalized();
}

/// Angle from `axis` to `other`, positive towards the across side.
double angle(Bench& b, const Vec2& axis, const Vec2& other) {
  Vec2 n(-axis.y(), axis.x());
  if (n.dot(b.across()) < 0) n = -n;
  return toDegrees(std::atan2(other.dot(n), other.dot(axis)));
}

void drawAngle(Bench& b, FilmMeasure* m, const Vec2& talus_middle, const Vec2& talus_axis, const Vec2& base,
               const Vec2& head) {
  if (m == nullptr) return;
  const double length = (base - talus_middle).norm();
  b.line(m, FilmLine::Kind::kAxis, talus_middle - 0.4 * length * talus_axis, talus_middle + 1.2 * length * talus_axis);
  b.line(m, FilmLine::Kind::kAxis, base - 0.2 * (head - base), head);
  b.label(m, base + 0.35 * (head - base));
}

void dorsoplantar(Bench& b) {
  gap(b, "c1_m2_distance", "C1–M2 distance", Message("films.distal_lateral_corner_medial_cuneiform_right"),
      "C1.lateral.distal", "M2.medial.proximal", "M2.medial.distal");
  gap(b, "m1_m2_distance", Message("films.m1_m2_distance_bases"),
      Message("films.lateral_corner_base_first_metatarsal_right"), "M1.lateral.proximal", "M2.medial.proximal",
      "M2.medial.distal");
  step(b, "m1_c1_lateral_border", Message("films.m1_c1_lateral_borders"),
       Message("films.how_far_lateral_corner_first_metatarsals"), "M1.lateral.proximal", "C1.lateral.proximal",
       "C1.lateral.distal");
  step(b, "m2_c2_medial_border", Message("films.m2_c2_medial_borders"),
       Message("films.how_far_medial_corner_second_metatarsals"), "M2.medial.proximal", "C2.medial.proximal",
       "C2.medial.distal");
  if (b.has({"Nav.medial", "C1.medial", "M1.medial.proximal", "M1.lateral.proximal"})) {
    FilmMeasure* m =
        b.measure({"medial_column_line", Message("films.medial_column_line"),
                   Message("films.line_along_most_medial_points_navicular")},
                  [&] {
                    const Vec2 n = b.p("Nav.medial"), d = b.p("C1.medial") - n;
                    const Vec2 medial = b.p("M1.medial.proximal"), base = b.p("M1.lateral.proximal") - medial;
                    const double cross = d.x() * base.y() - d.y() * base.x();
                    if (std::abs(cross) < 1e-6 * d.norm() * base.norm()) return std::nan("");
                    const Vec2 w = medial - n;
                    const double t = (w.x() * d.y() - w.y() * d.x()) / cross;  // along the base, 0 at its medial corner
                    return std::min(t, 1 - t) * base.norm();
                  });
    if (m != nullptr) {
      const Vec2 from = b.p("Nav.medial"), to = b.p("C1.medial");
      const Vec2 medial = b.p("M1.medial.proximal"), lateral = b.p("M1.lateral.proximal");
      drawBorder(b, m, from, to, 0.5 * (medial + lateral));
      b.line(m, FilmLine::Kind::kMeasure, medial, lateral);
      b.label(m, medial);
    }
  }
  if (b.has({"Tal.medial.proximal", "Tal.medial.distal", "Tal.lateral.proximal", "Tal.lateral.distal", "M1.head",
             "M1.medial.proximal", "M1.lateral.proximal"})) {
    const auto talus = [&] {
      return bisector(b, "Tal.medial.proximal", "Tal.medial.distal", "Tal.lateral.proximal", "Tal.lateral.distal");
    };
    const auto base = [&] { return Vec2(0.5 * (b.p("M1.medial.proximal") + b.p("M1.lateral.proximal"))); };
    FilmMeasure* m = b.measure({"talo_m1_dorsoplantar", Message("films.talo_first_metatarsal_angle_dorsoplantar"),
                                Message("films.between_axis_talus_bisector_medial_lateral"), "deg"},
                               [&] { return angle(b, talus(), b.p("M1.head") - base()); });
    const Vec2 middle = 0.5 * (b.p("Tal.medial.distal") + b.p("Tal.lateral.distal"));
    drawAngle(b, m, middle, talus(), base(), b.p("M1.head"));
  }
}

void oblique(Bench& b) {
  step(b, "m3_c3_medial_border", Message("films.m3_c3_medial_borders"),
       Message("films.how_far_medial_corner_third_metatarsals"), "M3.medial.proximal", "C3.medial.proximal",
       "C3.medial.distal", Message("films.sources_differ_border_third_ray_counts"));
  step(b, "m3_c3_lateral_border", Message("films.m3_c3_lateral_borders"),
       Message("films.how_far_lateral_corner_third_metatarsals"), "M3.lateral.proximal", "C3.lateral.proximal",
       "C3.lateral.distal", Message("films.sources_differ_border_third_ray_counts"));
  step(b, "m4_cub_medial_border", Message("films.m4_cuboid_medial_borders"),
       Message("films.how_far_medial_corner_fourth_metatarsals"), "M4.medial.proximal", "Cub.medial.proximal",
       "Cub.medial.distal");
  step(b, "m5_cub_lateral_offset", Message("films.m5_tuberosity_against_cuboid"),
       Message("films.how_far_tip_fifth_metatarsals_tuberosity"), "M5.lateral", "Cub.lateral.proximal",
       "Cub.lateral.distal", Message("films.tuberosity_overhangs_every_foot_only_difference"));
}

void lateral(Bench& b, bool loaded) {
  for (const Ray ray : kRays) {
    const std::string m(boneId(metatarsal(ray))), t(boneId(tarsalPartner(ray)));
    step(b, fmt::format("dorsal_step_{}", ray),
         Message("films.dorsal_step", {{"m", m}, {"t", t == "Cub" ? Value(nameOf(Bone::kCub)) : Value(t)}}),
         Message("films.how_far_dorsal_corner_metatarsals_base",
                 {{"ray", nameOf(ray)}, {"partner", nameOf(tarsalPartner(ray))}}),
         m + ".dorsal.proximal", t + ".dorsal.proximal", t + ".dorsal.distal");
  }
  const bool floor = b.has({"Floor.proximal", "Floor.distal"});
  // Without a floor line: along the picture's rows, if the foot is close enough to them for that to be credible.
  const bool rows = std::abs(b.distal().x()) > 0.8;
  const auto ground = [&]() -> Vec2 {
    if (floor) return (b.p("Floor.distal") - b.p("Floor.proximal")).normalized();
    return {b.distal().x() > 0 ? 1.0 : -1.0, 0.0};
  };
  const auto up = [&]() -> Vec2 {
    const Vec2 g = ground();
    const Vec2 n(-g.y(), g.x());
    return n.dot(b.across()) >= 0 ? n : Vec2(-n);
  };
  const Message no_floor = floor ? Message() : Message("films.no_floor_line_placed_rows_picture");
  if ((floor || rows) && b.has({"C1.plantar", "M5.plantar"})) {
    const double apart = std::abs((b.p("C1.plantar") - b.p("M5.plantar")).dot(ground()));
    FilmMeasure* m = b.measure(
        {"m5_c1_height", Message("films.arch_height_c1_above_m5"),
         Message("films.height_above_floor_lowest_point_medial"), "mm", no_floor, floor ? 0 : apart * kFloorError_rad},
        [&] { return (b.p("C1.plantar") - b.p("M5.plantar")).dot(up()); });
    if (m != nullptr) {
      const Vec2 c1 = b.p("C1.plantar"), m5 = b.p("M5.plantar"), g = ground();
      const Vec2 below = c1 - m->value * up();
      b.line(m, FilmLine::Kind::kMeasure, c1, below);
      b.line(m, FilmLine::Kind::kBorder, m5 - 4 * g, below + 4 * g * ((below - m5).dot(g) >= 0 ? 1 : -1));
      b.label(m, 0.5 * (c1 + below));
    }
  }
  if (!b.has({"M1.head", "M1.dorsal.proximal", "M1.plantar.proximal"})) return;
  const auto base = [&] { return Vec2(0.5 * (b.p("M1.dorsal.proximal") + b.p("M1.plantar.proximal"))); };
  if (b.has({"Tal.dorsal.proximal", "Tal.dorsal.distal", "Tal.plantar.proximal", "Tal.plantar.distal"})) {
    const auto talus = [&] {
      return bisector(b, "Tal.dorsal.proximal", "Tal.dorsal.distal", "Tal.plantar.proximal", "Tal.plantar.distal");
    };
    FilmMeasure* m = b.measure({"talo_m1_lateral", Message("films.talo_first_metatarsal_angle_lateral"),
                                Message("films.between_axis_talus_bisector_dorsal_plantar"), "deg",
                                loaded ? "" : Message("films.published_grades_weight_bearing_films")},
                               [&] { return angle(b, talus(), b.p("M1.head") - base()); });
    const Vec2 middle = 0.5 * (b.p("Tal.dorsal.distal") + b.p("Tal.plantar.distal"));
    drawAngle(b, m, middle, talus(), base(), b.p("M1.head"));
  }
  if (floor || rows) {
    FilmMeasure* m = b.measure({"m1_declination", Message("films.declination_first_metatarsal"),
                                Message("films.how_steeply_axis_first_metatarsal_goes"), "deg", no_floor,
                                floor ? 0 : toDegrees(kFloorError_rad)},
                               [&] {
                                 const Vec2 d = b.p("M1.head") - base();
                                 return toDegrees(std::atan2(-d.dot(up()), d.dot(ground())));
                               });
    if (m != nullptr) {
      b.line(m, FilmLine::Kind::kAxis, base(), b.p("M1.head"));
      b.label(m, b.p("M1.head"));
    }
  }
}

}  // namespace

std::vector<FilmMeasure> footMeasures(const MeasuredFilm& film, const MeasuredFoot& foot, const FootFrame& frame,
                                      const Vec2& mm, bool lengths) {
  Bench b(film, foot, frame, mm, lengths);
  switch (film.view) {
    case FilmView::kDorsoplantar:
      dorsoplantar(b);
      break;
    case FilmView::kOblique:
      oblique(b);
      break;
    case FilmView::kLateral:
      lateral(b, film.weight_bearing.value_or(false));
      break;
  }
  return std::move(b.out);
}

}  // namespace rayset::films
