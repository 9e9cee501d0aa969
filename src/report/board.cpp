// GCC 12 sees overlaps in "text" + std::string() that are not there (GCC bug 105651).
#ifndef __clang__
#pragma GCC diagnostic ignored "-Wrestrict"
#endif

#include "report/board.h"

#include <cairo.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "base/units.h"
#include "injury/shift_words.h"
#include "report/palette.h"
#include "report/pictures.h"
#include "report/words.h"

namespace rayset {
namespace {

using words::RayState;
namespace marks = board_marks;

constexpr double kGap = 5, kPad = 5;

void line(cairo_t* cr, double x0, double y0, double x1, double y1) {
  cairo_move_to(cr, x0, y0);
  cairo_line_to(cr, x1, y1);
  cairo_stroke(cr);
}

template <std::size_t N>
void outline(cairo_t* cr, const std::array<marks::Corner, N>& corners, double x, double y) {
  for (const auto& [right, up] : corners) cairo_line_to(cr, x + right, y - up);
  cairo_close_path(cr);
}

void arrow(cairo_t* cr, double x0, double y0, double x1, double y1) {
  const double length = std::hypot(x1 - x0, y1 - y0);
  if (length < 0.5) return;
  const double ux = (x1 - x0) / length, uy = (y1 - y0) / length,
               head = std::min(marks::kHead, marks::kHeadShare * length);
  const double shaft = marks::kShaftInHead * head, half = marks::kHeadHalfWidth * head;
  line(cr, x0, y0, x1 - shaft * ux, y1 - shaft * uy);
  cairo_move_to(cr, x1, y1);
  cairo_line_to(cr, x1 - head * ux + half * uy, y1 - head * uy - half * ux);
  cairo_line_to(cr, x1 - head * ux - half * uy, y1 - head * uy + half * ux);
  cairo_close_path(cr);
  cairo_fill(cr);
}

// One inset: where the base belongs (ring), where it was found (dot), the arrow between them to scale, and both shafts
// as sticks at their angle (length not to scale).
struct Inset {
  double x, y, width, height;
  double origin_x, origin_y;  // of where the base belongs
  double points_per_mm;
  std::string top, bottom, left, right;
};

void drawInset(cairo_t* cr, const Inset& in, double right_mm, double up_mm, double stick_right, double stick_up,
               double found_right, double found_up, RayState state) {
  pdf::setColour(cr, 0xFFFFFF);
  cairo_rectangle(cr, in.x, in.y, in.width, in.height);
  cairo_fill_preserve(cr);
  pdf::setColour(cr, pdf::kRule);
  cairo_set_line_width(cr, 0.5);
  cairo_stroke(cr);
  const pdf::TextStyle small{.size = 5.8, .colour = pdf::kGrey};
  const double h = pdf::drawText(cr, "Mg", 0, 0, -1, small, false);
  const auto centred = [&](const std::string& t, double cx, double ty) {
    pdf::drawText(cr, t, cx - 0.5 * pdf::textWidth(cr, t, small), ty, -1, small);
  };
  centred(in.top, in.x + in.width / 2, in.y + 1);
  if (!in.bottom.empty()) centred(in.bottom, in.x + in.width / 2, in.y + in.height - h - 1);
  // The words for sideways are at the bottom of the inset, clear of the sticks.
  pdf::drawText(cr, in.left, in.x + 2, in.y + in.height - h - 1, -1, small);
  pdf::drawText(cr, in.right, in.x + in.width - 2 - pdf::textWidth(cr, in.right, small), in.y + in.height - h - 1, -1,
                small);
  if (state == RayState::kUnknown) {
    pdf::drawText(cr, pdf::bold("?"), in.x, in.y + in.height / 2 - 14, in.width,
                  {.size = 22, .colour = pdf::kGrey, .align = pdf::Align::kCentre});
    return;
  }
  cairo_save(cr);
  cairo_rectangle(cr, in.x, in.y, in.width, in.height);
  cairo_clip(cr);
  const double ox = in.origin_x, oy = in.origin_y;
  const double stick = 0.42 * std::min(in.width, in.height);
  // Where it belongs.
  pdf::setColour(cr, palette::kPlace);
  cairo_set_line_width(cr, 1.6);
  const double dashes[2] = {3, 2};
  cairo_set_dash(cr, dashes, 2, 0);
  line(cr, ox, oy, ox + stick * stick_right, oy - stick * stick_up);
  cairo_set_dash(cr, nullptr, 0, 0);
  cairo_set_line_width(cr, 1.2);
  cairo_arc(cr, ox, oy, marks::kBelongsRadius, 0, 2 * M_PI);
  cairo_stroke(cr);
  // Where it was found.
  const bool displaced = state == RayState::kDisplaced;
  const double fx = ox + in.points_per_mm * right_mm, fy = oy - in.points_per_mm * up_mm;
  pdf::setColour(cr, displaced ? palette::kFound : pdf::kGrey);
  cairo_set_line_width(cr, 2.2);
  line(cr, fx, fy, fx + stick * found_right, fy - stick * found_up);
  if (displaced) {  // triangle; in place: dot; undecided: diamond
    outline(cr, marks::kDisplaced, fx, fy);
  } else if (state == RayState::kUntold) {
    outline(cr, marks::kUntold, fx, fy);
  } else {
    cairo_arc(cr, fx, fy, marks::kInPlaceRadius, 0, 2 * M_PI);
  }
  cairo_fill(cr);
  pdf::setColour(cr, pdf::kInk);
  cairo_set_line_width(cr, 1.1);
  arrow(cr, ox, oy, fx, fy);
  cairo_restore(cr);
}

/// "first in order"
Message rank(std::size_t index) {
  static const char* names[5] = {"report.order_first", "report.order_second", "report.order_third",
                                 "report.order_fourth", "report.order_last"};
  return names[std::min<std::size_t>(index, 4)];
}

}  // namespace

std::vector<Ray> boardOrder(Side side) {
  std::vector<Ray> order(kRays.begin(), kRays.end());
  if (side == Side::kLeft) std::ranges::reverse(order);
  return order;
}

double drawBoard(const Words& words, cairo_t* cr, const Case& c, double x, double y, double width, bool draw) {
  const double column = (width - 4 * kGap) / 5, inner = column - 2 * kPad;
  const double top_h = 88, side_h = 76, roll_h = 34;
  const bool right_foot = c.side == Side::kRight;
  const auto [lateral_sign, distal_sign] = boardSense(c.side);

  double most = kBoardLeastMm;
  for (const auto& [ray, d] : c.rays)
    most = std::max({most, std::abs(d.lateral_mm), std::abs(d.dorsal_mm), std::abs(d.distal_mm)});
  const double points_per_mm = std::min(4.0, 0.25 * side_h / most);

  const pdf::TextStyle text{.size = 7.4, .spacing = 0.6}, small{.size = 6.4, .colour = pdf::kGrey};
  double height = 0;
  for (const int pass : {0, 1}) {  // measure, then draw with equal heights
    if (pass == 1 && !draw) break;
    const std::vector<Ray> order = boardOrder(c.side);
    for (std::size_t k = 0; k < 5; ++k) {
      const Ray ray = order[k];
      const RayDisplacement* found = find(c.rays, ray);
      const RayDisplacement d = found != nullptr ? *found : RayDisplacement{};
      const RayReduction* r = find(c.reduction.rays, ray);
      const RayState s = words::state(c, ray);
      const double cx = x + static_cast<double>(k) * (column + kGap), ix = cx + kPad;
      double cy = y + kPad;
      const bool on = pass == 1;
      if (on) {
        pdf::setColour(cr, s == RayState::kDisplaced ? palette::kFoundBand : 0xF5F6F7);
        cairo_rectangle(cr, cx, y, column, height);
        cairo_fill_preserve(cr);
        pdf::setColour(cr, s == RayState::kDisplaced ? palette::kFound : pdf::kRule);
        const double dashes[2] = {4, 2.5};
        if (s == RayState::kUntold) pdf::setColour(cr, pdf::kInk);
        cairo_set_dash(cr, dashes, s == RayState::kUntold ? 2 : 0, 0);
        cairo_set_line_width(cr, s == RayState::kDisplaced ? 1.6 : s == RayState::kUntold ? 1.2 : 0.6);
        cairo_stroke(cr);
        cairo_set_dash(cr, nullptr, 0, 0);
      }
      cy += pdf::drawText(
          cr,
          pdf::bold(words("report.ray_number", {{"ray", ray}})) +
              pdf::coloured(pdf::kGrey, "  " + words("report.board_bones", {{"metatarsal", boneId(metatarsal(ray))},
                                                                            {"tarsal", boneId(tarsalPartner(ray))}})),
          ix, cy, inner, {.size = 10, .one_line = true}, on);
      cy += pdf::drawText(cr, pdf::bold(words(words::marked(s))), ix, cy, inner,
                          {.size = 9, .colour = s == RayState::kDisplaced ? palette::kFoundText : pdf::kInk}, on) +
            3;

      Inset top{ix,
                cy,
                inner,
                top_h,
                ix + inner / 2,
                cy + top_h * 0.68,
                points_per_mm,
                words("report.way_distal"),
                "",
                words(wayName(right_foot ? "medial" : "lateral")),
                words(wayName(right_foot ? "lateral" : "medial"))};
      if (on)
        drawInset(cr, top, lateral_sign * d.lateral_mm, d.distal_mm, 0, 1, lateral_sign * std::sin(d.abduction_rad),
                  std::cos(d.abduction_rad), s);
      cy += top_h;
      cy += pdf::drawText(cr, words("report.board_from_dorsal"), ix, cy, inner,
                          {.size = 6.4, .colour = pdf::kGrey, .align = pdf::Align::kCentre}, on) +
            2;
      Inset side{ix,
                 cy,
                 inner,
                 side_h,
                 ix + inner * (right_foot ? 0.66 : 0.34),
                 cy + side_h * 0.5,
                 points_per_mm,
                 words("report.way_dorsal"),
                 "",
                 words(wayName(right_foot ? "distal" : "proximal")),
                 words(wayName(right_foot ? "proximal" : "distal"))};
      if (on)
        drawInset(cr, side, distal_sign * d.distal_mm, d.dorsal_mm, distal_sign, 0,
                  distal_sign * std::cos(d.plantarflexion_rad), -std::sin(d.plantarflexion_rad), s);
      cy += side_h;
      cy += pdf::drawText(cr, words("report.board_from_medial"), ix, cy, inner,
                          {.size = 6.4, .colour = pdf::kGrey, .align = pdf::Align::kCentre}, on) +
            2;

      // Roll: the base in section, seen from the heel, with a mark on its top.
      if (on && s != RayState::kUnknown) {
        const double rx = ix + 17, ry = cy + roll_h / 2, radius = 12;
        pdf::setColour(cr, 0xFFFFFF);
        cairo_arc(cr, rx, ry, radius, 0, 2 * M_PI);
        cairo_fill_preserve(cr);
        pdf::setColour(cr, pdf::kRule);
        cairo_set_line_width(cr, 0.8);
        cairo_stroke(cr);
        const double dashes[2] = {2, 1.5};
        pdf::setColour(cr, palette::kPlace);
        cairo_set_line_width(cr, 1.4);
        cairo_set_dash(cr, dashes, 2, 0);
        line(cr, rx, ry, rx, ry - radius - 3);
        cairo_set_dash(cr, nullptr, 0, 0);
        pdf::setColour(cr, s == RayState::kDisplaced ? palette::kFound : pdf::kGrey);
        cairo_set_line_width(cr, 2);
        line(cr, rx, ry, rx - lateral_sign * (radius + 1) * std::sin(d.pronation_rad),
             ry - (radius + 1) * std::cos(d.pronation_rad));
      }
      const std::string roll =
          s == RayState::kUnknown ? std::string()
                                  : words("report.board_roll", {{"angle", words::degrees(std::abs(d.pronation_rad))}}) +
                                        (std::abs(toDegrees(d.pronation_rad)) < 0.5 ? std::string()
                                         : d.pronation_rad > 0                      ? "\n" + words("report.pronation")
                                                               : "\n" + words("report.supination"));
      pdf::drawText(cr, roll, ix + 36, cy + 4, inner - 36, text, on);
      cy += roll_h + 3;

      const auto put = [&](const std::string& title, const std::string& body) {
        cy += pdf::drawText(cr, title, ix, cy, inner, small, on);
        cy += pdf::drawText(cr, body, ix, cy, inner, text, on) + 2.5;
      };
      if (s == RayState::kUnknown) {
        put(words("report.board_shift_turn"), words("report.state_not_judged"));
      } else {
        put(s == RayState::kUntold ? words("report.board_shift_estimate") : words("report.board_shift"),
            fmt::format("{}", fmt::join(words.texts(shiftParts(d)), "\n")));
        const auto angle = [&words](double v, const std::string& a, const std::string& b) {
          return words("report.board_angle", {{"angle", words::degrees(std::abs(v))}, {"turn", v >= 0 ? a : b}});
        };
        put(words("report.board_turn"),
            angle(d.abduction_rad, words("report.abduction"), words("report.adduction")) + "\n" +
                angle(d.plantarflexion_rad, words("report.plantarflexion"), words("report.dorsiflexion")));
      }
      const auto place = std::find(c.reduction.order.begin(), c.reduction.order.end(), ray);
      if (r != nullptr) {
        std::string body;
        if (place != c.reduction.order.end())
          body += words(rank(static_cast<std::size_t>(place - c.reduction.order.begin()))) + "\n";
        body += r->by_hand ? words("report.board_by_hand")
                           : words("join.comma", {{"first", "±" + words.text(mm(r->uncertainty_mm))},
                                                  {"second", "±" + words.text(words::degrees(r->uncertainty_rad, 1))}});
        put(words("report.board_reduction"), body);
      } else {
        put(words("report.board_reduction"), words("report.board_not_planned"));
      }
      std::string devices;
      for (const Device& device : c.fixation.devices)
        if (device.ray == ray)
          devices += (devices.empty() ? "" : "\n") +
                     words("report.board_device", {{"id", pdf::bold(pdf::escaped(device.id))},
                                                   {"kind", nameOfKey(traits(device.kind).word)},
                                                   {"length", mm(device.length_mm, 0)}}) +
                     (device.stage == DeviceStage::kTemporary ? "\n   " + words("report.board_temporary") : "");
      put(words("report.board_devices"), devices.empty() ? words("report.board_no_device") : devices);
      if (pass == 0) height = std::max(height, cy - y + 2);
    }
  }
  double total = height + 4;
  // Key and scale.
  if (draw) {
    const double ky = y + height + 4;
    pdf::setColour(cr, pdf::kInk);
    cairo_set_line_width(cr, 1.1);
    const double bar = 5 * points_per_mm;
    line(cr, x, ky + 5, x + bar, ky + 5);
    line(cr, x, ky + 2.5, x, ky + 7.5);
    line(cr, x + bar, ky + 2.5, x + bar, ky + 7.5);
  }
  const double bar = 5 * points_per_mm;
  const std::string key = words("report.board_key", {{"planned", pdf::coloured(palette::kPlace, pdf::bold("○ – –"))},
                                                     {"displaced", pdf::coloured(palette::kFoundText, pdf::bold("▲"))},
                                                     {"in_place", pdf::coloured(pdf::kGrey, pdf::bold("●"))},
                                                     {"untold", pdf::coloured(pdf::kGrey, pdf::bold("◊"))}});
  total +=
      pdf::drawText(cr, key, x + bar + 5, y + height + 4, width - bar - 5, {.size = 7, .colour = pdf::kGrey}, draw) + 2;
  return total;
}

}  // namespace rayset
