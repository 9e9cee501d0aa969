// GCC 12 sees overlaps in "text" + std::string() that are not there (GCC bug 105651).
#ifndef __clang__
#pragma GCC diagnostic ignored "-Wrestrict"
#endif

#include "report/frame.h"

#include <cairo.h>

#include <algorithm>

#include "base/dates.h"
#include "report/words.h"

namespace rayset {
namespace {

using pdf::bold;
using pdf::escaped;
using pdf::grey;

}  // namespace

pdf::PageFrame reportFrame(const Words& words, const PatientLine& p, Side side_of_foot, const std::string& title,
                           const std::string& made_at) {
  const std::string name = words::personName(p.name);
  const std::string who = (name.empty() ? words("report.no_name") : escaped(name)) +
                          grey("  " + words("report.id") + " ") +
                          (p.id.empty() ? grey(words("report.not_images")) : escaped(p.id)) +
                          (!p.born           ? std::string()
                           : p.born->empty() ? grey("  " + words("report.born_not_known"))
                                             : grey("  " + words("report.born") + " ") + escaped(isoDate(*p.born)));
  const std::string side = words(side_of_foot == Side::kRight ? "report.right_foot_badge" : "report.left_foot_badge");
  return {[words, who, side, title_text = title, made_at](cairo_t* cr, int page, int pages) {
    using namespace pdf;
    const double right = kPageWidth - kMargin, y = 26;
    const TextStyle badge{.size = 11, .colour = 0xFFFFFF};
    const double w = textWidth(cr, bold(side), badge);
    setColour(cr, kInk);
    cairo_rectangle(cr, kMargin, y, w + 12, 18);
    cairo_fill(cr);
    drawText(cr, bold(side), kMargin + 6, y + 2.6, -1, badge);
    const double title_width = textWidth(cr, title_text, {.size = 8});
    drawText(cr, who, kMargin + w + 20, y + 3.5, right - title_width - 14 - (kMargin + w + 20),
             {.size = 9, .one_line = true});
    drawText(cr, title_text, right - title_width, y + 4.5, -1, {.size = 8, .colour = kGrey});
    setColour(cr, kInk);
    cairo_set_line_width(cr, 0.8);
    cairo_move_to(cr, kMargin, y + 22);
    cairo_line_to(cr, right, y + 22);
    cairo_stroke(cr);
    const double foot = kPageHeight - 34;
    setColour(cr, kRule);
    cairo_set_line_width(cr, 0.5);
    cairo_move_to(cr, kMargin, foot - 4);
    cairo_line_to(cr, right, foot - 4);
    cairo_stroke(cr);
    drawText(cr, bold(words("report.statement")), kMargin, foot, -1, {.size = 7.6});
    const std::string number =
        escaped(pages > 0 ? words("report.made_page_of", {{"made", made_at}, {"page", page}, {"pages", pages}})
                          : words("report.made_page", {{"made", made_at}, {"page", page}}));
    const double nw = textWidth(cr, number, {.size = 7.6});
    drawText(cr, number, right - nw, foot, -1, {.size = 7.6, .colour = kGrey});
  }};
}

void drawFacts(pdf::Document& doc, const std::vector<std::pair<std::string, std::string>>& facts, Side side) {
  const double side_width = 128, facts_width = doc.width() - side_width - 14, key_width = 56;
  double height = 0;
  for (const auto& [key, value] : facts)
    height += pdf::drawText(doc.context(), value, 0, 0, facts_width - key_width, {.size = 9}, false) + 2.5;
  doc.block(std::max(height, 76.0) + 4, [&](cairo_t* cr, double x, double y, double width) {
    double fy = y;
    for (const auto& [key, value] : facts) {
      pdf::drawText(cr, key, x, fy, key_width, {.size = 9, .colour = pdf::kGrey});
      fy += pdf::drawText(cr, value, x + key_width, fy, facts_width - key_width, {.size = 9}) + 2.5;
    }
    pdf::setColour(cr, pdf::kInk);
    cairo_rectangle(cr, x + width - side_width, y, side_width, 76);
    cairo_fill(cr);
    pdf::drawText(cr, bold(doc.escaped(words::capitals(side))), x + width - side_width, y + 7, side_width,
                  {.size = 31, .colour = 0xFFFFFF, .align = pdf::Align::kCentre});
    pdf::drawText(cr, bold(doc.words("report.foot_capitals")), x + width - side_width, y + 44, side_width,
                  {.size = 20, .colour = 0xFFFFFF, .align = pdf::Align::kCentre});
  });
}

}  // namespace rayset
