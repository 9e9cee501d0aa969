// GCC 12 reports false overlaps in "text" + std::string() (GCC bug 105651).
#ifndef __clang__
#pragma GCC diagnostic ignored "-Wrestrict"
#endif

#include "report/report.h"

#include <cairo.h>
#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <optional>
#include <set>
#include <utility>

#include "base/aside.h"
#include "base/dates.h"
#include "base/units.h"
#include "case/open_questions.h"
#include "geometry/side.h"
#include "image/filters.h"
#include "report/board.h"
#include "report/film_shots.h"
#include "report/frame.h"
#include "report/page.h"
#include "report/palette.h"
#include "report/pictures.h"
#include "report/words.h"

namespace rayset {
namespace {

using pdf::bold;
using pdf::escaped;
using pdf::grey;
using words::RayState;

std::string orNone(const pdf::Document& doc, const std::string& text) {
  return text.empty() ? pdf::coloured(pdf::kGrey, doc.words("report.not_images")) : doc.escaped(text);
}

Message pageNumber(int page) { return {"report.page_number", {{"page", page}}}; }

/// Everything the pages are made of, computed once.
struct Content {
  const Case& c;
  std::string made_at;
  std::vector<Shot> shots;
  words::KnownAxes axes;
  PerRay<JointFit> joint_before{};  // if both bones exist
};

pdf::PageFrame pageFrame(const Words& words, const Content& k) {
  const Case& c = k.c;
  return reportFrame(words, {c.scan.patient_name, c.scan.patient_id, c.scan.patient_birth_date}, c.side,
                     words("report.plan_reduction_fixation"), k.made_at);
}

/// Of a picture, with the side in front.
std::string captionOf(const pdf::Document& doc, const Content& k, const Message& caption) {
  return doc.words("report.caption_of_side",
                   {{"side", bold(doc.escaped(words::capitals(k.c.side)))}, {"caption", doc.escaped(caption)}});
}

/// Comes first in the report.
void toSettle(pdf::Document& doc, const Case& c) {
  const std::vector<OpenQuestion> open = openQuestions(c);
  if (open.empty()) return;
  doc.heading(doc.words("report.settle_first"), "settle");
  for (const OpenQuestion& q : open)
    doc.item(bold(q.ray ? "◊" : "!"), bold(doc.escaped(q.what)) + " " + doc.escaped(q.settle), {.size = 10.5}, 16);
}

void firstPage(pdf::Document& doc, const Content& k) {
  const Case& c = k.c;
  // Patient and images on the left, the side in large letters on the right.
  const std::vector<std::pair<std::string, std::string>> facts{
      {doc.words("report.patient"), words::personName(c.scan.patient_name).empty()
                                        ? orNone(doc, {})
                                        : bold(doc.escaped(words::personName(c.scan.patient_name)))},
      {doc.words("report.id"), orNone(doc, c.scan.patient_id)},
      {doc.words("report.born_sex"),
       doc.words("join.comma", {{"first", orNone(doc, isoDate(c.scan.patient_birth_date))},
                                {"second", orNone(doc, c.scan.patient_sex)}})},
      {doc.words("report.study"), (c.scan.study_description.empty()
                                       ? orNone(doc, isoDate(c.scan.study_date))
                                       : doc.words("join.comma", {{"first", orNone(doc, isoDate(c.scan.study_date))},
                                                                  {"second", doc.escaped(c.scan.study_description)}})) +
                                      (c.scan.accession.empty() ? ""
                                                                : grey("  " + doc.words("report.accession") + " ") +
                                                                      doc.escaped(c.scan.accession))},
      {doc.words("report.series"), (c.scan.series_number.empty() ? std::string()
                                                                 : grey(doc.words("report.series_number") + " ") +
                                                                       doc.escaped(c.scan.series_number) + "  ") +
                                       (c.scan.series_description.empty() ? grey(doc.words("report.no_description"))
                                                                          : doc.escaped(c.scan.series_description))},
      {doc.words("report.image_set"), doc.words("report.slices_voxels_mm", {{"z", c.grid.size.z()},
                                                                            {"x", c.grid.size.x()},
                                                                            {"y", c.grid.size.y()},
                                                                            {"number", number(c.grid.spacing.x(), 2)},
                                                                            {"number_2", number(c.grid.spacing.y(), 2)},
                                                                            {"number_3", number(c.grid.spacing.z(), 2)},
                                                                            {"files", c.scan.files}})},
      {doc.words("report.other_foot"), doc.escaped(words::otherFoot(c))}};
  drawFacts(doc, facts, c.side);

  toSettle(doc, c);
  doc.heading(doc.words("report.heading_finding"), "finding");
  const words::Finding f = words::finding(c);
  doc.paragraph(bold(doc.escaped(f.headline)), {.size = 11.5, .spacing = 2.5});
  for (const Message& line : f.rays)
    doc.item(pdf::coloured(palette::kFoundText, "▲"), doc.escaped(line), {.size = 9.5});
  for (const Message& line : f.unknown) doc.item(bold("?"), doc.escaped(line), {.size = 9.5});
  doc.space(2);
  const auto pattern = [&](const std::string& name, const PatternName& p) {
    if (p.value.empty()) return;
    const Message reason = sentence(p.reason);
    doc.paragraph(
        doc.words("report.pattern_stated", {{"scheme", name}, {"name", bold(doc.escaped(nameOfKey(p.value)))}}) +
        (reason.empty() ? "" : " " + grey(doc.escaped(reason))));
  };
  pattern(doc.words("report.pattern_qu_nu_ss"), c.patterns.quenu_kuss);
  pattern(doc.words("report.pattern_hardcastle"), c.patterns.hardcastle);
  pattern(doc.words("report.pattern_myerson"), c.patterns.myerson);
  doc.paragraph(doc.words("report.columns_involved", {{"columns", bold(doc.escaped(words::columns(c)))}}));

  doc.subheading(doc.words("report.how_place_each_ray_found"));
  for (const Message& line : words::method(c)) doc.paragraph(doc.escaped(line));

  const auto cautions = words::caseCautions(c);
  doc.subheading(cautions.empty() ? doc.words("report.cautions_case_none")
                                  : doc.words("report.cautions_case", {{"cautions", cautions.size()}}));
  const std::size_t shown = std::min<std::size_t>(cautions.size(), 4);
  for (std::size_t i = 0; i < shown; ++i) doc.item(bold("!"), doc.escaped(cautions[i].text), {}, 12);
  const int where = doc.pageOf("cautions");
  const Message place = where > 0 ? pageNumber(where) : Message("report.see_cautions");
  doc.paragraph(grey(cautions.size() > shown ? doc.words("report.more_cautions_where_harm_possible",
                                                         {{"cautions", cautions.size() - shown}, {"place", place}})
                                             : doc.words("report.where_harm_possible_at", {{"place", place}})));
}

/// The keys of several pictures, each once.
std::vector<LegendEntry> keysOf(const Words& words, const Case& c, const std::vector<const Shot*>& shots) {
  std::vector<LegendEntry> out;
  for (const Shot* s : shots)
    for (const LegendEntry& e : legend(words, c, s->group))
      if (std::none_of(out.begin(), out.end(), [&](const LegendEntry& o) { return o.text == e.text; }))
        out.push_back(e);
  return out;
}

// The rest of the first page shows the foot: as scanned, reduced, and with its devices, as far as they fit.
void firstLook(pdf::Document& doc, const Content& k) {
  constexpr double kText = 44, kLeast = 150, kGap = 8;
  // As high as three side by side allow.
  double shapes = 0;
  for (const Shot& s : k.shots)
    if (s.name == "injured_dorsal" || s.name == "metal_dorsal" || s.name == "reduced_dorsal")
      shapes += static_cast<double>(s.view.width_px) / s.view.height_px;
  const double height = std::min({doc.room() - kText, 260.0, shapes > 0 ? (doc.width() - 2 * kGap - 1) / shapes : 0.0});
  if (height < kLeast) return;
  std::vector<const Shot*> shots;
  double used = 0;
  for (const char* name : {"injured_dorsal", "metal_dorsal", "reduced_dorsal"})
    for (const Shot& s : k.shots) {
      const double w = height * s.view.width_px / s.view.height_px;
      if (s.name != name || used + w > doc.width() || (shots.size() == 2 && k.c.fixation.devices.empty())) continue;
      shots.push_back(&s);
      used += w + kGap;
    }
  if (shots.size() == 3) std::swap(shots[1], shots[2]);
  if (shots.empty()) return;
  std::vector<LegendEntry> entries = keysOf(doc.words, k.c, shots);
  const double keys = drawLegend(doc.context(), entries, 0, 0, doc.width(), false);
  if (height + 18 + keys > doc.room()) {  // a second row of keys: leave out the pictures in the middle
    if (shots.size() == 3) shots.erase(shots.begin() + 1);
    entries = keysOf(doc.words, k.c, shots);
  }
  doc.block(std::min(height + 18 + keys, doc.room()), [&](cairo_t* cr, double x, double y, double width) {
    for (const Shot* s : shots) {
      const double w = height * s->view.width_px / s->view.height_px;
      const double h = drawShot(doc.words, cr, *s, x, y, w, !doc.dry());
      pdf::drawText(cr, captionOf(doc, k, s->caption), x, y + h + 2, w, {.size = 7.8, .one_line = true});
      x += w + kGap;
    }
    drawLegend(cr, entries, doc.left(), y + height + 15, width);
  });
}

void board(pdf::Document& doc, const Content& k) {
  const double height = drawBoard(doc.words, doc.context(), k.c, doc.left(), 0, doc.width(), false);
  doc.heading(doc.words("report.ray_board_surgeon_sees", {{"side", nameOf(k.c.side)}}), "board", height + 4);
  doc.block(height, [&](cairo_t* cr, double x, double y, double width) { drawBoard(doc.words, cr, k.c, x, y, width); });
}

// Shots two per row, captions below, legend at the end.
void shotRows(pdf::Document& doc, const Content& k, const std::vector<const Shot*>& shots,
              const std::vector<double>& widths) {
  constexpr double kGap = 10;
  const std::size_t per_row = widths.size();
  for (std::size_t first = 0; first < shots.size(); first += per_row) {
    const std::size_t last = std::min(first + per_row, shots.size());
    double height = 0;
    for (std::size_t i = first; i < last; ++i)
      height = std::max(height, widths[i - first] * shots[i]->view.height_px / shots[i]->view.width_px);
    doc.block(height + 18, [&](cairo_t* cr, double x, double y, double) {
      for (std::size_t i = first; i < last; ++i) {
        const double w = widths[i - first];
        const double h = drawShot(doc.words, cr, *shots[i], x, y, w, !doc.dry());
        const Message& caption = shots[i]->short_caption.empty() ? shots[i]->caption : shots[i]->short_caption;
        pdf::drawText(cr, captionOf(doc, k, caption), x, y + h + 2, w, {.size = 7.8, .one_line = true});
        x += w + kGap;
      }
    });
  }
}

std::vector<const Shot*> pick(const Content& k, const std::vector<std::string>& names) {
  std::vector<const Shot*> out;
  for (const std::string& name : names)
    for (const Shot& s : k.shots)
      if (s.name == name) out.push_back(&s);
  return out;
}

// What the C-arm will show: each view in its three states side by side.
void films(pdf::Document& doc, const Content& k) {
  std::vector<const Shot*> shots;
  for (const Shot& s : k.shots)
    if (s.group == "film") shots.push_back(&s);
  if (shots.empty()) return;
  doc.heading(doc.words("report.what_films_will_show"), "films", 260);
  doc.paragraph(doc.words("report.simulated_ct_point_source_1016_mm"), {.size = 8.5});
  std::size_t first = 0;
  while (first < shots.size()) {  // one row per view
    std::size_t last = first;
    while (last < shots.size() && shots[last]->heading == shots[first]->heading) ++last;
    doc.subheading(doc.words(shots[first]->heading), 200);
    const double width = (doc.width() - 10 * static_cast<double>(last - first - 1)) / static_cast<double>(last - first);
    shotRows(doc, k,
             {shots.begin() + static_cast<std::ptrdiff_t>(first), shots.begin() + static_cast<std::ptrdiff_t>(last)},
             std::vector<double>(last - first, std::min(width, 190.0)));
    first = last;
  }
}

void legendRow(pdf::Document& doc, std::vector<LegendEntry> entries) {
  if (entries.empty()) return;
  const double h = drawLegend(doc.context(), entries, 0, 0, doc.width(), false);
  doc.block(h + 2, [&](cairo_t* cr, double x, double y, double width) { drawLegend(cr, entries, x, y, width); });
}

void pictures(pdf::Document& doc, const Content& k) {
  const auto shots = pick(k, {"injured_dorsal", "reduced_dorsal", "injured_medial", "reduced_medial", "injured_lateral",
                              "reduced_lateral"});
  if (shots.empty()) return;
  doc.heading(doc.words("report.foot_scanned_will"), "pictures", 300);
  legendRow(doc, keysOf(doc.words, k.c, shots));
  const double half = (doc.width() - 10) / 2;
  shotRows(doc, k, shots, {half, half});
  doc.paragraph(grey(doc.words("report.same_frame_both_columns_seen_along")), {.size = 7.6});
}

void measures(pdf::Document& doc, const Content& k, words::Sources& sources) {
  const Case& c = k.c;
  doc.heading(doc.words("report.heading_measures"), "measures");
  if (c.measures.empty()) {
    doc.paragraph(doc.words("report.no_measure_could_taken_bones_found"));
    return;
  }
  const int how = doc.pageOf("how");
  doc.paragraph(grey(doc.words("report.measured_ct_outside_limit_within_no",
                               {{"place", how > 0 ? pageNumber(how) : Message("report.see_below")}})),
                {.size = 7.8});
  std::vector<pdf::Row> rows;
  for (const Measure& m : c.measures) {
    const Unit unit = unitOf(m.unit);
    // One more digit if rounding would make a value look equal to the limit it was judged by.
    const std::optional<double> judged = m.limit_on_difference ? m.difference : std::optional<double>(m.value);
    const int decimals =
        m.limit && judged && doc.text(number(std::abs(*judged))) == doc.text(number(std::abs(*m.limit))) ? 2 : 1;
    const auto value = [&](double v) { return doc.escaped(doc.text({v, unit, decimals})); };
    const auto reduced = std::find_if(c.measures_reduced.begin(), c.measures_reduced.end(),
                                      [&](const Measure& r) { return r.key == m.key; });
    std::string limit = "–";
    const bool either_way = !m.limit_is_lower && !m.limit_on_difference && m.value < 0 && m.abnormal.value_or(false);
    if (m.limit)
      limit = (m.limit_is_lower ? "≥ "
               : either_way     ? "± "
                                : "≤ ") +
              value(*m.limit) + (m.limit_on_difference ? "\n" + grey(doc.words("report.limit_on_difference")) : "");
    std::string verdict = "–";
    if (m.abnormal)
      verdict = *m.abnormal ? bold(doc.words(words::marked("▲", "report.outside_limit")))
                            : doc.words(words::marked("●", "report.within_limit"));
    rows.push_back({{bold(doc.escaped(m.name)), value(m.value), limit, m.other_side ? value(*m.other_side) : "–",
                     m.difference ? doc.escaped(doc.text({*m.difference, unit, decimals, true})) : "–",
                     reduced != c.measures_reduced.end() ? value(reduced->value) : "–", verdict,
                     sources.cite(m.source) +
                         (m.certainty.empty() ? "" : " " + grey(doc.escaped(words::certaintyName(m.certainty))))},
                    m.abnormal.value_or(false)});
  }
  doc.table({{doc.words("report.column_measure"), 3.3},
             {doc.words("report.scanned"), 0.92, pdf::Align::kRight},
             {doc.words("report.column_limit"), 1.0, pdf::Align::kRight},
             {doc.words("report.other_foot"), 0.9, pdf::Align::kRight},
             {doc.words("report.column_difference_narrow"), 0.92, pdf::Align::kRight},
             {doc.words("report.column_after"), 0.9, pdf::Align::kRight},
             {doc.words("report.column_verdict"), 1.05},
             {doc.words("report.source_certainty"), 1.5}},
            rows, 7.4);
}

constexpr double kFacesMeetMm2 = 30;  ///< least facing area closer than 2 mm for a step to mean something; our choice

void reduction(pdf::Document& doc, const Content& k) {
  const Case& c = k.c;
  doc.heading(doc.words("report.heading_reduction"), "reduction");
  Message order;
  for (const Ray ray : c.reduction.order) {
    const Message next("report.figure", {{"figure", ray}});
    order = order.empty() ? next : Message("report.then_next", {{"first", order}, {"next", next}});
  }
  if (!order.empty()) doc.paragraph(doc.words("report.order_rays", {{"order", bold(doc.escaped(order))}}));
  std::vector<pdf::Row> rows;
  std::vector<Ray> rays = c.reduction.order;
  for (const Ray ray : kRays)
    if (std::find(rays.begin(), rays.end(), ray) == rays.end()) rays.push_back(ray);
  for (const Ray ray : rays) {
    const RayState s = words::state(c, ray);
    const std::string name = bold(doc.words("report.ray_number", {{"ray", ray}})) + "\n" + doc.words(words::marked(s));
    const RayReduction* found = find(c.reduction.rays, ray);
    if (found == nullptr) {
      rows.push_back({{name, doc.words("report.not_planned_bone_ray_missing"), "–", "–", "–", "–", "–"}});
      continue;
    }
    const RayReduction& r = *found;
    std::string manoeuvre;
    for (std::size_t i = 0; i < r.manoeuvre.size(); ++i)
      manoeuvre += fmt::format("{}{}. {}", i > 0 ? "\n" : "", i + 1, doc.escaped(capitalised(r.manoeuvre[i])));
    if (manoeuvre.empty()) {
      manoeuvre = doc.words("report.no_manoeuvre_needed");
    } else if (s == RayState::kInPlace) {
      // The planned place of a ray in place differs a little from where it was found.
      manoeuvre = doc.words("report.place_planned_place") + grey(manoeuvre);
    }
    const auto before = k.joint_before.find(ray);
    const auto pair = [&](double JointFit::*field, int decimals) {
      const std::string after = doc.text(number(r.joint.*field, decimals));
      // If the faces do not meet, a step between the dorsal edges means nothing.
      const bool apart =
          before != k.joint_before.end() && field == &JointFit::step_mm && before->second.contact_mm2 < kFacesMeetMm2;
      return before == k.joint_before.end() || apart
                 ? "– → " + after
                 : doc.text(number(before->second.*field, decimals)) + " → " + after;
    };
    rows.push_back(
        {{name, manoeuvre.empty() ? doc.words("report.no_manoeuvre_needed") : manoeuvre, pair(&JointFit::gap_mm, 1),
          pair(&JointFit::step_mm, 1), pair(&JointFit::overlap_mm, 1), pair(&JointFit::contact_mm2, 0),
          r.by_hand ? doc.words("report.placed_hand")
                    : "±" + doc.text(mm(r.uncertainty_mm)) + "\n±" + doc.text(words::degrees(r.uncertainty_rad, 1))},
         s == RayState::kDisplaced});
  }
  doc.table({{doc.words("report.column_ray"), 1.1},
             {doc.words("report.column_manoeuvre"), 3.9},
             {doc.words("report.column_gap"), 1.0, pdf::Align::kRight},
             {doc.words("report.dorsal_step_mm"), 1.05, pdf::Align::kRight},
             {doc.words("report.column_overlap"), 1.0, pdf::Align::kRight},
             {doc.words("report.column_contact"), 1.1, pdf::Align::kRight},
             {doc.words("report.column_half_width"), 1.0, pdf::Align::kRight}},
            rows, 7.6);
  doc.paragraph(grey(doc.words("report.joint_each_metatarsal_tarsal_bone_scanned")), {.size = 7.6});
}

// Dorsal at the left over the full height, the two side views stacked at the right.
void overview(pdf::Document& doc, const Content& k, const std::vector<const Shot*>& shots, double half) {
  constexpr double kGap = 10;
  const double dorsal = half * shots[0]->view.height_px / shots[0]->view.width_px;
  const double side = half * shots[1]->view.height_px / shots[1]->view.width_px;
  doc.block(std::max(dorsal, 2 * side + 16) + 18, [&](cairo_t* cr, double x, double y, double) {
    const auto one = [&](const Shot& s, double sx, double sy) {
      const double h = drawShot(doc.words, cr, s, sx, sy, half, !doc.dry());
      pdf::drawText(cr, captionOf(doc, k, s.caption), sx, sy + h + 2, half, {.size = 7.8, .one_line = true});
    };
    one(*shots[0], x, y);
    one(*shots[1], x + half + kGap, y);
    one(*shots[2], x + half + kGap, y + side + 16);
  });
}

void fixation(pdf::Document& doc, const Content& k, words::Sources& sources) {
  const Case& c = k.c;
  const auto shots = pick(k, {"metal_dorsal", "metal_medial", "metal_lateral"});
  doc.heading(doc.words("report.heading_fixation"), "fixation", shots.size() == 3 ? 360 : 60);
  if (c.fixation.devices.empty()) {
    doc.paragraph(c.fixation.cautions.empty() ? doc.words("report.no_device_planned")
                                              : doc.words("report.no_device_planned_why_see_cautions"));
    return;
  }
  std::vector<Message> without;
  for (const Ray ray : kRays)
    if (std::none_of(c.fixation.devices.begin(), c.fixation.devices.end(),
                     [&](const Device& d) { return d.ray == ray; }))
      without.push_back(nameOf(ray));
  if (!without.empty())
    doc.paragraph(doc.words(
        "report.no_device_planned_for_rays",
        {{"rays", bold(doc.escaped(Message("report.parts", {{"parts", all(without)}})))}, {"count", without.size()}}));
  if (shots.size() == 3) {
    legendRow(doc, legend(doc.words, c, "metal"));
    overview(doc, k, shots, (doc.width() - 10) / 2);
  }

  const auto name = [&doc](const Device& d) {
    return bold(doc.escaped(d.id)) +
           (d.stage == DeviceStage::kTemporary ? "\n" + grey(doc.words(nameOfKey(word(d.stage)))) : std::string());
  };
  std::vector<pdf::Row> rows, checks;
  for (const Device& d : c.fixation.devices) {
    const ImplantType* type = c.catalogue.find(d.type);
    const bool drilled = traits(d.kind).threaded;
    const auto size = [&](double v) { return drilled && v > 0 ? doc.text(number(v)) : std::string("–"); };
    rows.push_back(
        {{name(d), std::to_string(d.ray.number()),
          doc.escaped(words::implantName(c, d)) + (type != nullptr ? " " + sources.cite(type->source) : ""),
          bold(doc.text(number(d.length_mm, 0))), drilled ? doc.text(number(d.measured_depth_mm)) : "–",
          size(type != nullptr ? type->drill_mm : 0), size(d.countersink_mm), size(type != nullptr ? type->tap_mm : 0),
          doc.escaped(words::entry(c, d, k.axes)) + "\n" + doc.escaped(words::through(d)),
          doc.escaped(words::direction(c, d))}});
    const DeviceChecks& q = d.checks;
    std::string notes;
    for (const Message& w : d.warnings)
      notes += fmt::format("{}<b>!</b> {}", notes.empty() ? "" : "\n", doc.escaped(w));
    if (!q.other_bones.empty())
      notes += fmt::format("{}<b>!</b> {}", notes.empty() ? "" : "\n",
                           doc.escaped(Message("report.enters_bones", {{"bones", all(q.other_bones)}})));
    checks.push_back({{name(d), doc.text(number(100 * q.inside_fraction, 0)), doc.text(number(q.cortex_margin_mm)),
                       q.nearest_device_mm < 999 ? doc.text(number(q.nearest_device_mm)) : "–",
                       doc.text(number(q.joint_area_lost_percent)), doc.text(number(q.crossing_off_centre_mm)),
                       doc.text(number(q.tip_beyond_cortex_mm)), doc.text(words::degrees(q.angle_to_surface_rad)),
                       q.mean_hu != 0 ? doc.text(number(q.mean_hu, 0)) : "–", doc.words(words::pullout(d)),
                       notes.empty() ? doc.words("report.no_notes") : notes},
                      !notes.empty()});
  }
  doc.subheading(doc.words("report.heading_devices"), 80);
  using pdf::Align;
  doc.table({{doc.words("report.column_device"), 1.0},
             {doc.words("report.column_ray"), 0.45, Align::kCentre},
             {doc.words("report.column_implant"), 1.75},
             {doc.words("report.column_length"), 0.75, Align::kRight},
             {doc.words("report.column_gauge"), 0.75, Align::kRight},
             {doc.words("report.column_drill"), 0.6, Align::kRight},
             {doc.words("report.column_sink"), 0.6, Align::kRight},
             {doc.words("report.column_tap"), 0.55, Align::kRight},
             {doc.words("report.entry_way"), 2.3},
             {doc.words("report.column_direction"), 2.7}},
            rows, 7.4);
  doc.paragraph(grey(doc.words("report.reduced_foot_length_screw_top_sunk")), {.size = 7.6});
  doc.subheading(doc.words("report.checks_each_device"), 80);
  doc.table({{doc.words("report.column_device"), 1.0},
             {doc.words("report.bone"), 0.75, Align::kRight},
             {doc.words("report.cortex_margin_mm"), 0.85, Align::kRight},
             {doc.words("report.next_device_mm"), 0.85, Align::kRight},
             {doc.words("report.joint_face_lost"), 0.9, Align::kRight},
             {doc.words("report.off_centre_mm"), 0.8, Align::kRight},
             {doc.words("report.tip_beyond_cortex_mm"), 1.0, Align::kRight},
             {doc.words("report.cortex"), 0.8, Align::kRight},
             {doc.words("report.column_bone_hu"), 0.65, Align::kRight},
             {doc.words("report.column_pullout"), 1.1, Align::kRight},
             {doc.words("report.column_notes"), 2.4}},
            checks, 7.4);
  doc.paragraph(grey(doc.words("report.bone_share_path_inside_bones_named")), {.size = 7.6});
}

void rayPictures(pdf::Document& doc, const Content& k) {
  bool first = true;
  for (const Ray ray : kRays) {
    const auto shots = pick(k, {fmt::format("ray{}_side", ray), fmt::format("ray{}_dorsal", ray)});
    if (shots.size() != 2) continue;
    // Equal heights side by side.
    const double gap = 10, ratio0 = static_cast<double>(shots[0]->view.height_px) / shots[0]->view.width_px,
                 ratio1 = static_cast<double>(shots[1]->view.height_px) / shots[1]->view.width_px;
    const double height = (doc.width() - gap) / (1 / ratio0 + 1 / ratio1);
    if (first) doc.heading(doc.words("report.each_ray_devices"), "rays", height + 40);
    first = false;
    shotRows(doc, k, shots, {height / ratio0, height / ratio1});
    doc.space(2);
  }
  if (!first) legendRow(doc, legend(doc.words, k.c, "ray"));
}

std::string alarmMark() { return pdf::coloured(palette::kVermilion, "▲ "); }

void theatre(pdf::Document& doc, const Content& k) {
  doc.heading(doc.words("report.theatre_step_step"), "steps");
  doc.paragraph(grey(doc.words("report.made_order_reduction_devices_above_sequence")), {.size = 7.8});
  int n = 0;
  for (const words::Step& step : words::steps(k.c, k.axes)) {
    doc.need(44);
    const bool alarm = !step.alarms.empty();
    doc.item(bold(fmt::format("{}", ++n)), (alarm ? alarmMark() : std::string()) + bold(doc.escaped(step.title)),
             {.size = 9.5}, 20);
    for (const Message& line : step.alarms) {
      doc.space(-1.5);
      doc.item("      " + alarmMark(), bold(doc.escaped(line)), {.size = 8.8}, 30);
    }
    for (const Message& line : step.lines) {
      doc.space(-1.5);
      doc.item("      –", doc.escaped(line), {.size = 8.8}, 30);
    }
    doc.space(2);
  }
  doc.heading(doc.words("report.table"), "instruments");
  for (const Message& line : words::instruments(k.c)) {
    doc.item("☐", doc.escaped(capitalised(line)), {.size = 9}, 16);
    doc.space(-2);
  }
}

void cautions(pdf::Document& doc, const Content& k, words::Sources& sources) {
  doc.heading(doc.words("report.heading_cautions"), "cautions");
  const auto own = words::caseCautions(k.c);
  if (!openQuestions(k.c).empty())
    doc.paragraph(doc.words("report.what_settled_first_stands", {{"page", bold(doc.escaped(pageNumber(1)))}}));
  doc.subheading(doc.words("report.case"));
  if (own.empty()) doc.paragraph(doc.words("report.none"));
  for (const words::Caution& caution : own) doc.item(bold("!"), doc.escaped(caution.text), {}, 12);
  doc.subheading(doc.words("report.where_harm_possible"));
  for (const words::Caution& caution : words::standingCautions(k.c))
    doc.item(bold("!"), doc.escaped(caution.text) + " " + grey(sources.cite(caution.source)), {}, 12);
  doc.heading(doc.words("report.how_sure_plan"), "uncertainty");
  for (const Message& line : words::uncertainty(k.c)) doc.item("–", doc.escaped(line), {}, 12);
  doc.heading(doc.words("report.what_program_did_not_do"), "not_done");
  for (const Message& line : words::notDone(k.c)) doc.item("–", doc.escaped(line), {}, 12);
}

void howMeasured(pdf::Document& doc, const Content& k) {
  if (std::none_of(k.c.measures.begin(), k.c.measures.end(), [](const Measure& m) { return !m.note.empty(); })) return;
  doc.heading(doc.words("report.how_each_measure_taken"), "how");
  // Measures taken the same way share a paragraph.
  std::vector<std::pair<Message, std::vector<Message>>> ways;
  for (const Measure& m : k.c.measures) {
    if (m.note.empty()) continue;
    const auto it = std::find_if(ways.begin(), ways.end(), [&](const auto& w) { return w.first == m.note; });
    if (it == ways.end()) {
      ways.push_back({m.note, {m.name}});
    } else {
      it->second.push_back(m.name);
    }
  }
  for (const auto& [note, names] : ways) {
    const std::string title = doc.escaped(doc.words.list(doc.words.texts(names), List::Kind::kEach));
    doc.item("–", doc.words("join.because", {{"what", bold(title)}, {"why", doc.escaped(note)}}), {.size = 7.8}, 10);
    doc.space(-2);
  }
}

void boneTable(pdf::Document& doc, const Content& k) {
  const Case& c = k.c;
  if (c.bones.empty()) return;
  doc.heading(doc.words("report.bones_found"), "bones");
  std::vector<pdf::Row> rows;
  std::vector<Message> missing;
  for (const Bone b : kMidfootBones)
    if (!c.bones.contains(b)) missing.push_back({"report.bone_named", {{"id", boneId(b)}, {"bone", nameOf(b)}}});
  const auto images = [&doc](const SegmentedBone& s) {
    return s.complete ? doc.words("report.whole") : bold(doc.words("report.cut_field_view_3"));
  };
  for (const auto& [b, s] : c.bones)
    rows.push_back(
        {{bold(std::string(boneId(b))), doc.escaped(nameOf(b)), doc.text(number(s.volume_mm3 / 1000)), images(s),
          s.confidence < kDoubtful ? bold("▲ " + doc.text(percent(100 * s.confidence)))
                                   : doc.text(percent(100 * s.confidence)),
          (s.by_hand ? bold(doc.words("report.corrected_hand")) + " " : "") + doc.escaped(s.doubt)}});
  for (const auto& [id, f] : c.fragments)
    rows.push_back({{bold(id), doc.words("report.piece_second_metatarsal"), doc.text(number(f.bone.volume_mm3 / 1000)),
                     images(f.bone), doc.text(percent(100 * f.bone.confidence)), doc.escaped(f.bone.doubt)}});
  doc.table({{doc.words("report.column_id"), 0.8},
             {doc.words("report.column_bone"), 2},
             {doc.words("report.column_volume"), 0.8, pdf::Align::kRight},
             {doc.words("report.images"), 1.5},
             {doc.words("report.column_confidence"), 0.9, pdf::Align::kRight},
             {doc.words("report.column_doubt"), 2.4}},
            rows, 7.4);
  if (!missing.empty())
    doc.paragraph(bold(doc.words("report.not_found")) + " " +
                  doc.escaped(Message("report.bones_listed", {{"bones", all(missing)}})));
}

void sourceList(pdf::Document& doc, const words::Sources& sources) {
  doc.heading(doc.words("report.heading_sources"), "sources");
  const pdf::TextStyle style{.size = 7.8};
  int n = 0;
  for (const Message& s : sources.all()) {
    doc.item(fmt::format("[{}]", ++n), doc.escaped(s), style, 22);
    doc.space(-2);
  }
  doc.space(3);
  for (const std::string& s :
       {doc.words("report.turns_ray_rotation_sequence_after_grood"), doc.words("report.patterns_qu_nu_ss_rev_chir"),
        doc.words("report.lines_looked_under_arm_wheeless_anatomy")})
    doc.paragraph(s, style);
  doc.paragraph(grey(doc.words("report.most_numbers_come_passages_these_sources")), style);
  doc.space(4);
  doc.paragraph(bold(doc.words("report.statement")), {.size = 10});
}

void compose(pdf::Document& doc, const Content& k) {
  words::Sources sources;
  const Message side = words::capitals(k.c.side);
  doc.setTitle(doc.words("report.plan_reduction_fixation_2", {{"side", side}}),
               doc.words("report.tarsometatarsal_injury", {{"side", side}}));
  firstPage(doc, k);
  firstLook(doc, k);
  board(doc, k);
  measures(doc, k, sources);
  pictures(doc, k);
  reduction(doc, k);
  fixation(doc, k, sources);
  rayPictures(doc, k);
  films(doc, k);
  theatre(doc, k);
  cautions(doc, k, sources);
  boneTable(doc, k);
  howMeasured(doc, k);
  sourceList(doc, sources);
}

Status makeFolder(const std::filesystem::path& folder) {
  std::error_code error;
  std::filesystem::create_directories(folder, error);
  if (error)
    return fail(Fault::kInternal, {"file.folder_not_made", {{"why", error.message()}}}, folder.string(),
                "file.check_disk");
  return {};
}

Status writeBones(const BoneSurfaces& bones, const std::filesystem::path& folder) {
  if (Status made = makeFolder(folder); !made) return made;
  for (const auto& [bone, surface] : bones) {
    if (surface.empty()) continue;
    if (Status s = writeStl(folder / (std::string(boneId(bone)) + ".stl"), surface); !s) return s;
  }
  return {};
}

/// Surfaces, devices, labels and grey values.
Status writeData(const Case& c, const std::map<std::string, Surface>& devices, const std::filesystem::path& folder) {
  if (Status s = writeBones(c.injured, folder / "surfaces"); !s) return s;
  if (Status s = writeBones(c.reduction.reduced, folder / "reduced"); !s) return s;
  for (const auto& [id, f] : c.fragments) {
    if (Status s = writeStl(folder / "surfaces" / (id + ".stl"), f.bone.surface); !s) return s;
    if (Status s = writeStl(folder / "reduced" / (id + ".stl"), f.reduced); !s) return s;
  }
  if (Status s = makeFolder(folder / "devices"); !s) return s;
  for (const auto& [id, surface] : devices)
    if (Status s = writeStl(folder / "devices" / (id + ".stl"), surface); !s) return s;
  if (c.labels.grid.count() > 0 && !c.labels.voxels.empty())
    if (Status s = writeNrrd(folder / "labels.nrrd", c.labels); !s) return s;
  if (c.bodies.bones.empty()) return {};
  return writeBodies(folder / "bodies", c.bodies);
}

Status writeShots(const Words& words, const Content& k, const std::filesystem::path& folder) {
  std::vector<std::function<Status()>> writers;
  for (const Shot& shot : k.shots)
    writers.emplace_back([&] {
      return writeShot(words, folder / (shot.name + ".png"), k.c.side, shot, legend(words, k.c, shot.group));
    });
  return writtenBeside(writers);
}

}  // namespace

Status writeReport(const Words& words, const Case& c, const std::filesystem::path& folder, const Progress& progress,
                   const ReportSettings& settings) {
  progress("report", 0);
  if (Status s = makeFolder(folder / "pictures"); !s) return s;
  std::map<std::string, Surface> devices;
  for (const Device& d : c.fixation.devices)
    if (Surface surface = deviceSurface(d, c.catalogue); !surface.empty()) devices[d.id] = std::move(surface);
  // Files run on one thread each; they are written while pictures are made, and pictures while pages are set.
  Status data, shots;
  Aside files;
  files.tasks.run([&] { data = writeData(c, devices, folder); });

  const words::KnownAxes axes = words::axesOf(c);
  Content content{c, settings.made_at.empty() ? localTime() : settings.made_at,
                  makeShots(c, devices, axes, settings.pixels_per_point, progress), axes};
  if (progress.cancelled()) return cancelledError();
  for (Shot& shot : makeFilmShots(c)) content.shots.push_back(std::move(shot));
  if (progress.cancelled()) return cancelledError();
  Aside pictures;  // after what it looks at
  pictures.tasks.run([&] { shots = writeShots(words, content, folder / "pictures"); });
  EachRay<std::optional<JointFit>> joints;
  tbb::parallel_for(std::size_t{0}, kRays.size(), [&](std::size_t n) {
    const Ray ray = kRays[n];
    const auto m = c.injured.find(metatarsal(ray)), t = c.injured.find(tarsalPartner(ray));
    if (m != c.injured.end() && t != c.injured.end() && !m->second.empty() && !t->second.empty())
      joints[ray] = jointFit(m->second, t->second, c.reduction.frame.dorsal);
  });
  for (const Ray ray : kRays)
    if (const auto& joint = joints[ray]) content.joint_before[ray] = *joint;
  if (progress.cancelled()) return cancelledError();
  progress("report", 0.9);

  // A dry run to count the pages and locate the sections; then for real.
  pdf::Document dry(words, {}, pageFrame(words, content));
  compose(dry, content);
  pdf::Document doc(words, folder / "report.pdf", pageFrame(words, content), &dry);
  compose(doc, content);
  const Status pages = doc.finish();
  files.tasks.wait();
  pictures.tasks.wait();
  for (const Status* status : {&std::as_const(data), &std::as_const(shots), &pages})
    if (!*status) return *status;
  progress("report", 1);
  return {};
}

}  // namespace rayset
