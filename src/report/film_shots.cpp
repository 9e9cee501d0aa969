#include "report/film_shots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "report/words.h"

namespace rayset {
namespace {

constexpr double kMarginMm = 6;  // around bones and toes, at the detector

const char* captionOf(FilmedState state) {
  switch (state) {
    case FilmedState::kInjured:
      return "report.film_as_scanned";
    case FilmedState::kReduced:
      return "report.film_reduced";
    case FilmedState::kMetal:
      break;
  }
  return "report.film_with_devices";
}

}  // namespace

std::string_view wordOf(FilmedState state) {
  switch (state) {
    case FilmedState::kInjured:
      return "injured";
    case FilmedState::kReduced:
      return "reduced";
    case FilmedState::kMetal:
      break;
  }
  return "metal";
}

FilmedFoot filmedFoot(Side side, const Frame& frame, const BoneSurfaces& reduced, std::map<std::string, Rigid> poses,
                      const std::vector<Device>& devices, const Catalogue& catalogue) {
  FilmedFoot foot{side, plantarFrame(reduced, frame, side), std::move(poses), {}};
  for (const Device& d : devices)
    if (d.stage == DeviceStage::kDefinitive) foot.metal.push_back(metalSolid(d, catalogue));
  return foot;
}

Result<std::vector<SimulatedFilm>> simulate(const FootProjector& projector, const FilmedFoot& foot,
                                            const TubePose& tube, const std::string& description,
                                            std::span<const FilmedState> states, const ToneSettings& tone) {
  auto view = projectionView(foot.plate, tube);
  if (!view) return tl::unexpected(view.error());
  // One frame for all states: what any of them needs.
  PixelBox box = projector.shadow(*view, {});
  const PixelBox other = projector.shadow(*view, foot.reduced);
  const int margin = static_cast<int>(std::lround(kMarginMm / view->pixel_mm));
  const int left = std::max(0, std::min(box.column, other.column) - margin);
  const int top = std::max(0, std::min(box.row, other.row) - margin);
  const int right = std::min(view->columns, std::max(box.column + box.columns, other.column + other.columns) + margin);
  const int bottom = std::min(view->rows, std::max(box.row + box.rows, other.row + other.rows) + margin);
  if (right - left < 8 || bottom - top < 8)
    return fail(Fault::kRequest, "report.foot_off_detector", description, "report.foot_off_detector.remedy");
  *view = view->cropped(left, top, right - left, bottom - top);

  ToneSettings settings = tone;
  settings.pixel_mm = view->pixel_mm;
  if (!settings.window) {
    // Exposed for the midfoot, as a radiographer would: the heel may burn out.
    const PixelBox part = projector.shadow(*view, foot.reduced, true);
    const ProjectionView exposed = part.empty() ? *view : view->cropped(part.column, part.row, part.columns, part.rows);
    const std::vector<float> plain = projector.lineIntegrals(exposed, foot.reduced);
    settings.window = toneWindow(exposure(plain, exposed.columns, exposed.rows, settings), settings);
  }
  std::vector<SimulatedFilm> films;
  for (const FilmedState state : states) {
    const std::map<std::string, Rigid> as_scanned;
    const std::span<const MetalSolid> metal =
        state == FilmedState::kMetal ? std::span<const MetalSolid>(foot.metal) : std::span<const MetalSolid>();
    const std::vector<float> integrals =
        projector.lineIntegrals(*view, state == FilmedState::kInjured ? as_scanned : foot.reduced, metal);
    films.push_back({*view, simulatedFilm(integrals, view->columns, view->rows, settings), state});
  }
  return films;
}

Shot shotOf(const FilmedFoot& foot, const SimulatedFilm& film, const Message& view, const std::string& name,
            double width_pt) {
  Shot shot;
  shot.width_pt = width_pt;
  shot.name = name;
  shot.group = "film";
  shot.dark = true;
  const Message state = captionOf(film.state);
  shot.caption = {"report.caption_simulated_film", {{"view", view}, {"state", state}}};
  shot.heading = capitalised(view);
  shot.short_caption = capitalised(state);
  shot.corner = words::capitals(foot.side);
  shot.note = "report.simulated_capitals";
  const ProjectionView& v = film.view;
  shot.top = wayName(orientationWord(foot.plate.frame, -v.down));
  shot.bottom = wayName(orientationWord(foot.plate.frame, v.down));
  shot.left = wayName(orientationWord(foot.plate.frame, -v.right));
  shot.right = wayName(orientationWord(foot.plate.frame, v.right));
  // Lengths on the picture are those at the joints, at the centre of the view.
  shot.view.width_mm = v.columns * v.pixel_mm / v.magnification(foot.plate.frame.origin);
  shot.view.width_px = v.columns;
  shot.view.height_px = v.rows;
  shot.view.right = v.right;
  shot.view.up = -v.down;
  shot.view.centre = foot.plate.frame.origin;
  shot.picture.width = v.columns;
  shot.picture.height = v.rows;
  shot.picture.rgba.resize(4 * film.film.values.size());
  for (std::size_t i = 0; i < film.film.values.size(); ++i) {
    const auto grey =
        static_cast<std::uint8_t>(std::lround(255 * std::clamp(static_cast<double>(film.film.values[i]), 0.0, 1.0)));
    std::uint8_t* p = &shot.picture.rgba[4 * i];
    p[0] = p[1] = p[2] = grey;
    p[3] = 255;
  }
  return shot;
}

std::vector<Shot> makeFilmShots(const Case& c) {
  std::vector<Shot> shots;
  if (c.bodies.bones.empty() || c.reduction.reduced.empty()) return shots;
  const FilmedFoot foot =
      filmedFoot(c.side, c.reduction.frame, c.reduction.reduced, reducedPoses(c), c.fixation.devices, c.catalogue);
  const FootProjector projector(c.bodies);
  const double third = (pdf::kPageWidth - 2 * pdf::kMargin - 20) / 3;
  for (const NamedView named : {NamedView::kDorsoplantar20, NamedView::kOblique30, NamedView::kLateral}) {
    TubePose tube = tubePose(named);
    tube.pixel_mm = 0.3;
    const std::vector<FilmedState> states(kFilmedStates.begin(), kFilmedStates.end() - (foot.metal.empty() ? 1 : 0));
    const auto films = simulate(projector, foot, tube, std::string(wordOf(named)), states);
    if (!films) continue;  // the foot does not fall on the detector: nothing to show
    for (const SimulatedFilm& film : *films)
      shots.push_back(
          shotOf(foot, film, nameOf(named), fmt::format("film_{}_{}", wordOf(named), wordOf(film.state)), third));
  }
  return shots;
}

}  // namespace rayset
