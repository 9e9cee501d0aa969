#include "films/film_reading.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "films/foot_frame.h"
#include "geometry/side.h"

namespace rayset {
namespace {

using films::FootFrame;
using films::PointsMm;

// Positions of landmarks, standard deviation each way; ours. By hand a corner of bone is found to about half a
// millimetre, the centre of a head to about one; on an edge the remaining error is the choice of edge and the position
// along it.
constexpr double kByHandSd = 0.5, kCentreSd = 1.0, kSnappedSd = 0.2;
constexpr double kUsualPixel = 0.15;  // mm, if none is given: only for reach and standard deviations

std::string where(const MeasuredFilm& film) { return film.scan.info.file; }

/// Circle through points (least squares of x^2 + y^2 + ax + by + c; Kasa 1976, IEEE Trans Instrum Meas 25:8, from
/// memory).
struct Circle {
  double radius = 0, rms = 0;
};
std::optional<Circle> fitCircle(const std::vector<Vec2>& points) {
  Eigen::MatrixX3d a(points.size(), 3);
  Eigen::VectorXd y(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    a.row(row) << points[i].x(), points[i].y(), 1;
    y(row) = points[i].squaredNorm();
  }
  const Eigen::ColPivHouseholderQR<Eigen::MatrixX3d> qr(a);
  if (qr.rank() < 3) return std::nullopt;
  const Eigen::Vector3d s = qr.solve(y);
  const Vec2 centre(0.5 * s.x(), 0.5 * s.y());
  const double square = s.z() + centre.squaredNorm();
  if (!(square > 0)) return std::nullopt;
  Circle c;
  c.radius = std::sqrt(square);
  for (const Vec2& p : points) c.rms += std::pow((p - centre).norm() - c.radius, 2);
  c.rms = std::sqrt(c.rms / static_cast<double>(points.size()));
  return c;
}

/// The spacing that a ball or a length gives.
Result<FilmSpacing> calibrated(const FilmCalibration& c, double aspect, const std::string& film,
                               std::vector<Message>& cautions) {
  const Vec2 square(1, aspect);  // columns as unit
  double pixels = 0;
  Message what;
  constexpr double kEndPixels = 1.5;  // 95 %, each end of a length placed by hand; ours
  double error_pixels = kEndPixels * std::sqrt(2.0);
  if (c.kind == FilmCalibration::Kind::kLength) {
    pixels = (c.ends[0] - c.ends[1]).cwiseProduct(square).norm();
    what = Message("films.length_marked_picture", {{"mm", mm(c.mm, -1)}});
  } else {
    what = Message("films.ball_marked_picture", {{"mm", mm(c.mm, -1)}});
    if (c.centre) {
      for (const Vec2& p : c.rim) pixels += 2 * (p - *c.centre).cwiseProduct(square).norm();
      pixels /= static_cast<double>(c.rim.size());
      error_pixels *= 2;
    } else {
      std::vector<Vec2> rim;
      for (const Vec2& p : c.rim) rim.push_back(p.cwiseProduct(square));
      const auto circle = fitCircle(rim);
      if (!circle)
        return fail(Fault::kRequest, "films.points_rim_ball_lie_one_line", film + ", calibration",
                    Message("films.spread_them_around_ball"));
      pixels = 2 * circle->radius;
      if (circle->rms > 0.04 * circle->radius)
        cautions.push_back(
            Message("films.points_rim_ball_lie_radius_off", {{"radius", percent(100 * circle->rms / circle->radius)}}));
      error_pixels = std::max(error_pixels, 4 * circle->rms);
    }
  }
  if (!(pixels > 8))
    return fail(Fault::kRequest,
                Message("films.what_film_calibrated_only_pixels_long", {{"pixels", number(pixels, 1)}}),
                film + ", calibration", Message("films.mark_something_larger"));
  FilmSpacing s;
  s.origin = FilmSpacing::Origin::kByHand;
  s.column_mm = c.mm / pixels;
  s.row_mm = s.column_mm * aspect;
  // A ball may lie somewhat nearer to or farther from the detector than the joints: 2 %, as for a calibrated file.
  s.relative_95 = std::hypot(0.02, error_pixels / pixels);
  s.text = what;
  if (!(s.column_mm > 0.005 && s.column_mm < 3))
    return fail(Fault::kRequest,
                Message("films.calibration_gives_pixels_no_radiograph_has", {{"column", mm(s.column_mm, -4)}}),
                film + ", calibration", Message("films.check_size_millimetres_points"));
  return s;
}

/// Does the header contradict what the landmarks file says of the film?
Status checkHeader(const FilmLandmarks& said, const FilmInfo& info, std::vector<Message>& cautions) {
  if (info.view && *info.view != said.view && !said.ignore_header_view) {
    const Message what = Message("films.film_called_but_header_says", {{"word_of", nameOfKey(wordOf(said.view))},
                                                                       {"word_of_2", nameOfKey(wordOf(*info.view))},
                                                                       {"view_from", info.view_from}});
    // Statements about the image itself are trusted; descriptions of a series or study often refer to another image.
    if (info.view_from.find("(0054,0220)") != std::string::npos ||
        info.view_from.find("(0018,5101)") != std::string::npos)
      return fail(Fault::kRequest, what, info.file, Message("films.correct_view_landmarks_file_where_header"));
    cautions.push_back(Message("films.landmarks_another_view_header_tells", {{"what", what}}));
  }
  if (said.feet.size() == 1 && info.side && *info.side != said.feet[0].side && !said.ignore_header_side)
    return fail(Fault::kRequest,
                Message("films.landmarks_foot_but_header_says",
                        {{"side", nameOf(said.feet[0].side)}, {"side_2", nameOf(*info.side)}}),
                info.file + ", Image Laterality (0020,0062) or Laterality (0020,0060)",
                Message("films.give_film_right_side_correct_side"));
  if (said.weight_bearing && info.weight_bearing && *said.weight_bearing != *info.weight_bearing)
    cautions.push_back(
        Message("films.film_called_but_header_says_2", {{"loaded", *said.weight_bearing ? "yes" : "no"},
                                                        {"header_loaded", *info.weight_bearing ? "yes" : "no"},
                                                        {"weight_bearing_from", info.weight_bearing_from}}));
  return {};
}

/// Inside picture and exposed field.
Status checkPoint(const MeasuredFilm& film, const std::string& name, const Vec2& p) {
  const FilmInfo& i = film.scan.info;
  const Film& f = film.scan.film;
  const std::string at = fmt::format("{}, '{}' at [{:g}, {:g}]", i.file, name, p.x(), p.y());
  if (!(p.x() >= -0.5 && p.y() >= -0.5 && p.x() <= f.columns - 0.5 && p.y() <= f.rows - 0.5))
    return fail(Fault::kRequest,
                Message("films.point_lies_outside_picture_pixels", {{"columns", f.columns}, {"rows", f.rows}}), at,
                Message("films.points_column_row_check_their_order"));
  if (!i.field.contains(p.x(), p.y()))
    return fail(Fault::kRequest,
                Message("films.point_lies_outside_exposed_field_columns", {{"left", i.field.left},
                                                                           {"right", i.field.right - 1},
                                                                           {"top", i.field.top},
                                                                           {"bottom", i.field.bottom - 1}}),
                at, Message("films.nothing_seen_but_collimator_place_inside"));
  return {};
}

/// Share of pixels around a point that have the film's greatest value, or its least.
double clippedAround(const Film& film, const Vec2& p, double radius_px, float least, float most) {
  int clipped = 0, all = 0;
  const int c0 = std::max(0, static_cast<int>(p.x() - radius_px)),
            c1 = std::min(film.columns - 1, static_cast<int>(p.x() + radius_px));
  const int r0 = std::max(0, static_cast<int>(p.y() - radius_px)),
            r1 = std::min(film.rows - 1, static_cast<int>(p.y() + radius_px));
  for (int r = r0; r <= r1; ++r)
    for (int c = c0; c <= c1; ++c, ++all) clipped += film.at(c, r) >= most || film.at(c, r) <= least ? 1 : 0;
  return all > 0 ? static_cast<double>(clipped) / all : 0;
}

Vec2 pixelMm(const MeasuredFilm& film) {
  if (film.spacing.known()) return {film.spacing.column_mm, film.spacing.row_mm};
  return {kUsualPixel, kUsualPixel * film.scan.info.aspect};
}

struct Oriented {
  FootFrame frame;
  bool usable = false;
};

Result<Oriented> placeLandmarks(MeasuredFilm& film, MeasuredFoot& foot, const FootLandmarks& given,
                                const FilmSettings& settings) {
  const Vec2 mm = pixelMm(film);
  PointsMm points;
  for (const auto& [name, p] : given.points) {
    if (const Status ok = checkPoint(film, name, p); !ok) return tl::unexpected(ok.error());
    points[name] = p.cwiseProduct(mm);
  }
  for (const auto& fleck : given.flecks)
    for (const Vec2& p : fleck)
      if (const Status ok = checkPoint(film, "flecks", p); !ok) return tl::unexpected(ok.error());
  auto frame = films::footFrame(points, film.view, foot.side, film.mirrored, 1.0,
                                fmt::format("{}, {} foot", where(film), sideWord(foot.side)));
  if (!frame) return tl::unexpected(frame.error());
  foot.cautions = frame->cautions;
  if (frame->cautions.empty()) {
    foot.distal = frame->distal;
    foot.across = frame->across;
  }

  const FilmField& field = film.scan.info.field;
  const double range = greyRange(film.scan.film, field.left, field.top, field.right, field.bottom);
  const auto [least, most] = std::minmax_element(film.scan.film.values.begin(), film.scan.film.values.end());
  std::vector<std::string> no_edge, clipped;
  for (const auto& [name, p] : given.points) {
    const LandmarkKind& kind = *landmarkKind(film.view, name);
    PlacedLandmark l;
    l.name = name;
    l.given = l.used = p;
    l.on_edge = kind.out != EdgeWay::kNone;
    l.sd_mm = l.on_edge || name.starts_with("Floor") ? kByHandSd : kCentreSd;
    l.sd_along_mm = l.sd_mm;
    if (l.on_edge && frame->cautions.empty()) l.out = films::wayOut(kind, points, *frame);
    if (l.on_edge && settings.snapping && frame->cautions.empty()) {
      const SnapResult s = snapToEdge(film.scan.film, p, l.out, mm, range, settings.snap);
      if (s.found && field.contains(s.at.x(), s.at.y())) {
        l.used = s.at;
        l.snapped = true;
        l.moved_mm = s.moved_mm;
        l.sd_mm = std::hypot(kSnappedSd, s.sd_mm);
      } else {
        no_edge.push_back(name);
      }
    }
    constexpr double kAround_mm = 4, kClipped = 0.35;  // ours
    if (l.on_edge && clippedAround(film.scan.film, p, kAround_mm / mm.x(), *least, *most) > kClipped)
      clipped.push_back(name);
    foot.landmarks.push_back(std::move(l));
  }
  if (!no_edge.empty())
    foot.cautions.push_back(Message("films.no_edge_within_left_where_placed",
                                    {{"reach", rayset::mm(settings.snap.reach_mm, -1)}, {"no_edge", all(no_edge)}}));
  if (!clipped.empty())
    foot.cautions.push_back(Message("films.exposure_clipped_around_edge_may_false", {{"clipped", all(clipped)}}));
  return Oriented{*frame, frame->cautions.empty()};
}

/// Sizes that no foot has point to a wrong spacing or wrong points.
void checkSize(const MeasuredFilm& film, MeasuredFoot& foot) {
  if (!film.spacing.known()) return;
  const char* base = film.view == FilmView::kLateral ? "M1.dorsal.proximal" : "M1.lateral.proximal";
  const PlacedLandmark *a = foot.find(base), *b = foot.find("M1.head");
  if (a == nullptr || b == nullptr) return;
  const double length = (a->used - b->used).cwiseProduct(pixelMm(film)).norm();
  constexpr double kShortest = 25,
                   kLongest = 80;  // ours, wide around M1 lengths of 50.1 +- 3.1 to 56.4 +- 4.4 (PMC5713710)
  if (length < kShortest || length > kLongest)
    foot.cautions.push_back(Message("films.base_head_first_metatarsal_measures_no", {{"length", mm(length, 0)}}));
}

void findFlecks(const MeasuredFilm& film, std::size_t index, const FootLandmarks& given, const MeasuredFoot& foot,
                std::vector<FleckFinding>& out) {
  for (const auto& outline : given.flecks) {
    FleckFinding f;
    f.side = given.side;
    f.film = index;
    f.outline = outline;
    const Vec2 mm = pixelMm(film);
    Vec2 middle = Vec2::Zero();
    for (const Vec2& p : outline) middle += p.cwiseProduct(mm) / static_cast<double>(outline.size());
    if (film.spacing.known() && outline.size() >= 2) {
      double size = 0, area = 0;
      for (std::size_t i = 0; i < outline.size(); ++i) {
        const Vec2 a = outline[i].cwiseProduct(mm), b = outline[(i + 1) % outline.size()].cwiseProduct(mm);
        area += 0.5 * (a.x() * b.y() - b.x() * a.y());
        for (const Vec2& other : outline) size = std::max(size, (a - other.cwiseProduct(mm)).norm());
      }
      f.size_mm = size;
      if (outline.size() >= 3) f.area_mm2 = std::abs(area);
    }
    const PlacedLandmark *c1 = foot.find("C1.lateral.distal"), *m2 = foot.find("M2.medial.proximal");
    constexpr double kNear = 12;  // mm, ours: about the height of the second base above its joint
    if (c1 != nullptr && m2 != nullptr && film.spacing.known())
      f.in_interval =
          (middle - c1->used.cwiseProduct(mm)).norm() < kNear && (middle - m2->used.cwiseProduct(mm)).norm() < kNear;
    out.push_back(std::move(f));
  }
}

// --- limits
// -----------------------------------------------------------------------------------------------------------

Message contradictionOf(const Limit& limit, const Limits& limits) {
  const NormalValue* n = limit.contradicted_by.empty() ? nullptr : limits.normal(limit.contradicted_by);
  if (n == nullptr) return {};
  Message spread;
  if (n->ci_low && n->ci_high)
    spread = Message("films.95_ci_mean", {{"ci_low", plain(*n->ci_low)}, {"ci_high", plain(*n->ci_high)}});
  if (n->sd) spread = {"films.sd", {{"sd", plain(*n->sd)}}};
  const Message share =
      n->mean > limit.value ? Message("films.would_call_more_half_them_abnormal") : Message("films.lies_close_normal");
  return Message("films.mean_normal_feet_limit_does_not", {{"feet", n->feet},
                                                           {"mean", plain(n->mean)},
                                                           {"unit", n->unit},
                                                           {"spread", spread},
                                                           {"applies_to", n->applies_to},
                                                           {"source", n->source},
                                                           {"limit", plain(limit.value)},
                                                           {"unit_2", limit.unit},
                                                           {"share", share}});
}

void apply(FilmMeasure& m, const Limit* limit, const Limits& limits) {
  if (limit == nullptr) return;
  AppliedLimit a;
  a.key = limit->key;
  a.value = limit->value;
  a.unit = limit->unit;
  a.source = limit->source;
  a.certainty = limit->certainty;
  a.applies_to = limit->applies_to;
  a.contradiction = contradictionOf(*limit, limits);
  a.decides = a.contradiction.empty();
  double judged = m.value, error = m.uncertainty;
  const char* words = "films.limit_above";
  switch (limit->comparison) {
    case Comparison::kAbove:
      break;
    case Comparison::kBelow:
      judged = -m.value;
      words = "films.limit_below";
      break;
    case Comparison::kAbsoluteAbove:
      judged = std::abs(m.value);
      words = "films.limit_either_way";
      break;
    case Comparison::kDifferenceAbove:
      if (!m.difference) return;
      judged = std::abs(*m.difference);
      error = *m.difference_uncertainty;
      a.on_difference = true;
      words = "films.limit_side_difference";
      break;
  }
  const double bound = limit->comparison == Comparison::kBelow ? -limit->value : limit->value;
  a.words = {words, {{"limit", Quantity{limit->value, unitOf(limit->unit), -1}}}};
  // Rounding must not decide at the boundary: a value equal to the limit is within it.
  a.exceeded = judged > bound + 1e-9;
  a.borderline = std::abs(judged - bound) < error;
  m.limits.push_back(std::move(a));
}

void compareToLimits(FilmMeasure& m, std::optional<bool> loaded, bool other_loaded, const Limits& limits) {
  const auto use = [&](const char* key) { apply(m, limits.find(key), limits); };
  if (m.key == "c1_m2_distance" || m.key == "m1_m2_distance") {
    const bool c1 = m.key == "c1_m2_distance";
    if (loaded == true) use(c1 ? "film_c1_m2_weight_bearing" : "film_m1_m2_weight_bearing");
    if (loaded == false) use(c1 ? "film_c1_m2_unloaded" : "film_m1_m2_unloaded");
    if (loaded == true && other_loaded) use("film_side_difference");
    if (!loaded) m.note = then(m.note, "films.not_known_whether_under_load_no");
  } else if (m.key == "m1_c1_lateral_border" || m.key == "m2_c2_medial_border" || m.key == "m4_cub_medial_border") {
    use("film_border_offset");
  } else if (m.key.starts_with("dorsal_step_")) {
    use("film_dorsal_step");
  } else if (m.key == "medial_column_line") {
    use("film_medial_column_line");
  } else if (m.key == "m5_c1_height") {
    use("arch_height");
  } else if (m.key == "talo_m1_lateral" && loaded == true) {
    use("film_talo_m1_lateral");
  }
  bool clear = false;  // an excess beyond doubt settles it
  for (const AppliedLimit& a : m.limits) {
    if (!a.decides) continue;
    m.abnormal = m.abnormal.value_or(false) || a.exceeded;
    m.borderline = m.borderline || a.borderline;
    clear = clear || (a.exceeded && !a.borderline);
  }
  if (clear) m.borderline = false;
}

const FilmMeasure* find(const std::vector<FilmMeasure>& list, std::string_view key) {
  for (const FilmMeasure& m : list)
    if (m.key == key) return &m;
  return nullptr;
}

/// Of one key on several films of a foot, the one to use: weight-bearing first, then the first.
void keepOne(std::vector<FilmMeasure>& list, const std::vector<MeasuredFilm>& films, std::vector<Message>& cautions) {
  std::vector<FilmMeasure> kept;
  for (FilmMeasure& m : list) {
    const auto same = std::find_if(kept.begin(), kept.end(), [&](const FilmMeasure& k) { return k.key == m.key; });
    if (same == kept.end()) {
      kept.push_back(std::move(m));
      continue;
    }
    const auto loaded = [&](const FilmMeasure& k) { return films[k.film].weight_bearing == true; };
    if (loaded(m) && !loaded(*same)) std::swap(*same, m);
    cautions.push_back(Message("films.foot_measured_latter_left_out", {{"name", m.name},
                                                                       {"side", nameOf(m.side)},
                                                                       {"where", where(films[same->film])},
                                                                       {"where_2", where(films[m.film])}}));
  }
  list = std::move(kept);
}

// --- stage and pattern
// ------------------------------------------------------------------------------------------------

NunleyVertullo stageOf(const FilmReading& r, const Limits& limits) {
  std::optional<double> widening;
  double error = 0;
  for (const char* key : {"c1_m2_distance", "m1_m2_distance"}) {
    const FilmMeasure* m = find(r.measures, key);
    if (m == nullptr || !m->difference || r.films[m->film].weight_bearing != true) continue;
    if (!widening || *m->difference > *widening) {
      widening = *m->difference;
      error = *m->difference_uncertainty;
    }
  }
  std::optional<bool> lost;
  const FilmMeasure* arch = find(r.measures, "m5_c1_height");
  if (arch != nullptr && r.films[arch->film].weight_bearing == true) {
    const Limit* inverted = limits.find("arch_height");
    if (inverted != nullptr && arch->value < inverted->value)
      lost = true;
    else if (arch->difference)
      lost =
          *arch->difference < -*arch->difference_uncertainty;  // no published amount: beyond the error of measurement
  }
  NunleyVertullo s = nunleyVertullo(widening, error, lost, limits);
  if (!r.flecks.empty() && s.value != "not given")
    s.reason = then(s.reason, "films.scheme_made_sprains_without_fracture_here");
  return s;
}

struct RaySource {
  Ray ray;
  const char* lateral;
  const char* lateral_else;
  bool only_difference;
};
constexpr std::array<RaySource, 5> kRaySources{{{Ray(1), "m1_c1_lateral_border", "", false},
                                                {Ray(2), "m2_c2_medial_border", "", false},
                                                {Ray(3), "m3_c3_medial_border", "m3_c3_lateral_border", false},
                                                {Ray(4), "m4_cub_medial_border", "", false},
                                                {Ray(5), "m5_cub_lateral_offset", "", true}}};

FilmPattern patternOf(const FilmReading& r) {
  FilmPattern p;
  PerRay<RayDisplacement> with, without;
  std::vector<std::string> no_dorsal, no_lateral;
  for (const RaySource& s : kRaySources) {
    FilmRay& ray = p.rays[s.ray];
    ray.ray = s.ray;
    const auto read = [&](const FilmMeasure* m, std::optional<double>& value, bool& by_difference,
                          bool only_difference) {
      if (m == nullptr) return;
      by_difference = m->difference.has_value();
      if (m->difference)
        value = m->difference;
      else if (!only_difference)
        value = m->value;
    };
    const FilmMeasure* m = find(r.measures, s.lateral);
    if (m == nullptr) m = find(r.measures, s.lateral_else);
    read(m, ray.lateral_mm, ray.lateral_by_difference, s.only_difference);
    read(find(r.measures, fmt::format("dorsal_step_{}", s.ray)), ray.dorsal_mm, ray.dorsal_by_difference, false);
    if (!ray.dorsal_mm) no_dorsal.push_back(std::to_string(s.ray.number()));
    if (!ray.lateral_mm) no_lateral.push_back(std::to_string(s.ray.number()));
    if (!ray.lateral_mm && !ray.dorsal_mm) continue;
    RayDisplacement d;
    d.ray = s.ray;
    d.lateral_mm = ray.lateral_mm.value_or(0);
    d.dorsal_mm = ray.dorsal_mm.value_or(0);
    d.displaced = d.asideMm() >= kDisplacedFromMm;
    with[s.ray] = d;
    // Strictly, a ray is known to be in place only if both were seen, and to be displaced sideways only if that was
    // seen.
    if (ray.lateral_mm && (ray.dorsal_mm || std::abs(d.lateral_mm) >= kDisplacedFromMm)) without[s.ray] = d;
  }
  p.names = classify(with);
  const Patterns strict = classify(without);
  p.holds = strict.quenu_kuss.value == p.names.quenu_kuss.value &&
            strict.hardcastle.value == p.names.hardcastle.value && strict.myerson.value == p.names.myerson.value &&
            !(p.names.hardcastle.value == "unclassified" && p.names.myerson.value == "unclassified");
  const auto rays = [](const std::vector<std::string>& list) {
    return fmt::format("{} {}", list.size() == 1 ? "ray" : "rays", fmt::join(list, ", "));
  };
  std::vector<std::string> dorsal_assumed, lateral_assumed;
  for (const auto& [number, ray] : p.rays) {
    if (ray.lateral_mm && !ray.dorsal_mm) dorsal_assumed.push_back(std::to_string(number.number()));
    if (!ray.lateral_mm && ray.dorsal_mm) lateral_assumed.push_back(std::to_string(number.number()));
  }
  if (!dorsal_assumed.empty())
    p.assumed.push_back(Message("films.no_dorsal_step_measured_taken_none", {{"rays", rays(dorsal_assumed)}}));
  if (!lateral_assumed.empty())
    p.assumed.push_back(Message("films.no_sideways_shift_measured_taken_none", {{"rays", rays(lateral_assumed)}}));
  std::vector<std::string> nothing;
  for (const auto& [number, ray] : p.rays)
    if (!ray.lateral_mm && !ray.dorsal_mm) nothing.push_back(std::to_string(number.number()));
  if (!nothing.empty()) p.unseen.push_back(Message("films.nothing_measured", {{"rays", rays(nothing)}}));
  p.unseen.emplace_back(Message("films.films_show_shadows_shift_along_beam"));
  return p;
}

}  // namespace

const PlacedLandmark* MeasuredFoot::find(std::string_view name) const {
  for (const PlacedLandmark& l : landmarks)
    if (l.name == name) return &l;
  return nullptr;
}

NunleyVertullo nunleyVertullo(std::optional<double> widening_mm, double uncertainty_mm, std::optional<bool> arch_lost,
                              const Limits& limits) {
  const Limit *lower = limits.find("nunley_vertullo_lower"), *upper = limits.find("nunley_vertullo_upper");
  NunleyVertullo s{"not given", "", false};
  if (lower == nullptr || upper == nullptr) {
    s.reason = Message("films.limits_file_has_no_boundaries_stages");
    return s;
  }
  if (!widening_mm) {
    s.reason = Message("films.needs_weight_bearing_dorsoplantar_films_both");
    return s;
  }
  // To the rounding of the printed boundaries.
  const double d = *widening_mm;
  const bool below = d<lower->value - 1e-9, above = d> upper->value + 1e-9;
  s.borderline = std::abs(d - lower->value) < uncertainty_mm || std::abs(d - upper->value) < uncertainty_mm;
  const Message wide =
      Message("films.distance_wider_other_foot_95_within", {{"d", mm(d)}, {"uncertainty", mm(uncertainty_mm)}});
  const Message kept = Message("films.arch_high_other_foot"), lost = Message("films.arch_has_lost_height");
  if (!arch_lost) {
    s.reason = Message("films.but_height_arch_not_known_needs", {{"wide", wide}});
    return s;
  }
  if (below && !*arch_lost) {
    s.value = "I or normal";
    s.reason = Message("films.less_films_cannot_tell_stage_normal",
                       {{"wide", wide}, {"lower", mm(lower->value, -1)}, {"kept", kept}});
  } else if (!below && !above && !*arch_lost) {
    s.value = "II";
    s.reason =
        Message("films.between",
                {{"wide", wide}, {"lower", plain(lower->value)}, {"upper", mm(upper->value, -1)}, {"kept", kept}});
  } else if (above && *arch_lost) {
    s.value = "III";
    s.reason = Message("films.more", {{"wide", wide}, {"upper", mm(upper->value, -1)}, {"lost", lost}});
  } else {
    s.value = "undefined";
    s.reason = Message("films.but_scheme_has_no_stage", {{"wide", wide},
                                                         {"place", above   ? "above"
                                                                   : below ? "below"
                                                                           : "between"},
                                                         {"lower", plain(lower->value)},
                                                         {"upper", plain(upper->value)},
                                                         {"kept", *arch_lost ? lost : kept}});
  }
  if (s.borderline) s.reason = then(s.reason, "films.boundary_lies_within_error_measurement");
  return s;
}

Result<std::vector<Message>> checkPatients(const std::vector<FilmInfo>& films) {
  std::vector<Message> cautions;
  struct Field {
    const char* name;
    std::string FilmInfo::*value;
  };
  static constexpr std::array<Field, 3> kFields{{{"Patient ID (0010,0020)", &FilmInfo::patient_id},
                                                 {"Patient's Name (0010,0010)", &FilmInfo::patient_name},
                                                 {"Patient's Birth Date (0010,0030)", &FilmInfo::patient_birth_date}}};
  // Blanks, empty name components and case do not distinguish two people.
  const auto plain = [](const std::string& text) {
    std::string out;
    for (const char c : text)
      if (c != ' ' && c != '^') out += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    return out;
  };
  for (const Field& field : kFields) {
    const FilmInfo* first = nullptr;
    for (const FilmInfo& info : films) {
      if (plain(info.*field.value).empty()) continue;
      if (first == nullptr) first = &info;
      if (plain(info.*field.value) != plain(first->*field.value))
        return fail(Fault::kImages,
                    Message("films.films_different_patients", {{"name", field.name},
                                                               {"field", first->*field.value},
                                                               {"file", first->file},
                                                               {"field_2", info.*field.value},
                                                               {"file_2", info.file}}),
                    info.file, Message("films.give_films_one_patient_correct_identifiers"));
    }
  }
  if (films.size() > 1)
    for (const FilmInfo& info : films)
      if (info.patient_id.empty() && info.patient_name.empty())
        cautions.push_back(Message("films.names_no_patient_belongs_others_not", {{"file", info.file}}));
  return cautions;
}

Result<FilmReading> measureFilms(std::vector<FilmScan> scans, const LandmarkFile& landmarks, const Limits& limits,
                                 const FilmSettings& settings) {
  FilmReading r;
  r.injured = landmarks.injured;
  std::vector<FilmInfo> infos;
  for (const FilmScan& scan : scans) infos.push_back(scan.info);
  auto patients = checkPatients(infos);
  if (!patients) return tl::unexpected(patients.error());
  r.cautions = std::move(*patients);

  std::vector<bool> used(scans.size(), false);
  for (const FilmLandmarks& said : landmarks.films) {
    const std::string name = std::filesystem::path(said.file).filename().string();
    std::size_t which = scans.size();
    for (std::size_t i = 0; i < scans.size(); ++i)
      if (infos[i].file == name && (said.frame == 0 || infos[i].frame == said.frame)) which = i;
    if (which == scans.size()) {
      std::vector<std::string> names;
      for (const FilmInfo& info : infos) names.push_back(info.file);
      const std::string near = nearestWord(name, names);
      return fail(Fault::kRequest, Message("films.landmarks_file_speaks_not_among_films", {{"file", said.file}}),
                  "landmarks",
                  near.empty() ? Message("films.given", {{"names", all(names)}})
                               : Message("films.did_you_mean", {{"near", near}}));
    }
    if (used[which])
      return fail(Fault::kRequest, Message("films.two_entries_landmarks_file_mean_film", {{"name", name}}), "landmarks",
                  Message("films.put_both_feet_one_film_into"));
    used[which] = true;
    MeasuredFilm film;
    film.scan = std::move(scans[which]);
    film.view = said.view;
    film.weight_bearing = said.weight_bearing;
    film.mirrored = said.mirrored;
    film.cautions = film.scan.cautions;
    const FilmInfo& info = film.scan.info;
    if (const Status ok = checkHeader(said, info, film.cautions); !ok) return tl::unexpected(ok.error());
    film.spacing = info.spacing;
    if (said.calibration) {
      auto spacing = calibrated(*said.calibration, info.aspect, info.file, film.cautions);
      if (!spacing) return tl::unexpected(spacing.error());
      if (info.spacing.known() && std::abs(spacing->column_mm / info.spacing.column_mm - 1) >
                                      std::hypot(spacing->relative_95, info.spacing.relative_95))
        film.cautions.push_back(Message("films.calibration_hand_gives_pixels_file_calibration",
                                        {{"column", mm(spacing->column_mm, 4)},
                                         {"column_2", mm(info.spacing.column_mm, 4)},
                                         {"text", info.spacing.text}}));
      film.spacing = std::move(*spacing);
    }
    if (!film.spacing.known()) {
      film.cautions.emplace_back(Message("films.neither_file_nor_calibration_tells_size"));
      r.partial = true;
    } else if (film.spacing.too_large) {
      film.cautions.push_back(Message("films.size_lengths_come_out_about_too",
                                      {{"text", film.spacing.text},
                                       {"least_magnification", number(100 * (kLeastMagnification - 1), 0)},
                                       {"most_magnification", percent(100 * (kMostMagnification - 1))}}));
    }
    const std::size_t index = r.films.size();
    for (const FootLandmarks& given : said.feet) {
      MeasuredFoot foot;
      foot.side = given.side;
      auto oriented = placeLandmarks(film, foot, given, settings);
      if (!oriented) return tl::unexpected(oriented.error());
      checkSize(film, foot);
      findFlecks(film, index, given, foot, r.flecks);
      if (oriented->usable)
        for (FilmMeasure& m : films::footMeasures(film, foot, oriented->frame, pixelMm(film), film.spacing.known())) {
          m.film = index;
          (foot.side == r.injured ? r.measures : r.other_measures).push_back(std::move(m));
        }
      film.feet.push_back(std::move(foot));
    }
    r.films.push_back(std::move(film));
  }
  for (std::size_t i = 0; i < used.size(); ++i)
    if (!used[i]) {
      r.cautions.push_back(Message("films.given_but_landmarks_file_has_nothing", {{"file", infos[i].file}}));
      r.partial = true;
    }

  keepOne(r.measures, r.films, r.cautions);
  keepOne(r.other_measures, r.films, r.cautions);
  if (r.measures.empty()) {
    r.cautions.push_back(Message("films.nothing_could_measured_injured_foot_too", {{"side", nameOf(r.injured)}}));
    r.partial = true;
  }
  for (FilmMeasure& m : r.measures) {
    const FilmMeasure* o = find(r.other_measures, m.key);
    bool both_loaded = false;
    if (o != nullptr) {
      const auto here = r.films[m.film].weight_bearing, there = r.films[o->film].weight_bearing;
      if (here == there) {
        m.other = o->value;
        m.difference = m.value - o->value;
        m.difference_uncertainty = std::hypot(m.uncertainty, o->uncertainty);
        both_loaded = here == true;
      } else {
        m.note = then(m.note, "films.other_foot_filmed_under_another_load");
      }
    }
    compareToLimits(m, r.films[m.film].weight_bearing, both_loaded, limits);
  }
  r.stage = stageOf(r, limits);
  r.pattern = patternOf(r);
  return r;
}

}  // namespace rayset
