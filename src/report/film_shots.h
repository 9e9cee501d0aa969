// Simulated radiographs of a plan, as pictures: what each view will look like before, after reduction, and with metal.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "report/pictures.h"
#include "xray/simulate.h"

namespace rayset {

/// What is filmed.
enum class FilmedState { kInjured, kReduced, kMetal };
inline constexpr std::array<FilmedState, 3> kFilmedStates{FilmedState::kInjured, FilmedState::kReduced,
                                                          FilmedState::kMetal};
/// "injured", "reduced", "metal".
[[nodiscard]] std::string_view wordOf(FilmedState state);

/// A foot to be filmed: from a Case or from a plan read back.
struct FilmedFoot {
  Side side = Side::kRight;
  PlantarFrame plate;                    ///< of the reduced foot
  std::map<std::string, Rigid> reduced;  ///< as scanned to where each body belongs
  std::vector<MetalSolid> metal;         ///< of the definitive stage
};

/// `reduced`: the reduced bones; `poses`: from as scanned to reduced, by poseId().
[[nodiscard]] FilmedFoot filmedFoot(Side side, const Frame& frame, const BoneSurfaces& reduced,
                                    std::map<std::string, Rigid> poses, const std::vector<Device>& devices,
                                    const Catalogue& catalogue);

/// One simulated film.
struct SimulatedFilm {
  ProjectionView view;
  Film film;  ///< 0 to 1, bone bright
  FilmedState state;
};

/// The states of one view, cropped identically to the foot and with one grey scale. Fault::kRequest as for
/// projectionView(), naming the view by `description`.
[[nodiscard]] Result<std::vector<SimulatedFilm>> simulate(const FootProjector& projector, const FilmedFoot& foot,
                                                          const TubePose& tube, const std::string& description,
                                                          std::span<const FilmedState> states,
                                                          const ToneSettings& tone = {});

/// As a picture with side, orientation words, scale and the word SIMULATED. `view`: what it is called; `width_pt`: on
/// paper.
[[nodiscard]] Shot shotOf(const FilmedFoot& foot, const SimulatedFilm& film, const Message& view,
                          const std::string& name, double width_pt);

/// Dorsoplantar (20 degrees), oblique and lateral of a case in its three states: group "film".
[[nodiscard]] std::vector<Shot> makeFilmShots(const Case& c);

}  // namespace rayset
