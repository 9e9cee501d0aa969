#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <mutex>
#include <optional>

#include "base/units.h"
#include "report/film_shots.h"
#include "workspace/grey_png.h"
#include "workspace/views.h"

namespace rayset {
namespace {

constexpr double kLookMm = 1;    // pixels of the detector on which the foot is measured
constexpr double kMarginMm = 6;  // around the foot, as simulate() leaves it

FilmedState stateOf(FilmRequest::Show show) {
  switch (show) {
    case FilmRequest::Show::kInjured:
      return FilmedState::kInjured;
    case FilmRequest::Show::kReduced:
      return FilmedState::kReduced;
    case FilmRequest::Show::kMetal:
      break;
  }
  return FilmedState::kMetal;
}

Result<TubePose> tubeOf(const FilmRequest& request) {
  if (!request.view.empty()) {
    auto tube = tubeFromWord(request.view);
    if (!tube) return tl::unexpected(tube.error());
    return tube->first;
  }
  if (!std::isfinite(request.orbital_deg) || !std::isfinite(request.tilt_deg) || std::abs(request.orbital_deg) > 360 ||
      std::abs(request.tilt_deg) > 360)
    return fail(Fault::kRequest, "workspace.tube_angles_out_range", "orbital, tilt",
                Message("workspace.give_degrees_360_360"));
  TubePose tube;
  tube.orbital_rad = toRadians(request.orbital_deg);
  tube.tilt_rad = toRadians(request.tilt_deg);
  return tube;
}

bool same(const std::map<std::string, Rigid>& a, const std::map<std::string, Rigid>& b) {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](const auto& x, const auto& y) {
    return x.first == y.first && x.second.matrix() == y.second.matrix();
  });
}

}  // namespace

struct FilmStudio::Impl {
  FootProjector projector;
  /// How the reduced foot stands on its plate, and the poses this was computed for.
  struct Stand {
    std::map<std::string, Rigid> poses;
    PlantarFrame plate;
  };
  mutable std::mutex mutex;
  mutable std::optional<Stand> stand;

  explicit Impl(const FootBodies& bodies) : projector(bodies) {}

  [[nodiscard]] FilmedFoot foot(const Case& c) const {
    FilmedFoot foot;
    foot.side = c.side;
    foot.reduced = reducedPoses(c);
    for (const Device& d : c.fixation.devices)
      if (d.stage == DeviceStage::kDefinitive) foot.metal.push_back(metalSolid(d, c.catalogue));
    const std::scoped_lock lock(mutex);
    if (!stand || !same(stand->poses, foot.reduced))
      stand = Stand{foot.reduced, plantarFrame(c.reduction.reduced, c.reduction.frame, c.side)};
    foot.plate = stand->plate;
    return foot;
  }
};

FilmStudio::FilmStudio(const FootBodies& bodies) : impl_(std::make_unique<Impl>(bodies)) {}
FilmStudio::~FilmStudio() = default;

Result<std::vector<std::uint8_t>> FilmStudio::film(const Case& c, const FilmRequest& request) const {
  if (request.pixels < 64 || request.pixels > 2048)
    return fail(Fault::kRequest, Message("workspace.film_pixels_cannot_made", {{"pixels", request.pixels}}), "pixels",
                Message("workspace.ask_64_2048"));
  if (c.reduction.reduced.empty())
    return fail(Fault::kRequest, "workspace.case_has_no_bones_film", "plan", Message("workspace.plan_case_again"));
  auto tube = tubeOf(request);
  if (!tube) return tl::unexpected(tube.error());
  const FilmedFoot foot = impl_->foot(c);

  // As fine as needed for the foot to fill the picture: one scale for all three states of a view.
  tube->pixel_mm = kLookMm;
  const auto look = projectionView(foot.plate, *tube);
  if (!look) return tl::unexpected(look.error());
  const PixelBox box = united(impl_->projector.shadow(*look, {}), impl_->projector.shadow(*look, foot.reduced));
  const double largest = std::max(box.columns, box.rows) * kLookMm + 2 * kMarginMm;
  tube->pixel_mm = std::max(0.05, largest / (request.pixels - 4));

  const FilmedState state = stateOf(request.show);
  const auto films = simulate(impl_->projector, foot, *tube, request.view, std::span(&state, 1));
  if (!films) return tl::unexpected(films.error());
  const Film& film = films->front().film;
  const int pixels = request.pixels;
  std::vector<std::uint8_t> grey(static_cast<std::size_t>(pixels) * static_cast<std::size_t>(pixels), 0);
  // Centred; what does not fit (a pixel or two by rounding) is cut.
  const int left = (pixels - film.columns) / 2, top = (pixels - film.rows) / 2;
  for (int r = std::max(0, -top); r < std::min(film.rows, pixels - top); ++r)
    for (int col = std::max(0, -left); col < std::min(film.columns, pixels - left); ++col)
      grey[static_cast<std::size_t>(top + r) * static_cast<std::size_t>(pixels) +
           static_cast<std::size_t>(left + col)] =
          static_cast<std::uint8_t>(std::lround(255 * std::clamp(static_cast<double>(film.at(col, r)), 0.0, 1.0)));
  return greyPng(grey, pixels, pixels, tube->pixel_mm);
}

}  // namespace rayset
