// GCC 12 sees overlaps in "text" + std::string() that are not there (GCC bug 105651).
#ifndef __clang__
#pragma GCC diagnostic ignored "-Wrestrict"
#endif

#include "report/verification_report.h"

#include <cairo.h>
#include <fmt/format.h>
#include <tbb/parallel_invoke.h>

#include <algorithm>
#include <cmath>
#include <functional>

#include "anatomy/frames.h"
#include "base/aside.h"
#include "base/dates.h"
#include "base/units.h"
#include "injury/shift_words.h"
#include "report/board.h"
#include "report/film_shots.h"
#include "report/frame.h"
#include "report/page.h"
#include "report/palette.h"
#include "report/words.h"

namespace rayset {
namespace {

using pdf::bold;
using pdf::escaped;
using pdf::grey;

// Each has its own pattern too.
constexpr pdf::Colour kPlannedOnFilm = palette::kSkyBlue, kFoundOnFilm = palette::kOrange;

/// A film with plan and findings drawn in, and its simulation as found.
struct FilmPair {
  std::string file, view;
  double similarity = 0;
  Shot real, simulated;
  ProjectionView cropped;  // of both
};

struct Content {
  const Words& words;
  const VerificationReport& r;
  std::string made_at;
  BoneSurfaces found;
  std::vector<Shot> shots;
  std::vector<FilmPair> films;
};

/// The verdict with a sign of its own.
Message mark(Outcome o) {
  const char* sign = o == Outcome::kAnatomical   ? "●"
                     : o == Outcome::kAcceptable ? "◐"
                     : o == Outcome::kNotReduced ? "▲"
                                                 : "?";
  return words::marked(sign, nameOfKey(wordOf(o)));
}

/// "± 0.4 mm, ± 1.2°"
std::string withTurn(const pdf::Document& doc, const std::string& shift, double turn_95_rad) {
  return doc.words("join.comma", {{"first", shift}, {"second", "± " + doc.text(words::degrees(turn_95_rad, 1))}});
}
std::string within95(const pdf::Document& doc, double shift_95_mm, double turn_95_rad) {
  return withTurn(doc, "± " + doc.text(mm(shift_95_mm)), turn_95_rad);
}

/// The planned place as a ring in the middle, the limits around it, the found place as a dot with its 95 % interval.
void drawTarget(cairo_t* cr, double x, double y, double size, double right_mm, double up_mm, double within_mm,
                double points_per_mm, Outcome verdict, const std::array<std::string, 4>& edges) {
  pdf::setColour(cr, 0xFFFFFF);
  cairo_rectangle(cr, x, y, size, size);
  cairo_fill_preserve(cr);
  pdf::setColour(cr, pdf::kRule);
  cairo_set_line_width(cr, 0.5);
  cairo_stroke(cr);
  cairo_save(cr);
  cairo_rectangle(cr, x, y, size, size);
  cairo_clip(cr);
  const double cx = x + size / 2, cy = y + size / 2;
  const double fx = cx + right_mm * points_per_mm, fy = cy - up_mm * points_per_mm;
  pdf::setColour(cr, palette::kFound, 0.22);
  cairo_arc(cr, fx, fy, within_mm * points_per_mm, 0, 2 * M_PI);
  cairo_fill(cr);
  pdf::setColour(cr, palette::kPlace);
  cairo_set_line_width(cr, 1.1);
  cairo_arc(cr, cx, cy, points_per_mm, 0, 2 * M_PI);
  cairo_stroke(cr);
  const double dashes[2] = {3, 2};
  cairo_set_dash(cr, dashes, 2, 0);
  cairo_arc(cr, cx, cy, 2 * points_per_mm, 0, 2 * M_PI);
  cairo_stroke(cr);
  cairo_set_dash(cr, nullptr, 0, 0);
  cairo_move_to(cr, cx - 3, cy);
  cairo_line_to(cr, cx + 3, cy);
  cairo_move_to(cr, cx, cy - 3);
  cairo_line_to(cr, cx, cy + 3);
  cairo_stroke(cr);
  pdf::setColour(cr, pdf::kInk);
  if (verdict == Outcome::kNotReduced) {
    cairo_move_to(cr, fx, fy - 4);
    cairo_line_to(cr, fx + 3.8, fy + 3);
    cairo_line_to(cr, fx - 3.8, fy + 3);
    cairo_close_path(cr);
  } else {
    cairo_arc(cr, fx, fy, 2.6, 0, 2 * M_PI);
  }
  cairo_fill(cr);
  cairo_restore(cr);
  const pdf::TextStyle small{.size = 5.8, .colour = pdf::kGrey};
  const double h = pdf::drawText(cr, "Mg", 0, 0, -1, small, false);
  const auto centred = [&](const std::string& t, double at, double ty) {
    pdf::drawText(cr, t, at - 0.5 * pdf::textWidth(cr, t, small), ty, -1, small);
  };
  centred(edges[0], cx, y + 1);
  centred(edges[1], cx, y + size - h - 1);
  pdf::drawText(cr, edges[2], x + 2, cy + 5, -1, small);
  pdf::drawText(cr, edges[3], x + size - 2 - pdf::textWidth(cr, edges[3], small), cy + 5, -1, small);
}

/// Five columns as the surgeon sees the foot from the head of the table.
void targets(pdf::Document& doc, const Content& k) {
  const Verification& v = *k.r.found;
  double most = 2.6;
  for (const auto& [ray, r] : v.rays)
    most = std::max({most, std::hypot(r.off.lateral_mm, r.off.distal_mm) + 0.4,
                     std::hypot(r.off.dorsal_mm, r.off.distal_mm) + 0.4});
  const double gap = 6, size = (doc.width() - 4 * gap) / 5;
  const double lateral = boardSense(k.r.plan->side).lateral;
  const std::string left = doc.words(lateral > 0 ? "report.way_medial" : "report.way_lateral"),
                    right = doc.words(lateral > 0 ? "report.way_lateral" : "report.way_medial");
  doc.block(2 * size + 48, [&](cairo_t* cr, double x, double y, double) {
    double cx = x;
    for (const Ray ray : boardOrder(k.r.plan->side)) {
      const RayOutcome* found = find(v.rays, ray);
      pdf::drawText(cr, bold(doc.escaped(capitalised(Message("report.ray", {{"ray", nameOf(ray)}})))), cx, y, size,
                    {.size = 9, .align = pdf::Align::kCentre});
      pdf::drawText(cr, found == nullptr ? doc.words("report.not_found_2") : doc.words(mark(found->verdict)), cx,
                    y + 12, size, {.size = 8, .align = pdf::Align::kCentre});
      if (found != nullptr) {
        const RayOutcome& r = *found;
        const double scale = 0.5 * size / most;
        drawTarget(cr, cx, y + 25, size, lateral * r.off.lateral_mm, r.off.distal_mm, r.shift_95_mm, scale, r.verdict,
                   {doc.words("report.way_distal"), doc.words("report.way_proximal"), left, right});
        drawTarget(cr, cx, y + 29 + size, size, lateral * r.off.lateral_mm, r.off.dorsal_mm, r.shift_95_mm, scale,
                   r.verdict, {doc.words("report.way_dorsal"), doc.words("report.way_plantar"), left, right});
      }
      cx += size + gap;
    }
  });
  doc.paragraph(doc.words("report.base_each_metatarsal_cross_where_planned"), {.size = 7.8, .colour = pdf::kGrey});
}

void firstPage(pdf::Document& doc, const Content& k) {
  const PlanRecord& plan = *k.r.plan;
  const Verification& v = *k.r.found;
  const auto orNone = [&doc](const std::string& text) {
    return text.empty() ? grey(doc.words("report.not_plan")) : doc.escaped(text);
  };
  std::vector<std::pair<std::string, std::string>> facts{
      {doc.words("report.patient"),
       plan.patient_name.empty() ? orNone({}) : bold(doc.escaped(words::personName(plan.patient_name)))},
      {doc.words("report.id"), orNone(plan.patient_id)},
      {doc.words("report.plan"), doc.words("report.ct", {{"date", orNone(isoDate(plan.study_date))}})}};
  if (!v.ct.empty()) facts.emplace_back(doc.words("report.checked"), doc.escaped(v.ct));
  for (std::size_t n = 0; n < v.films.size(); ++n)
    facts.emplace_back(doc.words("report.film_number", {{"film", n + 1}}),
                       doc.escaped(v.films[n].view) + grey("  " + doc.escaped(v.films[n].file)));
  drawFacts(doc, facts, plan.side);

  doc.heading(doc.words("report.heading_reduction"), "reduction");
  std::vector<Message> off;
  for (const auto& [ray, r] : v.rays)
    if (r.verdict == Outcome::kNotReduced) off.push_back(nameOf(ray));
  const Message headline =
      v.verdict == Outcome::kUnknown && v.oneFilm() ? Message("report.one_film_no_ray_found_off")
      : v.verdict == Outcome::kUnknown              ? Message("report.could_not_judged")
      : off.empty() ? Message("report.every_ray_found", {{"verdict", capitalised(nameOfKey(wordOf(v.verdict)))}})
                    : Message("report.not_reduced", {{"rays", all(off)}, {"count", off.size()}});
  doc.paragraph(bold(doc.escaped(headline)), {.size = 11.5, .spacing = 2.5});
  if (!v.sure && v.verdict != Outcome::kUnknown) {
    std::vector<Message> doubts;
    for (const auto& [ray, r] : v.rays)
      if (!r.doubt.empty() && std::ranges::find(doubts, r.doubt) == doubts.end()) doubts.push_back(r.doubt);
    for (const Message& doubt : doubts) {
      std::vector<Message> rays;
      for (const auto& [ray, r] : v.rays)
        if (r.doubt == doubt) rays.push_back(nameOf(ray));
      doc.item(
          bold("?"),
          doc.escaped(Message("report.not_sure_of", {{"rays", all(rays)}, {"count", rays.size()}, {"why", doubt}})),
          {.size = 9.5});
    }
  }
  for (const Ray ray : kRays) {
    if (v.rays.contains(ray)) continue;
    doc.item(bold("?"), doc.escaped(Message("report.bone_not_found_not_judged", {{"bone", nameOf(metatarsal(ray))}})),
             {.size = 9.5});
  }
  doc.space(3);
  targets(doc, k);
  std::vector<pdf::Row> rows;
  for (const auto& [ray, r] : v.rays) {
    const std::string within =
        v.oneFilm()
            ? doc.words("report.in_films_plane", {{"off", number(r.in_plane_mm)}, {"within", mm(r.in_plane_95_mm)}})
            : "± " + doc.text(mm(r.shift_95_mm)) +
                  grey("  " + doc.words("report.least_sure", {{"way", doc.escaped(r.weakest_words)}}));
    Message way;
    for (const Message& part : shiftParts(r.off, 0, Unit::kNone))
      way = way.empty() ? part : Message("join.comma", {{"first", way}, {"second", part}});
    rows.push_back({{fmt::format("{}", ray), doc.text(number(r.shift_mm)), doc.escaped(way),
                     doc.text(words::degrees(r.turn_rad, 1)), withTurn(doc, within, r.turn_95_rad),
                     doc.words(mark(r.verdict)) + (r.sure ? "" : bold(" ?"))},
                    r.verdict == Outcome::kNotReduced});
  }
  doc.table({{doc.words("report.column_ray"), 0.4, pdf::Align::kCentre},
             {doc.words("report.off_mm"), 0.7, pdf::Align::kRight},
             {doc.words("report.way_mm"), 2.6},
             {doc.words("report.column_turned"), 0.7, pdf::Align::kRight},
             {doc.words("report.column_interval"), 2.4},
             {doc.words("report.column_verdict"), 1.2}},
            rows, 8);
  std::vector<Message> angles;
  for (const Measure& m : v.measures)
    if (m.key == "talo_m1_lateral" || m.key == "talo_m1_dorsoplantar")
      angles.push_back(
          {"report.name_figure", {{"name", m.name}, {"figure", Quantity{m.value, unitOf(m.unit), 1, true}}}});
  if (!angles.empty())
    doc.paragraph(doc.escaped(Message("report.angles_stated", {{"angles", all(angles)}})), {.size = 8.6});
  doc.paragraph(doc.words("report.against_plan_tarsus_standing_still_anatomical"), {.size = 7.8, .colour = pdf::kGrey});
}

void metal(pdf::Document& doc, const Content& k) {
  const Verification& v = *k.r.found;
  if (v.devices.empty()) return;
  doc.heading(doc.words("report.heading_metal"), "metal", 90);
  std::vector<pdf::Row> rows;
  for (const DeviceOutcome& d : v.devices) {
    const Device* planned = k.r.plan->device(d.id);
    const std::string remarks = doc.words.list(doc.words.texts(d.warnings), List::Kind::kEach);
    const std::string name =
        bold(doc.escaped(d.id)) + (planned ? grey("  " + doc.escaped(words::through(*planned))) : "");
    if (!d.seen)
      rows.push_back({{name, "–", "–", "–", "–", doc.words("report.not_found_images")}, true});
    else
      rows.push_back({{name, doc.text(number(d.entry_off_mm)), doc.text(number(d.tip_off_mm)),
                       doc.text(words::degrees(d.axis_off_rad, 1)),
                       within95(doc, std::max(d.entry_95_mm, d.tip_95_mm), d.axis_95_rad),
                       d.warnings.empty() ? doc.words("report.planned") : "▲ " + doc.escaped(remarks)},
                      !d.warnings.empty()});
  }
  doc.table({{doc.words("report.column_device"), 1.3},
             {doc.words("report.entry_off_mm"), 0.9, pdf::Align::kRight},
             {doc.words("report.tip_off_mm"), 0.8, pdf::Align::kRight},
             {doc.words("report.axis_off"), 0.7, pdf::Align::kRight},
             {doc.words("report.column_interval"), 1.2},
             {doc.words("report.column_remarks"), 3.2}},
            rows, 8);
}

void change(pdf::Document& doc, const Content& k) {
  const Verification& v = *k.r.found;
  if (!v.since) return;
  const std::string title = v.since->since.empty() ? doc.words("report.since_earlier_check")
                                                   : doc.words("report.since_check", {{"date", v.since->since}});
  doc.heading(title, "change", 90);
  std::vector<pdf::Row> rows;
  for (const RayChange& c : v.since->rays)
    rows.push_back({{doc.words("report.ray_number", {{"ray", c.ray}}), doc.text(number(c.shift_mm)),
                     doc.text(words::degrees(c.turn_rad, 1)), within95(doc, c.shift_95_mm, c.turn_95_rad),
                     (c.moved ? "▲ " : "") + doc.escaped(c.words)},
                    c.moved});
  for (const DeviceChange& c : v.since->devices)
    rows.push_back(
        {{bold(doc.escaped(c.id)), c.seen ? doc.text(number(std::hypot(c.backed_out_mm, c.aside_mm))) : "–",
          c.seen ? doc.text(words::degrees(c.axis_rad, 1)) : "–",
          c.seen ? within95(doc, c.shift_95_mm, c.axis_95_rad) : "–", (c.moved ? "▲ " : "") + doc.escaped(c.words)},
         c.moved});
  doc.table({{"", 0.7},
             {doc.words("report.moved_mm"), 0.8, pdf::Align::kRight},
             {doc.words("report.column_turned"), 0.7, pdf::Align::kRight},
             {doc.words("report.column_interval"), 1.3},
             {doc.words("report.what_changed"), 3.4}},
            rows, 8);
  doc.paragraph(doc.words("report.rays_against_tarsus_devices_against_bone"), {.size = 7.8, .colour = pdf::kGrey});
}

void pictures(pdf::Document& doc, const Content& k) {
  if (k.shots.empty()) return;
  doc.heading(doc.words("report.found_against_plan"), "pictures", 260);
  for (std::size_t n = 0; n < k.shots.size(); n += 2) {
    double height = 0;
    const double half = (doc.width() - 10) / 2;
    for (std::size_t m = n; m < std::min(n + 2, k.shots.size()); ++m)
      height = std::max(height, half * k.shots[m].view.height_px / k.shots[m].view.width_px);
    doc.block(height + 14, [&](cairo_t* cr, double x, double y, double) {
      for (std::size_t m = n; m < std::min(n + 2, k.shots.size()); ++m) {
        const double left = x + static_cast<double>(m - n) * (half + 10);
        const double h = drawShot(doc.words, cr, k.shots[m], left, y, half, !doc.dry());
        pdf::drawText(cr, doc.escaped(k.shots[m].caption), left, y + h + 2, half, {.size = 7.8, .colour = pdf::kGrey});
      }
    });
  }
  doc.paragraph(doc.words("report.solid_found_orange_where_ray_not"), {.size = 7.8, .colour = pdf::kGrey});
}

/// The film in `crop` as a picture with the marks of every picture.
Shot shotOfFilm(const Content& k, const CheckedFilm& film, const ProjectionView& view, const PixelBox& crop,
                const std::string& name, const Message& caption) {
  const Film shown = displayed(film.scan.film, film.scan.info);
  SimulatedFilm part{view, Film(crop.columns, crop.rows), FilmedState::kMetal};
  for (int r = 0; r < crop.rows; ++r)
    for (int c = 0; c < crop.columns; ++c) part.film.at(c, r) = shown.at(crop.column + c, crop.row + r);
  const FilmedFoot foot{k.r.plan->side, plantarFrame(k.r.plan->reduced, k.r.plan->frame, k.r.plan->side), {}, {}};
  Shot shot = shotOf(foot, part, caption, name, (pdf::kPageWidth - 2 * pdf::kMargin - 10) / 2);
  shot.caption = caption;
  shot.note = {};
  return shot;
}

/// Axes of metatarsals and devices, planned dashed and found solid, on a film drawn at (x, y), `width` wide.
void drawAxes(cairo_t* cr, const Content& k, const FilmPair& f, double x, double y, double width) {
  const double scale = width / f.cropped.columns, height = scale * f.cropped.rows;
  cairo_save(cr);
  cairo_rectangle(cr, x, y, width, height);
  cairo_clip(cr);
  const auto line = [&](const Vec3& a, const Vec3& b, bool planned, double w) {
    const Vec2 p = f.cropped.project(a), q = f.cropped.project(b);
    const auto path = [&] {
      cairo_move_to(cr, x + (p.x() + 0.5) * scale, y + (p.y() + 0.5) * scale);
      cairo_line_to(cr, x + (q.x() + 0.5) * scale, y + (q.y() + 0.5) * scale);
    };
    const double dashes[2] = {4, 2.5};
    pdf::setColour(cr, 0x000000, 0.5);
    cairo_set_line_width(cr, w + 1.2);
    path();
    cairo_stroke(cr);
    pdf::setColour(cr, planned ? kPlannedOnFilm : kFoundOnFilm);
    cairo_set_line_width(cr, w);
    cairo_set_dash(cr, dashes, planned ? 2 : 0, 0);
    path();
    cairo_stroke(cr);
    cairo_set_dash(cr, nullptr, 0, 0);
  };
  const PlanRecord& plan = *k.r.plan;
  for (const auto& [ray, r] : k.r.found->rays) {
    const Surface& bone = plan.reduced.at(metatarsal(ray));
    const PrincipalAxes axes = principalAxes(bone.vertices);
    const Vec3 along = 1.6 * axes.spread[0] * axes.axes.col(0);
    line(axes.centre - along, axes.centre + along, true, 0.9);
    line(r.planned_to_found * Vec3(axes.centre - along), r.planned_to_found * Vec3(axes.centre + along), false, 0.9);
  }
  for (const DeviceOutcome& d : k.r.found->devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || !d.seen) continue;
    line(planned->entry, planned->tip, true, 1.3);
    line(d.entry, d.tip, false, 1.3);
    const Vec2 at = f.cropped.project(d.entry);
    pdf::drawText(cr, bold(pdf::escaped(d.id)), x + at.x() * scale + 4, y + at.y() * scale - 9, -1,
                  {.size = 6.6, .colour = 0xFFFFFF});
  }
  cairo_restore(cr);
}

void films(pdf::Document& doc, const Content& k) {
  for (std::size_t n = 0; n < k.films.size(); ++n) {
    const FilmPair& f = k.films[n];
    const double half = (doc.width() - 10) / 2, height = half * f.cropped.rows / f.cropped.columns;
    doc.heading(
        doc.words("report.heading_checked_film", {{"film", n + 1}, {"view", f.view.substr(0, f.view.find(" ("))}}),
        fmt::format("film{}", n), height + 40);
    doc.block(height + 14, [&](cairo_t* cr, double x, double y, double) {
      drawShot(doc.words, cr, f.real, x, y, half, !doc.dry());
      drawAxes(cr, k, f, x, y, half);
      drawShot(doc.words, cr, f.simulated, x + half + 10, y, half, !doc.dry());
      pdf::drawText(cr, doc.words("report.film_axes_planned_found"), x, y + height + 2, half,
                    {.size = 7.8, .colour = pdf::kGrey});
      pdf::drawText(cr, doc.words("report.what_would_look_like_everything_found"), x + half + 10, y + height + 2, half,
                    {.size = 7.8, .colour = pdf::kGrey});
    });
    doc.paragraph(doc.words("report.matched_1_perfect_planned_found",
                            {{"escaped", doc.escaped(f.file)},
                             {"number", number(f.similarity, 2)},
                             {"coloured", pdf::coloured(palette::kPlace, bold("╌"))},
                             {"coloured_2", pdf::coloured(palette::kFoundText, bold("─"))}}),
                  {.size = 8});
  }
  if (!k.films.empty()) doc.paragraph(doc.words("report.look_both_where_two_pictures_differ"), {.size = 8.6});
}

void cautions(pdf::Document& doc, const Content& k) {
  doc.heading(doc.words("report.heading_cautions"), "cautions");
  for (const Message& text : k.r.found->cautions) doc.item("!", doc.escaped(text), {.size = 8.8});
  doc.item("!", doc.words("report.check_looks_what_planned_other_metal"), {.size = 8.8});
}

void compose(pdf::Document& doc, const Content& k) {
  const Message side = words::capitals(k.r.plan->side);
  doc.setTitle(doc.words("report.check_after_operation", {{"side", side}}),
               doc.words("report.tarsometatarsal_reduction_metal", {{"side", side}}));
  firstPage(doc, k);
  metal(doc, k);
  change(doc, k);
  cautions(doc, k);
  pictures(doc, k);
  films(doc, k);
}

/// Each film beside the foot as found, filmed the same way.
std::vector<FilmPair> pairsOf(const Content& k) {
  std::vector<FilmPair> out;
  if (k.r.films == nullptr || k.r.bodies == nullptr) return out;
  const PlanRecord& plan = *k.r.plan;
  const FootProjector projector(*k.r.bodies);
  std::map<std::string, Rigid> poses = plan.injured_to_reduced;
  for (const auto& [ray, r] : k.r.found->rays) {
    const std::string id(boneId(metatarsal(ray)));
    for (auto& [body, pose] : poses)
      if (body == id || body.rfind(id + ".", 0) == 0) pose = r.planned_to_found * pose;
  }
  std::vector<MetalSolid> solids;
  for (const DeviceOutcome& d : k.r.found->devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || !d.seen) continue;
    solids.push_back(metalSolid(asFound(*planned, d), *k.r.catalogue));
  }
  const FilmedFoot foot{plan.side, plantarFrame(plan.reduced, plan.frame, plan.side), poses, solids};
  for (std::size_t n = 0; n < k.r.films->size() && n < k.r.found->films.size(); ++n) {
    const FilmOutcome& f = k.r.found->films[n];
    const ProjectionView& view = f.exposed;
    PixelBox box = projector.shadow(view, poses, true);
    const int margin = static_cast<int>(std::lround(8 / view.pixel_mm));
    const int left = std::max(0, box.column - margin), top = std::max(0, box.row - margin);
    box = {left, top, std::min(view.columns, box.column + box.columns + margin) - left,
           std::min(view.rows, box.row + box.rows + margin) - top};
    if (box.columns < 8 || box.rows < 8) continue;
    FilmPair pair;
    pair.file = f.file;
    pair.view = k.words(f.view);
    pair.similarity = f.similarity;
    pair.cropped = view.cropped(box.column, box.row, box.columns, box.rows);
    pair.real = shotOfFilm(k, (*k.r.films)[n], pair.cropped, box, fmt::format("check_film_{}", n + 1),
                           Message("report.film_of_view", {{"film", n + 1}, {"view", f.view}}));
    ToneSettings tone;
    tone.pixel_mm = pair.cropped.pixel_mm;
    const std::vector<float> plain = projector.lineIntegrals(pair.cropped, poses);
    tone.window = toneWindow(exposure(plain, pair.cropped.columns, pair.cropped.rows, tone), tone);
    const std::vector<float> integrals = projector.lineIntegrals(pair.cropped, poses, solids);
    const SimulatedFilm simulated{pair.cropped, simulatedFilm(integrals, pair.cropped.columns, pair.cropped.rows, tone),
                                  FilmedState::kMetal};
    pair.simulated = shotOf(foot, simulated, f.view, fmt::format("check_film_{}_simulated", n + 1), pair.real.width_pt);
    out.push_back(std::move(pair));
  }
  return out;
}

}  // namespace

Status writeVerificationReport(const Words& words, const VerificationReport& r, const std::filesystem::path& folder,
                               const ReportSettings& settings) {
  const PlanRecord& plan = *r.plan;
  Content k{words, r, settings.made_at.empty() ? localTime() : settings.made_at, plan.reduced, {}, {}};
  CheckedFoot foot{plan.side, plan.frame, plan.reduced, {}, {}, {}, {}};
  for (const auto& [ray, found] : r.found->rays) {
    Surface& bone = k.found.at(metatarsal(ray));
    bone = transformed(bone, found.planned_to_found);
    if (found.verdict == Outcome::kNotReduced) foot.off.push_back(ray);
  }
  foot.found = k.found;
  for (const DeviceOutcome& d : r.found->devices) {
    const Device* planned = plan.device(d.id);
    if (planned == nullptr || !d.seen) continue;
    foot.devices_planned[d.id] = deviceSurface(*planned, *r.catalogue);
    foot.devices_found[d.id] = deviceSurface(asFound(*planned, d), *r.catalogue);
  }
  tbb::parallel_invoke([&] { k.shots = makeCheckShots(foot, settings.pixels_per_point); },
                       [&] { k.films = pairsOf(k); });

  std::error_code error;
  std::filesystem::create_directories(folder / "pictures", error);
  if (error)
    return fail(Fault::kInternal, {"file.folder_not_made", {{"why", error.message()}}}, (folder / "pictures").string(),
                "file.check_disk");
  // Pictures are written while the pages are set; each file runs on one thread.
  std::vector<std::function<Status()>> writers;
  for (const Shot& shot : k.shots)
    writers.emplace_back([&] { return writeShot(words, folder / "pictures" / (shot.name + ".png"), plan.side, shot); });
  for (const FilmPair& f : k.films) {
    writers.emplace_back([&] {
      const double width = 420, height = width * f.cropped.rows / f.cropped.columns;
      return pdf::writePng(folder / "pictures" / (f.real.name + ".png"), width, height, settings.pixels_per_point,
                           [&](cairo_t* cr) {
                             drawShot(words, cr, f.real, 0, 0, width);
                             drawAxes(cr, k, f, 0, 0, width);
                           });
    });
    writers.emplace_back(
        [&] { return writeShot(words, folder / "pictures" / (f.simulated.name + ".png"), plan.side, f.simulated); });
  }
  Status written;
  Aside pictures;
  pictures.tasks.run([&] { written = writtenBeside(writers); });
  const pdf::PageFrame frame = reportFrame(words, {plan.patient_name, plan.patient_id, std::nullopt}, plan.side,
                                           words("report.check_after_operation_2"), k.made_at);
  pdf::Document dry(words, {}, frame);
  compose(dry, k);
  pdf::Document doc(words, folder / "verification.pdf", frame, &dry);
  compose(doc, k);
  const Status pages = doc.finish();
  pictures.tasks.wait();
  return written ? pages : written;
}

}  // namespace rayset
