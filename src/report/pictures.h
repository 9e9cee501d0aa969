// The pictures of a plan: the injured and the reduced foot from dorsal, medial and lateral, the reduced foot with its
// metal, and each ray with its devices. Rendered once, then drawn into the report and into PNG files with the same
// marks: side, orientation words at the edges, scale bar, labels.
#pragma once

#include <functional>
#include <map>
#include <string>
#include <vector>

#include "case/case.h"
#include "language/words.h"
#include "report/page.h"
#include "report/render.h"
#include "report/words.h"

namespace rayset {

struct ShotLabel {
  Vec3 at;  ///< patient frame
  Message text;
  pdf::Colour colour = pdf::kInk;
  bool boxed = true;  ///< white box with a border in the colour; else bare text
};

struct Shot {
  double width_pt = 0;  ///< natural width on paper
  std::string name;     ///< of the PNG file, without ending
  Message caption;
  std::string group;       ///< "injured", "reduced", "metal", "ray", "film"
  bool dark = false;       ///< a film: marks need a light background
  std::optional<Ray> ray;  ///< of the "ray" group
  RenderView view;
  Picture picture;
  Message top, bottom, left, right;  ///< orientation words at the edges
  Message corner;                    ///< side in capitals, top left
  Message note;                      ///< a warning word, bottom right; may be empty
  Message heading;                   ///< of its row of shots (films: the view); may be empty
  Message short_caption;             ///< used under the picture if the heading says the rest; empty: the caption
  std::vector<ShotLabel> labels;
};

/// "medial", "distal", "dorsal"...: the key of the frame's direction nearest to this one, at a picture's edge.
[[nodiscard]] std::string orientationWord(const Frame& frame, const Vec3& direction);
/// What people read there.
[[nodiscard]] Message wayName(const std::string& orientation_word);

/// Every picture that the available bones allow. `devices`: the solids of c.fixation.devices by id. Empty if cancelled.
[[nodiscard]] std::vector<Shot> makeShots(const Case& c, const std::map<std::string, Surface>& devices,
                                          const words::KnownAxes& axes = {}, double pixels_per_point = 2.3,
                                          const Progress& progress = {});

/// A foot after the operation against its plan.
struct CheckedFoot {
  Side side = Side::kRight;
  Frame frame;
  BoneSurfaces planned, found;
  std::vector<Ray> off;  ///< rays that are not where they were planned
  std::map<std::string, Surface> devices_planned, devices_found;
};
/// Found bones and devices as solids, the plan as outlines, from dorsal and from medial: bones (group "found"), then
/// devices in translucent bones (group "found_metal").
[[nodiscard]] std::vector<Shot> makeCheckShots(const CheckedFoot& foot, double pixels_per_point = 2.3);

/// Draws a shot into the rectangle at (x, y), `width` points wide (the height follows from the picture); returns the
/// height. `image` false leaves the rendered picture out (dry run).
double drawShot(const Words& words, cairo_t* cr, const Shot& shot, double x, double y, double width, bool image = true);

/// The legend of a group as markup-free entries: colour, shape word, text.
struct LegendEntry {
  pdf::Colour colour;
  enum class Mark { kSolid, kOutline, kBar, kThinBar } mark;
  std::string text;
};
[[nodiscard]] std::vector<LegendEntry> legend(const Words& words, const Case& c, const std::string& group);
/// Draws the entries in rows within `width`; returns the height.
double drawLegend(cairo_t* cr, const std::vector<LegendEntry>& entries, double x, double y, double width,
                  bool draw = true);

/// Writes the shot as PNG with its marks, caption and legend.
[[nodiscard]] Status writeShot(const Words& words, const std::filesystem::path& file, Side side, const Shot& shot,
                               const std::vector<LegendEntry>& entries = {});
/// Runs all writers in parallel (one thread per file); returns the first writer's error, if any.
[[nodiscard]] Status writtenBeside(const std::vector<std::function<Status()>>& writers);

}  // namespace rayset
