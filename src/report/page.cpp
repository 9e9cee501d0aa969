#include "report/page.h"

#include <cairo-pdf.h>
#include <pango/pangocairo.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <numeric>

#include "report/palette.h"

namespace rayset::pdf {
namespace {

constexpr const char* kFamily = "Liberation Sans, DejaVu Sans, sans-serif";
constexpr double kCellPad = 3.2;

struct LayoutDeleter {
  void operator()(PangoLayout* layout) const { g_object_unref(layout); }
};
using LayoutPtr = std::unique_ptr<PangoLayout, LayoutDeleter>;

// Layouts are made for 72 dots an inch, so that pango's points are the page's points.
LayoutPtr makeLayout(cairo_t* cr, const std::string& markup, double width, const TextStyle& style) {
  LayoutPtr layout(pango_cairo_create_layout(cr));
  pango_cairo_context_set_resolution(pango_layout_get_context(layout.get()), 72);
  // Whole-pixel metrics would make the same text differ between a picture and the page.
  cairo_font_options_t* options = cairo_font_options_create();
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
  pango_cairo_context_set_font_options(pango_layout_get_context(layout.get()), options);
  cairo_font_options_destroy(options);
  PangoFontDescription* font = pango_font_description_new();
  pango_font_description_set_family(font, kFamily);
  pango_font_description_set_size(font, static_cast<int>(std::lround(style.size * PANGO_SCALE)));
  pango_layout_set_font_description(layout.get(), font);
  pango_font_description_free(font);
  if (width > 0) pango_layout_set_width(layout.get(), static_cast<int>(width * PANGO_SCALE));
  pango_layout_set_wrap(layout.get(), PANGO_WRAP_WORD_CHAR);
  pango_layout_set_spacing(layout.get(), static_cast<int>(style.spacing * PANGO_SCALE));
  if (style.one_line) {
    pango_layout_set_single_paragraph_mode(layout.get(), TRUE);
    if (width > 0) pango_layout_set_ellipsize(layout.get(), PANGO_ELLIPSIZE_END);
  }
  pango_layout_set_alignment(layout.get(), style.align == Align::kRight    ? PANGO_ALIGN_RIGHT
                                           : style.align == Align::kCentre ? PANGO_ALIGN_CENTER
                                                                           : PANGO_ALIGN_LEFT);
  pango_layout_set_markup(layout.get(), markup.c_str(), -1);
  return layout;
}

double heightOf(PangoLayout* layout) {
  int height = 0;
  pango_layout_get_size(layout, nullptr, &height);
  return static_cast<double>(height) / PANGO_SCALE;
}

// Bottom of each line, from the top of the layout.
std::vector<double> lineEnds(PangoLayout* layout) {
  std::vector<double> ends;
  PangoLayoutIter* it = pango_layout_get_iter(layout);
  do {
    PangoRectangle box;
    pango_layout_iter_get_line_extents(it, nullptr, &box);
    ends.push_back(static_cast<double>(box.y + box.height) / PANGO_SCALE);
  } while (pango_layout_iter_next_line(it));
  pango_layout_iter_free(it);
  return ends;
}

// Draws the lines [from, to) with the first one's top at y; returns the height.
double drawLines(cairo_t* cr, PangoLayout* layout, std::size_t from, std::size_t to, double x, double y,
                 Colour colour) {
  PangoLayoutIter* it = pango_layout_get_iter(layout);
  double top = 0, end = 0;
  std::size_t k = 0;
  do {
    if (k >= to) break;
    PangoRectangle box;
    pango_layout_iter_get_line_extents(it, nullptr, &box);
    if (k == from) top = static_cast<double>(box.y) / PANGO_SCALE;
    if (k >= from) {
      end = static_cast<double>(box.y + box.height) / PANGO_SCALE;
      setColour(cr, colour);
      cairo_move_to(cr, x + static_cast<double>(box.x) / PANGO_SCALE,
                    y + static_cast<double>(pango_layout_iter_get_baseline(it)) / PANGO_SCALE - top);
      pango_cairo_show_layout_line(cr, pango_layout_iter_get_line_readonly(it));
    }
    ++k;
  } while (pango_layout_iter_next_line(it));
  pango_layout_iter_free(it);
  return end - top;
}

}  // namespace

std::string escaped(const std::string& text) {
  char* valid = g_utf8_make_valid(text.c_str(), static_cast<gssize>(text.size()));
  char* markup = g_markup_escape_text(valid, -1);
  std::string out(markup);
  g_free(markup);
  g_free(valid);
  // Control characters other than line breaks mean nothing on paper and are not allowed in markup.
  std::erase_if(out, [](char c) { return static_cast<unsigned char>(c) < 0x20 && c != '\n' && c != '\t'; });
  return out;
}

std::string coloured(Colour colour, const std::string& markup) {
  char hex[8];
  std::snprintf(hex, sizeof hex, "#%06X", colour & 0xFFFFFFU);
  return std::string("<span foreground=\"") + hex + "\">" + markup + "</span>";
}

void setColour(cairo_t* cr, Colour colour, double alpha) {
  cairo_set_source_rgba(cr, ((colour >> 16) & 0xFFU) / 255.0, ((colour >> 8) & 0xFFU) / 255.0, (colour & 0xFFU) / 255.0,
                        alpha);
}

double drawText(cairo_t* cr, const std::string& markup, double x, double y, double width, const TextStyle& style,
                bool draw) {
  const LayoutPtr layout = makeLayout(cr, markup, width, style);
  if (draw) {
    setColour(cr, style.colour);
    cairo_move_to(cr, x, y);
    pango_cairo_show_layout(cr, layout.get());
    cairo_new_path(cr);
  }
  return heightOf(layout.get());
}

double textWidth(cairo_t* cr, const std::string& markup, const TextStyle& style) {
  const LayoutPtr layout = makeLayout(cr, markup, -1, style);
  int width = 0;
  pango_layout_get_size(layout.get(), &width, nullptr);
  return static_cast<double>(width) / PANGO_SCALE;
}

Document::Document(const Words& in, const std::filesystem::path& file, PageFrame frame, const Document* earlier)
    : words(in), file_(file), frame_(std::move(frame)), earlier_(earlier), dry_(file.empty()) {
  surface_ = cairo_pdf_surface_create(dry_ ? nullptr : file.c_str(), kPageWidth, kPageHeight);
  cr_ = cairo_create(surface_);
  startPage();
}

Document::~Document() {
  if (cr_ != nullptr) cairo_destroy(cr_);
  if (surface_ != nullptr) cairo_surface_destroy(surface_);
}

void Document::setTitle(const std::string& title, const std::string& subject) {
  cairo_pdf_surface_set_metadata(surface_, CAIRO_PDF_METADATA_TITLE, title.c_str());
  cairo_pdf_surface_set_metadata(surface_, CAIRO_PDF_METADATA_SUBJECT, subject.c_str());
  cairo_pdf_surface_set_metadata(surface_, CAIRO_PDF_METADATA_CREATOR, "Rayset");
}

void Document::startPage() {
  ++page_;
  y_ = kTop;
  if (frame_.draw) {
    cairo_save(cr_);
    frame_.draw(cr_, page_, earlier_ != nullptr ? earlier_->pages() : 0);
    cairo_restore(cr_);
    cairo_new_path(cr_);
  }
}

void Document::newPage() {
  cairo_show_page(cr_);
  startPage();
}

void Document::need(double height) {
  if (y_ > kTop && y_ + height > kBottom) newPage();
}

int Document::pageOf(const std::string& key) const {
  if (earlier_ == nullptr) return 0;
  const auto it = earlier_->places_.find(key);
  return it == earlier_->places_.end() ? 0 : it->second;
}

void Document::heading(const std::string& text, const std::string& key, double keep) {
  if (y_ > kTop) y_ += 10;
  need(24 + keep);
  if (!key.empty()) places_[key] = page_;
  const std::string destination = "page=" + std::to_string(page_) + " pos=[0.0 " + std::to_string(y_) + "]";
  cairo_pdf_surface_add_outline(surface_, CAIRO_PDF_OUTLINE_ROOT, text.c_str(), destination.c_str(),
                                static_cast<cairo_pdf_outline_flags_t>(0));
  y_ += drawText(cr_, bold(escaped(text)), left(), y_, width(), {.size = 13});
  y_ += 2;
  setColour(cr_, kInk);
  cairo_set_line_width(cr_, 0.9);
  cairo_move_to(cr_, left(), y_);
  cairo_line_to(cr_, left() + width(), y_);
  cairo_stroke(cr_);
  y_ += 6;
}

void Document::subheading(const std::string& text, double keep) {
  if (y_ > kTop) y_ += 5;
  need(15 + keep);
  y_ += drawText(cr_, bold(escaped(text)), left(), y_, width(), {.size = 10}) + 3;
}

void Document::paragraph(const std::string& markup, const TextStyle& style, double indent) {
  item({}, markup, style, indent);
}

void Document::item(const std::string& mark, const std::string& markup, const TextStyle& style, double indent) {
  const LayoutPtr layout = makeLayout(cr_, markup, width() - indent, style);
  const std::vector<double> ends = lineEnds(layout.get());
  std::size_t from = 0;
  while (from < ends.size()) {
    const double done = from == 0 ? 0 : ends[from - 1];
    std::size_t to = from;
    while (to < ends.size() && ends[to] - done <= room()) ++to;
    // No widows or orphans: never a single line at the bottom or top of a page.
    if (to < ends.size()) {
      if (ends.size() - to == 1 && to - from > 2) --to;
      if ((from == 0 && to - from < 2) || to == from) {
        if (y_ > kTop) {
          newPage();
          continue;
        }
        to = std::max(to, from + 1);
      }
    }
    if (from == 0 && !mark.empty()) drawText(cr_, mark, left(), y_, indent, style);
    y_ += drawLines(cr_, layout.get(), from, to, left() + indent, y_, style.colour);
    from = to;
    if (from < ends.size()) newPage();
  }
  cairo_new_path(cr_);
  y_ += 4;
}

void Document::block(double height, const std::function<void(cairo_t*, double, double, double)>& draw) {
  need(height);
  cairo_save(cr_);
  draw(cr_, left(), y_, width());
  cairo_restore(cr_);
  cairo_new_path(cr_);
  y_ += height;
}

void Document::table(const std::vector<Column>& columns, const std::vector<Row>& rows, double size) {
  const double shares =
      std::accumulate(columns.begin(), columns.end(), 0.0, [](double s, const Column& c) { return s + c.share; });
  std::vector<double> x(columns.size() + 1, left());
  for (std::size_t c = 0; c < columns.size(); ++c) x[c + 1] = x[c] + width() * columns[c].share / shares;
  const auto rule = [&](double at, double thickness, Colour colour) {
    setColour(cr_, colour);
    cairo_set_line_width(cr_, thickness);
    cairo_move_to(cr_, left(), at);
    cairo_line_to(cr_, left() + width(), at);
    cairo_stroke(cr_);
  };
  const auto band = [&](double from, double height, Colour colour) {
    setColour(cr_, colour);
    cairo_rectangle(cr_, left(), from, width(), height);
    cairo_fill(cr_);
  };
  struct Cells {
    std::vector<LayoutPtr> layouts;
    double height = 0;
  };
  const auto layOut = [&](const std::vector<std::string>& texts, bool title) {
    Cells cells;
    for (std::size_t c = 0; c < columns.size(); ++c) {
      const std::string& text = c < texts.size() ? texts[c] : std::string();
      TextStyle style{.size = size, .align = columns[c].align, .spacing = 0.8};
      cells.layouts.push_back(makeLayout(cr_, title ? bold(text) : text, x[c + 1] - x[c] - 2 * kCellPad, style));
      cells.height = std::max(cells.height, heightOf(cells.layouts.back().get()));
    }
    cells.height += 2 * kCellPad;
    return cells;
  };
  const auto draw = [&](const Cells& cells) {
    for (std::size_t c = 0; c < columns.size(); ++c) {
      setColour(cr_, kInk);
      cairo_move_to(cr_, x[c] + kCellPad, y_ + kCellPad);
      pango_cairo_show_layout(cr_, cells.layouts[c].get());
    }
    cairo_new_path(cr_);
    y_ += cells.height;
    rule(y_, 0.4, kRule);
  };
  std::vector<std::string> titles;
  for (const Column& c : columns) titles.push_back(c.title);
  const Cells head = layOut(titles, true);
  const auto drawHead = [&] {
    band(y_, head.height, kBand);
    draw(head);
  };

  for (std::size_t r = 0; r < rows.size(); ++r) {
    const Cells cells = layOut(rows[r].cells, false);
    const double page_height = kBottom - kTop - head.height;
    if (r == 0) {
      need(head.height + std::min(cells.height, page_height));
      drawHead();
    } else if (y_ + cells.height > kBottom && (cells.height <= page_height || room() < 0.3 * page_height)) {
      newPage();
      drawHead();
    }
    if (y_ + cells.height <= kBottom) {
      if (rows[r].highlight) band(y_ + 0.4, cells.height - 0.4, palette::kFoundBand);
      draw(cells);
      continue;
    }
    // Taller than a page: break between lines, cell by cell.
    std::vector<std::vector<double>> ends;
    for (const LayoutPtr& layout : cells.layouts) ends.push_back(lineEnds(layout.get()));
    std::vector<std::size_t> from(columns.size(), 0);
    while (true) {
      double used = 0;
      bool more = false;
      const double limit = room() - 2 * kCellPad;
      for (std::size_t c = 0; c < columns.size(); ++c) {
        const double done = from[c] == 0 ? 0 : ends[c][from[c] - 1];
        std::size_t to = from[c];
        while (to < ends[c].size() && ends[c][to] - done <= limit) ++to;
        if (to > from[c])
          used =
              std::max(used, drawLines(cr_, cells.layouts[c].get(), from[c], to, x[c] + kCellPad, y_ + kCellPad, kInk));
        from[c] = to;
        more = more || to < ends[c].size();
      }
      cairo_new_path(cr_);
      y_ += used + 2 * kCellPad;
      rule(y_, 0.4, kRule);
      if (!more) break;
      newPage();
      drawHead();
    }
  }
  y_ += 6;
}

Status Document::finish() {
  cairo_show_page(cr_);
  cairo_status_t status = cairo_status(cr_);
  cairo_destroy(cr_);
  cr_ = nullptr;
  cairo_surface_finish(surface_);
  if (status == CAIRO_STATUS_SUCCESS) status = cairo_surface_status(surface_);
  cairo_surface_destroy(surface_);
  surface_ = nullptr;
  if (status != CAIRO_STATUS_SUCCESS)
    return fail(Fault::kInternal, {"report.report_not_written", {{"why", cairo_status_to_string(status)}}},
                file_.string(), "file.check_disk");
  return {};
}

Status writePng(const std::filesystem::path& file, double width, double height, double scale,
                const std::function<void(cairo_t*)>& draw) {
  cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, static_cast<int>(std::ceil(width * scale)),
                                                        static_cast<int>(std::ceil(height * scale)));
  cairo_t* cr = cairo_create(surface);
  cairo_scale(cr, scale, scale);
  setColour(cr, 0xFFFFFF);
  cairo_paint(cr);
  draw(cr);
  cairo_status_t status = cairo_status(cr);
  cairo_destroy(cr);
  if (status == CAIRO_STATUS_SUCCESS) status = cairo_surface_write_to_png(surface, file.c_str());
  cairo_surface_destroy(surface);
  if (status != CAIRO_STATUS_SUCCESS)
    return fail(Fault::kInternal, {"report.picture_not_written", {{"why", cairo_status_to_string(status)}}},
                file.string(), "file.check_disk");
  return {};
}

}  // namespace rayset::pdf
