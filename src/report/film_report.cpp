// GCC 12 sees overlaps in "text" + std::string() that are not there (GCC bug 105651).
#ifndef __clang__
#pragma GCC diagnostic ignored "-Wrestrict"
#endif

#include "report/film_report.h"

#include <cairo.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstring>

#include "base/dates.h"
#include "geometry/side.h"
#include "report/frame.h"
#include "report/page.h"
#include "report/palette.h"
#include "report/words.h"

namespace rayset {
namespace {

using pdf::bold;
using pdf::escaped;
using pdf::grey;

// On a film. Each kind of line also has its own pattern.
constexpr pdf::Colour kGap = palette::kOrange, kBorder = palette::kSkyBlue, kAxis = palette::kYellow, kPoint = 0xFFFFFF,
                      kFleck = palette::kPurple;
constexpr pdf::Colour kAxisText = 0x8A7D00;  // kAxis, dark enough for text

Message loadName(std::optional<bool> loaded) {
  return !loaded ? "report.load_unknown" : *loaded ? "report.loaded" : "report.not_loaded";
}
Quantity amount(double value, const std::string& unit, bool sign = false) { return {value, unitOf(unit), 1, sign}; }
Message filmNumber(std::size_t film) { return {"report.film_number", {{"film", film + 1}}}; }

/// A part of a film, in pixel coordinates (edges of pixels, so that the whole film is -0.5 to columns - 0.5).
struct Crop {
  double left = 0, top = 0, right = 0, bottom = 0;
};
Crop wholeOf(const Film& f) { return {-0.5, -0.5, f.columns - 0.5, f.rows - 0.5}; }

/// The displayed grey values of a crop as a cairo picture, averaged if it has more pixels than are drawn.
cairo_surface_t* pictureOf(const Film& shown, const Crop& crop, int width, int height) {
  cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, width, height);
  if (cairo_surface_status(surface) != CAIRO_STATUS_SUCCESS) return surface;
  unsigned char* data = cairo_image_surface_get_data(surface);
  const int stride = cairo_image_surface_get_stride(surface);
  const double sx = (crop.right - crop.left) / width, sy = (crop.bottom - crop.top) / height;
  const int nx = std::clamp(static_cast<int>(std::ceil(sx)), 1, 8),
            ny = std::clamp(static_cast<int>(std::ceil(sy)), 1, 8);
  for (int y = 0; y < height; ++y)
    for (int x = 0; x < width; ++x) {
      double sum = 0;
      for (int j = 0; j < ny; ++j)
        for (int i = 0; i < nx; ++i) {
          const Vec2 p(crop.left + (x + (i + 0.5) / nx) * sx, crop.top + (y + (j + 0.5) / ny) * sy);
          const Vec2 inside(std::clamp(p.x(), 0.0, shown.columns - 1.0), std::clamp(p.y(), 0.0, shown.rows - 1.0));
          sum += valueAt(shown, inside).value_or(0);
        }
      const auto g = static_cast<std::uint32_t>(std::lround(255 * std::clamp(sum / (nx * ny), 0.0, 1.0)));
      const std::uint32_t pixel = g << 16 | g << 8 | g;
      std::memcpy(data + static_cast<std::ptrdiff_t>(y) * stride + 4 * static_cast<std::ptrdiff_t>(x), &pixel, 4);
    }
  cairo_surface_mark_dirty(surface);
  return surface;
}

/// One place on paper showing a crop.
struct Window {
  Crop crop;
  double x = 0, y = 0, width = 0, height = 0;  ///< points
  [[nodiscard]] Vec2 at(const Vec2& pixel) const {
    return {x + (pixel.x() - crop.left) / (crop.right - crop.left) * width,
            y + (pixel.y() - crop.top) / (crop.bottom - crop.top) * height};
  }
  [[nodiscard]] double perPixel() const { return width / (crop.right - crop.left); }
};

void strokeTwice(cairo_t* cr, pdf::Colour colour, double width, const std::vector<double>& dashes) {
  cairo_path_t* path = cairo_copy_path(cr);
  cairo_set_line_cap(cr, CAIRO_LINE_CAP_BUTT);
  cairo_set_dash(cr, nullptr, 0, 0);
  pdf::setColour(cr, 0x000000, 0.55);  // on bright bone
  cairo_set_line_width(cr, width + 1.4);
  cairo_stroke(cr);
  cairo_append_path(cr, path);
  cairo_path_destroy(path);
  cairo_set_dash(cr, dashes.data(), static_cast<int>(dashes.size()), 0);
  pdf::setColour(cr, colour);
  cairo_set_line_width(cr, width);
  cairo_stroke(cr);
  cairo_set_dash(cr, nullptr, 0, 0);
}

void drawLine(cairo_t* cr, const Window& w, const FilmLine& l) {
  const Vec2 a = w.at(l.from), b = w.at(l.to);
  cairo_move_to(cr, a.x(), a.y());
  cairo_line_to(cr, b.x(), b.y());
  switch (l.kind) {
    case FilmLine::Kind::kBorder:
      strokeTwice(cr, kBorder, 0.9, {4, 2.5});
      return;
    case FilmLine::Kind::kAxis:
      strokeTwice(cr, kAxis, 1.0, {7, 2, 1.5, 2});
      return;
    case FilmLine::Kind::kMeasure:
      break;
  }
  // Bars across the ends, as on a caliper.
  const Vec2 d = (b - a).norm() > 1e-6 ? Vec2((b - a).normalized()) : Vec2(1, 0);
  const Vec2 n = 3 * Vec2(-d.y(), d.x());
  for (const Vec2& end : {a, b}) {
    cairo_move_to(cr, end.x() - n.x(), end.y() - n.y());
    cairo_line_to(cr, end.x() + n.x(), end.y() + n.y());
  }
  strokeTwice(cr, kGap, 1.5, {});
}

/// A box of text with a leader to what it names; boxes are kept apart.
struct Labels {
  struct Box {
    double x, y, w, h;
  };
  std::vector<Box> taken;
  std::vector<Vec2> seen;  ///< what should stay visible: points along measures, landmarks

  void keepVisible(const Window& w, const FilmLine& l) {
    constexpr int kParts = 6;
    for (int k = 0; k <= kParts; ++k) seen.push_back(w.at(l.from + (l.to - l.from) * k / kParts));
  }
  void put(cairo_t* cr, const Window& w, const Vec2& target, const std::string& text) {
    const pdf::TextStyle style{.size = 7.4, .colour = 0xFFFFFF};
    const double tw = pdf::textWidth(cr, bold(pdf::escaped(text)), style) + 6, th = 11.5;
    Box best{};
    double least = 1e18;
    for (double radius = 16; radius < 150; radius += 8)
      for (int k = 0; k < 24; ++k) {
        const double angle = 2 * 3.14159265358979 * k / 24;
        Box b{target.x() + radius * std::cos(angle) -
                  (std::cos(angle) < -0.2  ? tw
                   : std::cos(angle) > 0.2 ? 0
                                           : tw / 2),
              target.y() + radius * std::sin(angle) - th / 2, tw, th};
        if (b.x < w.x + 2 || b.y < w.y + 2 || b.x + tw > w.x + w.width - 2 || b.y + th > w.y + w.height - 2) continue;
        double cost = radius;
        for (const Box& o : taken)
          if (b.x < o.x + o.w + 2 && o.x < b.x + tw + 2 && b.y < o.y + o.h + 2 && o.y < b.y + th + 2) cost += 1000;
        for (const Vec2& p : seen)
          if (p.x() > b.x - 3 && p.x() < b.x + tw + 3 && p.y() > b.y - 3 && p.y() < b.y + th + 3) cost += 40;
        if (cost < least) {
          least = cost;
          best = b;
        }
      }
    if (least > 1e17) return;
    taken.push_back(best);
    const Vec2 near(std::clamp(target.x(), best.x, best.x + best.w), std::clamp(target.y(), best.y, best.y + best.h));
    cairo_move_to(cr, target.x(), target.y());
    cairo_line_to(cr, near.x(), near.y());
    strokeTwice(cr, 0xFFFFFF, 0.5, {});
    pdf::setColour(cr, 0x000000, 0.78);
    cairo_rectangle(cr, best.x, best.y, best.w, best.h);
    cairo_fill(cr);
    pdf::drawText(cr, bold(pdf::escaped(text)), best.x + 3, best.y + 1.2, -1, style);
  }
};

void scaleBar(const Words& words, cairo_t* cr, const Window& w, const FilmSpacing& spacing) {
  const pdf::TextStyle style{.size = 7, .colour = 0xFFFFFF};
  std::string text = words("report.size_not_known");
  double length = 0;
  if (spacing.known()) {
    const double point_per_mm = w.perPixel() / spacing.column_mm;
    double shown = 10;
    for (const double bar : {1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0})
      if (bar * point_per_mm < 0.34 * w.width) shown = bar;
    length = shown * point_per_mm;
    text = spacing.too_large ? words("report.at_detector", {{"length", mm(shown, 0)}}) : words.text(mm(shown, 0));
  }
  const double tw = pdf::textWidth(cr, text, style), width = std::max(tw, length) + 8;
  const double x = w.x + w.width - width - 4, y = w.y + w.height - 18;
  pdf::setColour(cr, 0x000000, 0.7);
  cairo_rectangle(cr, x, y, width, 15);
  cairo_fill(cr);
  if (length > 0) {
    pdf::setColour(cr, 0xFFFFFF);
    cairo_rectangle(cr, x + 4, y + 11, length, 1.8);
    cairo_fill(cr);
  }
  pdf::drawText(cr, text, x + 4, y + 1, -1, style);
}

/// The side in capitals, and the anatomical words at the edges.
void orientation(const Words& words, cairo_t* cr, const Window& w, Side side, FilmView view, const MeasuredFoot* foot) {
  const pdf::TextStyle badge{.size = 10, .colour = 0xFFFFFF};
  const std::string text = pdf::escaped(words(words::capitals(side)));
  const double tw = pdf::textWidth(cr, bold(text), badge);
  pdf::setColour(cr, 0x000000, 0.78);
  cairo_rectangle(cr, w.x + 4, w.y + 4, tw + 8, 15);
  cairo_fill(cr);
  pdf::drawText(cr, bold(text), w.x + 8, w.y + 5, -1, badge);
  if (foot == nullptr || !foot->distal) return;
  const bool lateral = view == FilmView::kLateral;
  const std::pair<Vec2, const char*> ways[] = {{*foot->distal, "report.way_distal"},
                                               {-*foot->distal, "report.way_proximal"},
                                               {*foot->across, lateral ? "report.way_dorsal" : "report.way_lateral"},
                                               {-*foot->across, lateral ? "report.way_plantar" : "report.way_medial"}};
  const pdf::TextStyle small{.size = 7, .colour = 0xFFFFFF};
  const auto tag = [&](const Vec2& toward) {  // the way that points most to this edge
    return std::max_element(std::begin(ways), std::end(ways),
                            [&](const auto& a, const auto& b) { return a.first.dot(toward) < b.first.dot(toward); })
        ->second;
  };
  const auto put = [&](const char* way, double cx, double cy) {
    const std::string word = pdf::escaped(words(way));
    const double width = pdf::textWidth(cr, word, small);
    const double x = std::clamp(cx - width / 2, w.x + 3, w.x + w.width - width - 3);
    pdf::setColour(cr, 0x000000, 0.6);
    cairo_rectangle(cr, x - 2, cy - 5, width + 4, 10);
    cairo_fill(cr);
    pdf::drawText(cr, word, x, cy - 4.4, -1, small);
  };
  put(tag({0, -1}), w.x + w.width / 2, w.y + 8);
  put(tag({0, 1}), w.x + w.width / 2, w.y + w.height - 8);
  put(tag({-1, 0}), w.x, w.y + w.height / 2);
  put(tag({1, 0}), w.x + w.width, w.y + w.height / 2);
}

bool isAngle(const FilmMeasure& m) { return m.unit == "deg"; }

/// Everything drawn of one film.
struct Shots {
  const Words& words;
  const FilmReading& r;
  std::vector<Film> shown;  // each film as its maker meant it

  [[nodiscard]] std::vector<const FilmMeasure*> measuresOf(std::size_t film, Side side, bool angles) const {
    std::vector<const FilmMeasure*> out;
    for (const auto* list : {&r.measures, &r.other_measures})
      for (const FilmMeasure& m : *list)
        if (m.film == film && m.side == side && isAngle(m) == angles) out.push_back(&m);
    return out;
  }

  /// Around the lines of the lengths of a foot, in the shape width : height; nothing if there are none.
  [[nodiscard]] std::optional<Crop> detail(std::size_t film, Side side, double width, double height) const {
    const MeasuredFilm& f = r.films[film];
    const double mm = f.spacing.known() ? f.spacing.column_mm : 0.15, aspect = f.scan.info.aspect;
    Eigen::AlignedBox2d box;
    for (const FilmMeasure* m : measuresOf(film, side, false))
      for (const FilmLine& l : m->lines) {
        box.extend(l.from);
        box.extend(l.to);
      }
    for (const FleckFinding& fleck : r.flecks)
      if (fleck.film == film && fleck.side == side)
        for (const Vec2& p : fleck.outline) box.extend(p);
    if (box.isEmpty()) return std::nullopt;
    constexpr double kMargin_mm = 7, kLeast_mm = 34;
    Vec2 size = box.sizes() + Vec2(2 * kMargin_mm / mm, 2 * kMargin_mm / mm / aspect);
    size = size.cwiseMax(Vec2(kLeast_mm / mm, kLeast_mm / mm / aspect));
    const double shape = width / height * aspect;  // of the crop in pixels
    if (size.x() / size.y() < shape)
      size.x() = size.y() * shape;
    else
      size.y() = size.x() / shape;
    // Inside the film, as far as it is large enough.
    const Film& picture = f.scan.film;
    Vec2 c = box.center();
    const auto fit = [](double at, double half, double last) {
      if (2 * half >= last) return last / 2 - 0.5;
      return std::clamp(at, half - 0.5, last - 0.5 - half);
    };
    c.x() = fit(c.x(), size.x() / 2, picture.columns);
    c.y() = fit(c.y(), size.y() / 2, picture.rows);
    return Crop{c.x() - size.x() / 2, c.y() - size.y() / 2, c.x() + size.x() / 2, c.y() + size.y() / 2};
  }

  void paint(cairo_t* cr, std::size_t film, const Window& w, double pixels_per_point) const {
    const Film& f = shown[film];
    // There is nothing beyond the film: only the part that exists is painted.
    const Crop whole = wholeOf(f);
    const Crop part{std::max(w.crop.left, whole.left), std::max(w.crop.top, whole.top),
                    std::min(w.crop.right, whole.right), std::min(w.crop.bottom, whole.bottom)};
    pdf::setColour(cr, 0x000000);
    cairo_rectangle(cr, w.x, w.y, w.width, w.height);
    cairo_fill(cr);
    const Vec2 from = w.at({part.left, part.top}), to = w.at({part.right, part.bottom});
    const int pw = std::max(1, static_cast<int>((to.x() - from.x()) * pixels_per_point));
    const int ph = std::max(1, static_cast<int>((to.y() - from.y()) * pixels_per_point));
    cairo_surface_t* picture = pictureOf(f, part, pw, ph);
    cairo_save(cr);
    cairo_translate(cr, from.x(), from.y());
    cairo_scale(cr, (to.x() - from.x()) / pw, (to.y() - from.y()) / ph);
    cairo_set_source_surface(cr, picture, 0, 0);
    cairo_paint(cr);
    cairo_restore(cr);
    cairo_surface_destroy(picture);
  }

  void points(cairo_t* cr, const Window& w, const MeasuredFoot& foot) const {
    for (const PlacedLandmark& l : foot.landmarks) {
      const Vec2 used = w.at(l.used), given = w.at(l.given);
      if (used.x() < w.x || used.y() < w.y || used.x() > w.x + w.width || used.y() > w.y + w.height) continue;
      if ((used - given).norm() > 2) {
        cairo_move_to(cr, given.x(), given.y());
        cairo_line_to(cr, used.x(), used.y());
        strokeTwice(cr, kPoint, 0.6, {1.2, 1.2});
      }
      cairo_new_path(cr);
      if (l.on_edge && !l.snapped)  // no edge was near: a square
        cairo_rectangle(cr, used.x() - 2, used.y() - 2, 4, 4);
      else
        cairo_arc(cr, used.x(), used.y(), 2, 0, 2 * 3.14159265358979);
      strokeTwice(cr, kPoint, 0.8, {});
    }
  }

  void flecks(cairo_t* cr, const Window& w, std::size_t film, Side side, Labels& labels) const {
    for (const FleckFinding& f : r.flecks) {
      if (f.film != film || f.side != side || f.outline.empty()) continue;
      cairo_new_path(cr);
      Vec2 middle = Vec2::Zero();
      for (const Vec2& p : f.outline) {
        const Vec2 q = w.at(p);
        cairo_line_to(cr, q.x(), q.y());
        middle += q / static_cast<double>(f.outline.size());
      }
      if (f.outline.size() == 1) cairo_arc(cr, middle.x(), middle.y(), 5, 0, 2 * 3.14159265358979);
      cairo_close_path(cr);
      strokeTwice(cr, kFleck, 1.2, {});
      labels.put(cr, w, middle,
                 f.size_mm ? words("report.fleck_of_size", {{"size", mm(*f.size_mm)}}) : words("report.fleck"));
    }
  }

  /// The joints of one foot.
  void drawDetail(cairo_t* cr, std::size_t film, const MeasuredFoot& foot, const Window& w, double density,
                  bool image) const {
    cairo_save(cr);
    cairo_rectangle(cr, w.x, w.y, w.width, w.height);
    cairo_clip(cr);
    if (image) paint(cr, film, w, density);
    Labels labels;
    labels.taken.push_back({w.x, w.y, 60, 20});
    for (const Vec2& tag : {Vec2(0.5, 0.0), Vec2(0.5, 1.0), Vec2(0.0, 0.5), Vec2(1.0, 0.5)})  // orientation words
      labels.taken.push_back({w.x + tag.x() * w.width - 24, w.y + tag.y() * w.height - 14, 48, 28});
    labels.taken.push_back({w.x + w.width - 90, w.y + w.height - 20, 90, 20});
    const auto list = measuresOf(film, foot.side, false);
    for (const auto kind : {FilmLine::Kind::kBorder, FilmLine::Kind::kAxis, FilmLine::Kind::kMeasure})
      for (const FilmMeasure* m : list)
        for (const FilmLine& l : m->lines)
          if (l.kind == kind) drawLine(cr, w, l);
    points(cr, w, foot);
    for (const FilmMeasure* m : list)
      for (const FilmLine& l : m->lines)
        if (l.kind == FilmLine::Kind::kMeasure) labels.keepVisible(w, l);
    for (const PlacedLandmark& l : foot.landmarks) labels.seen.push_back(w.at(l.used));
    for (const FleckFinding& f : r.flecks)
      if (f.film == film)
        for (const Vec2& p : f.outline) labels.seen.push_back(w.at(p));
    flecks(cr, w, film, foot.side, labels);
    for (const FilmMeasure* m : list) labels.put(cr, w, w.at(m->label), labelOf(*m));
    orientation(words, cr, w, foot.side, r.films[film].view, &foot);
    scaleBar(words, cr, w, r.films[film].spacing);
    cairo_restore(cr);
  }

  /// The whole film with axes, the exposed field and a box around each detail.
  void drawWhole(cairo_t* cr, std::size_t film, const Window& w, const std::vector<Crop>& boxes, double density,
                 bool image) const {
    cairo_save(cr);
    cairo_rectangle(cr, w.x, w.y, w.width, w.height);
    cairo_clip(cr);
    if (image) paint(cr, film, w, density);
    const MeasuredFilm& f = r.films[film];
    const auto rectangle = [&](const Crop& c) {
      const Vec2 a = w.at({c.left, c.top}), b = w.at({c.right, c.bottom});
      cairo_rectangle(cr, a.x(), a.y(), b.x() - a.x(), b.y() - a.y());
    };
    const FilmField& field = f.scan.info.field;
    if (field.origin != FilmField::Origin::kWhole) {
      rectangle({field.left - 0.5, field.top - 0.5, field.right - 0.5, field.bottom - 0.5});
      strokeTwice(cr, kPoint, 0.6, {2, 2});
    }
    for (const Crop& c : boxes) {
      rectangle(c);
      strokeTwice(cr, kPoint, 0.7, {});
    }
    Labels labels;
    labels.taken.push_back({w.x, w.y, 60, 20});
    for (const Vec2& tag : {Vec2(0.5, 0.0), Vec2(0.5, 1.0), Vec2(0.0, 0.5), Vec2(1.0, 0.5)})  // orientation words
      labels.taken.push_back({w.x + tag.x() * w.width - 24, w.y + tag.y() * w.height - 14, 48, 28});
    labels.taken.push_back({w.x + w.width - 90, w.y + w.height - 20, 90, 20});
    for (const MeasuredFoot& foot : f.feet)
      for (const FilmMeasure* m : measuresOf(film, foot.side, true)) {
        for (const FilmLine& l : m->lines) drawLine(cr, w, l);
        labels.put(cr, w, w.at(m->label), labelOf(*m));
      }
    if (f.feet.size() == 1) {
      orientation(words, cr, w, f.feet[0].side, f.view, &f.feet[0]);
    } else {
      for (const MeasuredFoot& foot : f.feet) {
        Eigen::AlignedBox2d box;
        for (const PlacedLandmark& l : foot.landmarks) box.extend(l.used);
        if (!box.isEmpty()) labels.put(cr, w, w.at(box.center()), words(words::capitals(foot.side)));
      }
    }
    scaleBar(words, cr, w, f.spacing);
    cairo_restore(cr);
  }

  /// "C1–M2", "M2/C2"...: what fits into a picture.
  [[nodiscard]] static Message shortName(const FilmMeasure& m) {
    // The same in every language.
    static const std::map<std::string, const char*> kIds{{"c1_m2_distance", "C1–M2"},
                                                         {"m1_m2_distance", "M1–M2"},
                                                         {"m1_c1_lateral_border", "M1/C1"},
                                                         {"m2_c2_medial_border", "M2/C2"}};
    static const std::map<std::string, const char*> kNames{
        {"m3_c3_medial_border", "report.short_m3_c3_medial"}, {"m3_c3_lateral_border", "report.short_m3_c3_lateral"},
        {"m4_cub_medial_border", "report.short_m4_cuboid"},   {"m5_cub_lateral_offset", "report.short_m5_cuboid"},
        {"medial_column_line", "report.column_line"},         {"talo_m1_dorsoplantar", "report.short_talus_m1"},
        {"talo_m1_lateral", "report.short_talus_m1"},         {"m1_declination", "report.short_m1_to_floor"},
        {"m5_c1_height", "report.short_c1_above_m5"}};
    if (const auto id = kIds.find(m.key); id != kIds.end()) return Message::quoted(id->second);
    if (const auto name = kNames.find(m.key); name != kNames.end()) return name->second;
    if (m.key.starts_with("dorsal_step_"))
      return {"report.short_step", {{"ray", m.key.substr(std::string("dorsal_step_").size())}}};
    return m.name;
  }
  [[nodiscard]] std::string labelOf(const FilmMeasure& m) const {
    return words("report.name_figure", {{"name", shortName(m)}, {"figure", amount(m.value, m.unit, isSigned(m))}});
  }
  /// Direction matters: offsets, steps and angles are signed.
  [[nodiscard]] static bool isSigned(const FilmMeasure& m) {
    return m.key != "c1_m2_distance" && m.key != "m1_m2_distance" && m.key != "m1_declination";
  }
};

std::string filmTitle(const Words& words, const FilmReading& r, std::size_t i) {
  const MeasuredFilm& f = r.films[i];
  std::vector<Message> feet;
  for (const MeasuredFoot& foot : f.feet) feet.push_back(nameOf(foot.side));
  return words("report.heading_film", {{"film", i + 1},
                                       {"view", nameOfKey(wordOf(f.view))},
                                       {"sides", all(feet)},
                                       {"count", feet.size()},
                                       {"load", loadName(f.weight_bearing)}});
}

std::string verdict(const Words& words, const FilmMeasure& m) {
  if (!m.abnormal) return grey(words("report.not_judged"));
  if (m.borderline) return bold("? ") + words("report.limit");
  return *m.abnormal ? bold(words(words::marked("▲", "report.abnormal"))) : words("report.within_limits");
}

FilmInfo patientOf(const FilmReading& r) {
  FilmInfo p;
  for (const MeasuredFilm& f : r.films)
    for (auto field :
         {&FilmInfo::patient_name, &FilmInfo::patient_id, &FilmInfo::patient_sex, &FilmInfo::patient_birth_date})
      if ((p.*field).empty()) p.*field = f.scan.info.*field;
  return p;
}

std::string orNone(const pdf::Document& doc, const std::string& text) {
  return text.empty() ? grey(doc.words("report.not_films")) : doc.escaped(text);
}

void firstPage(pdf::Document& doc, const FilmReading& r) {
  const FilmInfo patient = patientOf(r);
  std::vector<std::pair<std::string, std::string>> facts{
      {doc.words("report.patient"), words::personName(patient.patient_name).empty()
                                        ? orNone(doc, {})
                                        : bold(doc.escaped(words::personName(patient.patient_name)))},
      {doc.words("report.id"), orNone(doc, patient.patient_id)},
      {doc.words("report.born_sex"),
       doc.words("join.comma", {{"first", orNone(doc, isoDate(patient.patient_birth_date))},
                                {"second", orNone(doc, patient.patient_sex)}})}};
  for (std::size_t i = 0; i < r.films.size(); ++i) {
    const FilmInfo& info = r.films[i].scan.info;
    Message what("join.comma",
                 {{"first", nameOfKey(wordOf(r.films[i].view))}, {"second", loadName(r.films[i].weight_bearing)}});
    if (!info.study_date.empty()) what = {"join.comma", {{"first", what}, {"second", isoDate(info.study_date)}}};
    facts.emplace_back(doc.words(filmNumber(i)),
                       doc.escaped(what) + grey("  " + doc.escaped(info.file)) +
                           (info.quality_control ? bold("  " + doc.words("report.simulated")) : ""));
  }
  drawFacts(doc, facts, r.injured);

  doc.heading(doc.words("report.heading_finding"), "finding");
  std::vector<Message> abnormal, doubtful, contradicted;
  for (const FilmMeasure& m : r.measures) {
    if (m.abnormal == true && !m.borderline) abnormal.push_back(m.name);
    if (m.borderline) doubtful.push_back(m.name);
    for (const AppliedLimit& a : m.limits)
      if (!a.decides && a.exceeded) contradicted.push_back(m.name);
  }
  Message headline;
  if (r.measures.empty())
    headline = "report.nothing_could_measured";
  else if (!abnormal.empty())
    headline = {"report.beyond_limit", {{"measures", all(abnormal)}}};
  else if (!doubtful.empty())
    headline = "report.nothing_clearly_beyond_limit";
  else
    headline = "report.nothing_measured_beyond_limit";
  doc.paragraph(bold(doc.escaped(headline)), {.size = 11.5, .spacing = 2.5});
  if (!doubtful.empty())
    doc.item(bold("?"), doc.escaped(Message("report.limit_within_error_measurement", {{"measures", all(doubtful)}})),
             {.size = 9.5});
  for (const FleckFinding& f : r.flecks) {
    if (f.side != r.injured) continue;
    const Message text("report.fleck_marked", {{"sized", f.size_mm ? "yes" : "no"},
                                               {"size", mm(f.size_mm.value_or(0))},
                                               {"place", !f.in_interval   ? "untold"
                                                         : *f.in_interval ? "between"
                                                                          : "elsewhere"}});
    doc.item(pdf::coloured(palette::kFoundText, "▲"), doc.escaped(text), {.size = 9.5});
  }
  if (!contradicted.empty())
    doc.item("–",
             doc.escaped(Message("report.above_limit_often_quoted_but_speaks",
                                 {{"measures", all(contradicted)}, {"count", contradicted.size()}})),
             {.size = 9.5});
  doc.space(2);
  const FilmPattern& p = r.pattern;
  const auto pattern = [&](const std::string& name, const PatternName& n) {
    doc.paragraph(bold(name) + " " + bold(doc.escaped(nameOfKey(n.value))) + grey("  " + doc.escaped(n.reason)),
                  {.size = 9});
  };
  doc.subheading(doc.words("report.pattern_far_films_show"));
  pattern(doc.words("report.qu_nu_ss"), p.names.quenu_kuss);
  pattern(doc.words("report.hardcastle"), p.names.hardcastle);
  pattern(doc.words("report.myerson"), p.names.myerson);
  std::vector<pdf::Row> rows;
  for (const auto& [number, ray] : p.rays) {
    const auto cell = [&](const std::optional<double>& v, bool by_difference, const char* plus, const char* minus) {
      if (!v) return grey(doc.words("report.not_measured"));
      const Quantity shift = mm(std::abs(*v));
      return (std::abs(*v) < 0.05 ? doc.text(shift) + " " : doc.words(*v > 0 ? plus : minus, {{"amount", shift}})) +
             grey("  " + (by_difference ? doc.words("report.against_other_foot")
                                        : doc.words("report.against_line_tarsal_bone")));
    };
    rows.push_back({{fmt::format("{}", ray.ray),
                     cell(ray.lateral_mm, ray.lateral_by_difference, "way.shift_lateral", "way.shift_medial"),
                     cell(ray.dorsal_mm, ray.dorsal_by_difference, "way.shift_dorsal", "way.shift_plantar")}});
  }
  doc.table({{doc.words("report.column_ray"), 0.4}, {doc.words("report.side"), 2}, {doc.words("report.up_down"), 2}},
            rows, 8);
  doc.paragraph(doc.words("report.ray_counts_displaced_both_together_choice", {{"mm", mm(kDisplacedFromMm, 0)}}),
                {.size = 8, .colour = pdf::kGrey});
  for (const Message& text : p.assumed) doc.item("–", doc.escaped(text), {.size = 8.6});
  if (!p.assumed.empty() && (p.names.hardcastle.value != "unclassified" || p.names.myerson.value != "unclassified"))
    doc.item("–",
             p.holds ? doc.words("report.names_would_same_whatever_not_measured")
                     : bold(doc.words("report.names_rest_what_not_measured_other")),
             {.size = 8.6});
  for (const Message& text : p.unseen) doc.item("–", doc.escaped(text), {.size = 8.6});
  doc.subheading(doc.words("report.stage_ligamentous_sprain_nunley_vertullo"));
  doc.paragraph(bold(doc.escaped(Message("report.stage_stated", {{"stage", nameOfKey(r.stage.value)}}))) + " " +
                    doc.escaped(r.stage.reason),
                {.size = 9});

  std::vector<Message> cautions;
  for (std::size_t i = 0; i < r.films.size(); ++i) {
    for (const Message& c : r.films[i].cautions)
      cautions.push_back({"report.of_film", {{"film", i + 1}, {"caution", c}}});
    for (const MeasuredFoot& foot : r.films[i].feet)
      for (const Message& c : foot.cautions)
        cautions.push_back({"report.of_foot_on_film", {{"film", i + 1}, {"side", nameOf(foot.side)}, {"caution", c}}});
  }
  cautions.insert(cautions.end(), r.cautions.begin(), r.cautions.end());
  if (!cautions.empty()) {
    doc.heading(doc.words("report.heading_cautions"), "cautions");
    for (const Message& c : cautions) doc.item("!", doc.escaped(c), {.size = 8.8});
  }
}

void table(pdf::Document& doc, const FilmReading& r, words::Sources& sources) {
  doc.heading(doc.words("report.heading_measures"), "measures", 120);
  if (r.measures.empty()) {
    doc.paragraph(doc.words("report.none"));
    return;
  }
  std::vector<pdf::Row> rows;
  for (const FilmMeasure& m : r.measures) {
    std::string limits;
    for (const AppliedLimit& a : m.limits) {
      if (!limits.empty()) limits += "\n";
      const std::string line = doc.escaped(a.words) + " " + sources.cite(a.source, a.certainty);
      limits += a.decides ? line : grey(doc.words("report.shown_only", {{"limit", line}}));
    }
    if (limits.empty()) limits = grey(doc.words("report.no_limit"));
    const bool sign = Shots::isSigned(m);
    rows.push_back({{bold(doc.escaped(m.name)) + (m.note.empty() ? "" : "\n" + grey(doc.escaped(m.note))),
                     fmt::format("{}", m.film + 1),
                     doc.text(amount(m.value, m.unit, sign)) + grey(" ± " + doc.text(number(m.uncertainty))),
                     m.other ? doc.text(amount(*m.other, m.unit, sign)) : grey("–"),
                     m.difference ? doc.text(amount(*m.difference, m.unit, true)) +
                                        grey(" ± " + doc.text(number(*m.difference_uncertainty)))
                                  : grey("–"),
                     limits, verdict(doc.words, m)},
                    m.abnormal == true});
  }
  doc.table({{doc.words("report.column_measure"), 2.5},
             {doc.words("report.column_film"), 0.5, pdf::Align::kCentre},
             {doc.words("report.injured_foot"), 1.25, pdf::Align::kRight},
             {doc.words("report.other_foot"), 0.9, pdf::Align::kRight},
             {doc.words("report.column_difference"), 1.25, pdf::Align::kRight},
             {doc.words("report.abnormal_if"), 2.0},
             {doc.words("report.column_verdict"), 1.1}},
            rows, 7.8);
  doc.paragraph(doc.words("report.half_width_95_interval_places_landmarks"), {.size = 7.8, .colour = pdf::kGrey});
  std::vector<Message> said;
  for (const FilmMeasure& m : r.measures)
    for (const AppliedLimit& a : m.limits)
      if (!a.contradiction.empty())
        said.push_back(
            {"report.limit_contradicted", {{"measure", m.name}, {"limit", a.words}, {"why", a.contradiction}}});
  if (!said.empty()) {
    doc.subheading(doc.words("report.limits_do_not_hold"));
    for (const Message& text : said) doc.item("!", doc.escaped(text), {.size = 8.8});
  }
}

void films(pdf::Document& doc, const Shots& shots, double density) {
  const FilmReading& r = shots.r;
  for (std::size_t i = 0; i < r.films.size(); ++i) {
    const MeasuredFilm& f = r.films[i];
    const FilmInfo& info = f.scan.info;
    doc.newPage();
    doc.heading(filmTitle(doc.words, r, i), fmt::format("film{}", i));
    const Message size = f.spacing.known()
                             ? Message("report.scale_within",
                                       {{"origin", f.spacing.text}, {"within", percent(100 * f.spacing.relative_95)}})
                             : Message("report.not_known");
    doc.paragraph(doc.words("report.film_facts", {{"file", bold(doc.escaped(info.file))},
                                                  {"kind", doc.escaped(nameOf(info.kind))},
                                                  {"columns", f.scan.film.columns},
                                                  {"rows", f.scan.film.rows},
                                                  {"spaced", f.spacing.known() ? "yes" : "no"},
                                                  {"column_mm", number(f.spacing.column_mm, 3)},
                                                  {"row_mm", number(f.spacing.row_mm, 3)},
                                                  {"size", doc.escaped(size)}}),
                  {.size = 8.6});
    const double gap = 8;
    for (std::size_t k = 0; k < std::max<std::size_t>(1, f.feet.size()); ++k) {
      const MeasuredFoot* foot = f.feet.empty() ? nullptr : &f.feet[k];
      const double detail_width = 0.58 * (doc.width() - gap), detail_height = f.feet.size() > 1 ? 270 : 440;
      const auto crop = foot ? shots.detail(i, foot->side, detail_width, detail_height) : std::nullopt;
      doc.block(detail_height + 6, [&](cairo_t* cr, double x, double y, double width) {
        const Crop whole = wholeOf(f.scan.film);
        const double shape = (whole.right - whole.left) / (whole.bottom - whole.top) / info.aspect;
        double w = crop ? width - gap - detail_width : width, h = w / shape;
        if (h > detail_height) {
          h = detail_height;
          w = h * shape;
        }
        shots.drawWhole(cr, i, {whole, x, y, w, h}, crop ? std::vector<Crop>{*crop} : std::vector<Crop>{}, density,
                        !doc.dry());
        if (crop)
          shots.drawDetail(cr, i, *foot, {*crop, x + width - detail_width, y, detail_width, detail_height}, density,
                           !doc.dry());
      });
    }
    doc.paragraph(doc.words("report.key_of_film", {{"measure", pdf::coloured(palette::kFoundText, bold("▬"))},
                                                   {"border", pdf::coloured(palette::kPlace, bold("╌"))},
                                                   {"axis", pdf::coloured(kAxisText, bold("─·"))}}),
                  {.size = 7.8, .colour = pdf::kGrey});
    for (const MeasuredFoot& foot : f.feet) {
      double most = 0;
      std::size_t snapped = 0, edges = 0;
      for (const PlacedLandmark& l : foot.landmarks) {
        snapped += l.snapped ? 1 : 0;
        edges += l.on_edge ? 1 : 0;
        most = std::max(most, std::abs(l.moved_mm));
      }
      if (edges > 0)
        doc.paragraph(doc.words("report.foot_landmarks_borders_moved_nearest_edge",
                                {{"foot", capitalised(Message("report.foot", {{"side", nameOf(foot.side)}}))},
                                 {"snapped", snapped},
                                 {"edges", edges},
                                 {"told", snapped > 0 && f.spacing.known() ? "yes" : "no"},
                                 {"most", mm(most)}}),
                      {.size = 8.6});
    }
  }
}

void definitions(pdf::Document& doc, const FilmReading& r, const words::Sources& sources) {
  doc.heading(doc.words("report.how_measured"), "how");
  for (const FilmMeasure& m : r.measures) {
    doc.item("–", doc.words("join.because", {{"what", bold(doc.escaped(m.name))}, {"why", doc.escaped(m.definition)}}),
             {.size = 8}, 10);
    doc.space(-2);
  }
  if (!sources.all().empty()) {
    doc.heading(doc.words("report.sources_limits"), "sources");
    int n = 0;
    for (const Message& s : sources.all()) {
      doc.item(fmt::format("[{}]", ++n), doc.escaped(s), {.size = 7.8}, 22);
      doc.space(-2);
    }
  }
  doc.space(3);
  for (const std::string& text :
       {doc.words("report.patterns_qu_nu_ss_rev_chir_2"), doc.words("report.stages_nunley_vertullo_am_sports_med")})
    doc.paragraph(text, {.size = 7.8});
  doc.paragraph(grey(doc.words("report.found_read_passage_source_page_quotes")), {.size = 7.8});
  doc.paragraph(bold(doc.words("report.statement")), {.size = 10});
}

void compose(pdf::Document& doc, const Shots& shots, double density) {
  words::Sources sources;
  const Message side = words::capitals(shots.r.injured);
  doc.setTitle(doc.words("report.reading_films", {{"side", side}}),
               doc.words("report.tarsometatarsal_injury_plane_films", {{"side", side}}));
  firstPage(doc, shots.r);
  table(doc, shots.r, sources);
  films(doc, shots, density);
  doc.newPage();
  definitions(doc, shots.r, sources);
}

}  // namespace

Status writeFilmReport(const Words& words, const FilmReading& r, const std::filesystem::path& folder,
                       const ReportSettings& settings) {
  Shots shots{words, r, {}};
  for (const MeasuredFilm& f : r.films) shots.shown.push_back(displayed(f.scan.film, f.scan.info));
  const double density = settings.pixels_per_point;

  std::error_code error;
  std::filesystem::create_directories(folder / "pictures", error);
  if (error)
    return fail(Fault::kInternal, {"file.folder_not_made", {{"why", error.message()}}}, (folder / "pictures").string(),
                "file.check_disk");
  for (std::size_t i = 0; i < r.films.size(); ++i) {
    const MeasuredFilm& f = r.films[i];
    const Crop whole = wholeOf(f.scan.film);
    const double shape = (whole.right - whole.left) / (whole.bottom - whole.top) / f.scan.info.aspect;
    const double side = 460, w = std::min(side, side * shape), h = w / shape;
    std::vector<Crop> boxes;
    for (const MeasuredFoot& foot : f.feet) {
      const double dw = 420, dh = 420;
      const auto crop = shots.detail(i, foot.side, dw, dh);
      if (!crop) continue;
      boxes.push_back(*crop);
      const auto name = fmt::format("film_{}_{}.png", i + 1, sideWord(foot.side));
      if (const Status s = pdf::writePng(folder / "pictures" / name, dw, dh, density,
                                         [&](cairo_t* cr) {
                                           shots.drawDetail(cr, i, foot, {*crop, 0, 0, dw, dh}, density, true);
                                         });
          !s)
        return s;
    }
    if (const Status s = pdf::writePng(folder / "pictures" / fmt::format("film_{}.png", i + 1), w, h, density,
                                       [&](cairo_t* cr) {
                                         shots.drawWhole(cr, i, {whole, 0, 0, w, h}, boxes, density, true);
                                       });
        !s)
      return s;
  }

  const FilmInfo p = patientOf(r);
  const pdf::PageFrame frame =
      reportFrame(words, {p.patient_name, p.patient_id, p.patient_birth_date}, r.injured,
                  words("report.reading_films_2"), settings.made_at.empty() ? localTime() : settings.made_at);
  pdf::Document dry(words, {}, frame);
  compose(dry, shots, density);
  pdf::Document doc(words, folder / "film_report.pdf", frame, &dry);
  compose(doc, shots, density);
  return doc.finish();
}

Status writeFilmPicture(const Words& words, const std::filesystem::path& file, const FilmScan& scan) {
  const Film shown = displayed(scan.film, scan.info);
  const Crop whole = wholeOf(scan.film);
  const double shape = (whole.right - whole.left) / (whole.bottom - whole.top) / scan.info.aspect;
  const double side = 760, w = shape < 1 ? side * shape : side, h = w / shape, edge = 34;
  return pdf::writePng(file, w + edge + 8, h + edge + 8, 1.6, [&](cairo_t* cr) {
    const Window window{whole, edge, edge, w, h};
    const FilmReading none;
    const Shots shots{words, none, {shown}};
    shots.paint(cr, 0, window, 1.6);
    // A step of round numbers, about 12 of them along the longer side.
    double step = 1;
    for (const double s : {10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0})
      if (step < std::max(scan.film.columns, scan.film.rows) / 14.0) step = s;
    const pdf::TextStyle style{.size = 8};
    const auto tick = [&](double from_x, double from_y, double to_x, double to_y) {
      cairo_move_to(cr, from_x, from_y);
      cairo_line_to(cr, to_x, to_y);
      pdf::setColour(cr, kBorder, 0.35);
      cairo_set_line_width(cr, 0.5);
      cairo_stroke(cr);
    };
    for (double c = 0; c < scan.film.columns; c += step) {
      const double x = window.at({c, 0}).x();
      tick(x, edge - 4, x, edge + h);
      pdf::drawText(cr, fmt::format("{:g}", c), x - 20, edge - 15, 40, {.size = 8, .align = pdf::Align::kCentre});
    }
    for (double r = 0; r < scan.film.rows; r += step) {
      const double y = window.at({0, r}).y();
      tick(edge - 4, y, edge + w, y);
      pdf::drawText(cr, fmt::format("{:g}", r), 0, y - 5, edge - 6, {.size = 8, .align = pdf::Align::kRight});
    }
    pdf::drawText(cr, bold(words("report.film_column")), edge, 4, -1, style);
    pdf::drawText(cr, bold(words("report.film_row")), 2, 16, -1, style);
  });
}

}  // namespace rayset
