// Pages of a PDF: flowing text, tables that break between rows, headings kept with the text that follows. Units are
// points (1/72 inch) from the top left corner of an A4 page. Text is shaped by pango, so a name may use any script for
// which the machine has a font; fonts are embedded.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <string>
#include <vector>

#include "base/result.h"
#include "language/words.h"

using cairo_t = struct _cairo;
using cairo_surface_t = struct _cairo_surface;

namespace rayset::pdf {

inline constexpr double kPageWidth = 595.276, kPageHeight = 841.89;  // A4
inline constexpr double kMargin = 42;                                // left and right
inline constexpr double kTop = 64, kBottom = kPageHeight - 46;       // body between header and footer

/// A screen colour, 0xRRGGBB.
using Colour = std::uint32_t;
inline constexpr Colour kInk = 0x1A1D21, kGrey = 0x5B626B, kRule = 0xB9BFC6, kBand = 0xE9ECEF;

enum class Align { kLeft, kCentre, kRight };

/// Text safe to put inside pango markup: special characters escaped, bytes that are not UTF-8 replaced.
[[nodiscard]] std::string escaped(const std::string& text);
[[nodiscard]] inline std::string bold(const std::string& markup) { return "<b>" + markup + "</b>"; }
[[nodiscard]] std::string coloured(Colour colour, const std::string& markup);
[[nodiscard]] inline std::string grey(const std::string& markup) { return coloured(kGrey, markup); }

struct TextStyle {
  double size = 9;
  Colour colour = kInk;
  Align align = Align::kLeft;
  double spacing = 1.5;   ///< extra points between lines
  bool one_line = false;  ///< ends in an ellipsis instead of wrapping
};

/// Draws markup with its top left corner at (x, y), wrapped at `width`; returns the height used. Draws only if `draw`
/// is set, so the same call can measure.
double drawText(cairo_t* cr, const std::string& markup, double x, double y, double width, const TextStyle& style = {},
                bool draw = true);
/// Width of the markup on one line.
[[nodiscard]] double textWidth(cairo_t* cr, const std::string& markup, const TextStyle& style = {});
void setColour(cairo_t* cr, Colour colour, double alpha = 1);

struct Column {
  std::string title;  ///< markup
  double share = 1;   ///< of the width
  Align align = Align::kLeft;
};
struct Row {
  std::vector<std::string> cells;  ///< markup, one per column
  bool highlight = false;          ///< light tint behind the row
};

/// The header and footer of every page.
struct PageFrame {
  std::function<void(cairo_t*, int page, int pages)> draw;
};

class Document {
 public:
  /// Writes to `file`; an empty path makes a dry run that only counts pages and notes where sections start. `earlier`:
  /// the dry run of the same content, for its page numbers, or null.
  Document(const Words& words, const std::filesystem::path& file, PageFrame frame, const Document* earlier = nullptr);
  ~Document();
  Document(const Document&) = delete;
  Document& operator=(const Document&) = delete;

  const Words& words;  ///< in which it is written; outlives it
  /// For markup.
  [[nodiscard]] std::string escaped(const Message& message) const { return pdf::escaped(words(message)); }
  [[nodiscard]] std::string escaped(const std::string& text) const { return pdf::escaped(text); }
  [[nodiscard]] std::string text(const Quantity& quantity) const { return words.text(quantity); }

  void setTitle(const std::string& title, const std::string& subject);

  /// Headings record their page under `key` and appear in the outline of the PDF. `keep`: points that have to follow on
  /// the same page.
  void heading(const std::string& text, const std::string& key = {}, double keep = 60);
  void subheading(const std::string& text, double keep = 40);
  void paragraph(const std::string& markup, const TextStyle& style = {}, double indent = 0);
  /// A paragraph hanging behind a mark ("1.", a dash).
  void item(const std::string& mark, const std::string& markup, const TextStyle& style = {}, double indent = 16);
  /// The title row is repeated on every page; a row breaks only if it is taller than a page.
  void table(const std::vector<Column>& columns, const std::vector<Row>& rows, double size = 7.8);
  void space(double points) { y_ += points; }
  /// Starts a new page unless `height` points are left on this one.
  void need(double height);
  void newPage();

  /// Reserves `height` points across the body and calls `draw(cr, x, y, width)` for that space.
  void block(double height, const std::function<void(cairo_t*, double, double, double)>& draw);

  [[nodiscard]] double left() const { return kMargin; }
  [[nodiscard]] double width() const { return kPageWidth - 2 * kMargin; }
  [[nodiscard]] double y() const { return y_; }
  [[nodiscard]] double room() const { return kBottom - y_; }
  [[nodiscard]] bool dry() const { return dry_; }
  [[nodiscard]] int pages() const { return page_; }
  [[nodiscard]] cairo_t* context() const { return cr_; }
  /// Page of a heading by key, from the dry run; 0 if unknown.
  [[nodiscard]] int pageOf(const std::string& key) const;
  /// Finishes the file. An error names it.
  [[nodiscard]] Status finish();

 private:
  void startPage();
  std::filesystem::path file_;
  PageFrame frame_;
  const Document* earlier_;
  bool dry_;
  cairo_surface_t* surface_ = nullptr;
  cairo_t* cr_ = nullptr;
  int page_ = 0;
  double y_ = kTop;
  std::map<std::string, int> places_;
};

/// Draws on white, `width` by `height` points at `scale` pixels per point, into a PNG file. An error names the file.
[[nodiscard]] Status writePng(const std::filesystem::path& file, double width, double height, double scale,
                              const std::function<void(cairo_t*)>& draw);

}  // namespace rayset::pdf
