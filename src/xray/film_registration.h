// Where bones and metal are, read from films: each ray of the CT, and each planned device, is fitted on its
// own to all films at once, together with where tube and detector stood.
//
// Method. The foot is a set of bodies that move as one each: the tarsus (cuneiforms, cuboid, navicular), the hindfoot,
// five rays. A film is predicted by adding up the bodies' line integrals (bodies.h, line_integrals.h), the soft tissue
// (soft_tissue.h) and the metal, and giving them the film's own grey scale by matching the two histograms. Both
// pictures are then made free of local brightness and contrast (mean and spread in a Gaussian window), with metal and
// what lies outside the collimated field left out, and the sum of squared differences - local correlation, as a sum -
// is minimised over all poses by Gauss and Newton with robust weights (Tukey's), coarse to fine. Derivatives are
// differences of each body's own picture. The start is sought per film: turns about three axes on a grid, shifts by
// sliding the picture over the film, every bone voting for itself; the best few are followed down with every ray free.
// How much more bone stands out on a film than in the CT, how much is scattered and how much less the film is blurred
// than the CT is found for each.
//
// Depth along a single beam is weak by nature; two films at a large angle cure it. The covariance says which direction
// is how weak.
//
// Frame: the patient frame of the CT with the TARSUS (not the scanner, not the film) as what stands still. Everything
// found is told against the tarsus, because the foot lies differently on every film.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "image/film.h"
#include "xray/bodies.h"
#include "xray/metal.h"
#include "xray/projection.h"

namespace rayset {

using Twist = Eigen::Matrix<double, 6, 1>;  ///< turn (rad) about a stated centre, then shift (mm)
using Covariance6 = Eigen::Matrix<double, 6, 6>;

/// A film to register, with where it was roughly taken from.
struct FilmExposure {
  std::string name;     ///< for messages
  Film film;            ///< bone bright
  ProjectionView view;  ///< nominal: the planned foot in the CT's frame as it should have been exposed
  /// Pixels outside [column, column + columns) x [row, row + rows) are no image (collimated away); 0 columns: all is.
  int column = 0, row = 0, columns = 0, rows = 0;
};

struct FilmRegistrationSettings {
  double fine_pixel_mm = 0.6;     ///< of the finest level, at the detector
  double search_turn_rad = 0.21;  ///< how far from nominal the start is sought about each axis
  double search_shift_mm = 30;    ///< along the detector
  double ray_shift_mm = 3;        ///< expected size (one sigma) of what rays are off from the plan; a weak prior
  double ray_turn_rad = 0.1;
  bool devices = true;  ///< fit devices too
};

/// A body as found.
struct FoundBody {
  std::string id;                                ///< "M1"..."M5", "hindfoot"
  Rigid planned_to_found = Rigid::Identity();    ///< against the tarsus
  Vec3 centre = Vec3::Zero();                    ///< the covariance's: middle of the body as planned
  Covariance6 covariance = Covariance6::Zero();  ///< of a small twist about `centre`, patient frame axes
  double turn_sd_rad = 0;                        ///< of the turn about its least certain axis (its own length, mostly)
  double similarity = 0;                         ///< local correlation within its shadow, -1 to 1, the worst film's
  std::size_t worst_film = 0;                    ///< that film
  double rival_mm = 0;  ///< of its centre from another place that the films say nearly as much for; 0: none
  std::string inside;   ///< of rays: the other ray whose bone it would pass through, for they share space; else empty
};

struct FoundDevice {
  std::string id;
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();  ///< against the tarsus
  double entry_sd_mm = 0, tip_sd_mm = 0;          ///< along the least certain direction
  double axis_sd_rad = 0;
  double similarity = 0;  ///< local correlation about its shadow, the worst film's
  double rival_mm = 0;    ///< as of a body
  double longer_mm = 0;   ///< than planned, from end to end; 0 where films show nothing better than the planned length
  double gap_mm = 0, gap_at_mm = 0;  ///< without metal, and where that begins from `entry`; 0: in one piece
  bool seen = false;  ///< metal stands on the films about where the device is; else the rest means nothing
};

struct FoundFilm {
  ProjectionView view;                ///< as exposed, the tarsus in the CT's place
  double similarity = 0;              ///< local correlation over the bones, -1 to 1
  int quarters = 0;                   ///< it lay turned by so many, anticlockwise
  double shift_mm = 0, turn_rad = 0;  ///< of the tarsus from nominal, without the quarters
  double margin = 0;  ///< by how much it is met better here than in any other place that was looked at, in similarity
};

struct FilmRegistration {
  std::vector<FoundFilm> films;
  std::vector<FoundBody> bodies;
  std::vector<FoundDevice> devices;
  double similarity = 0;  ///< local correlation of bones, the mean of the films, on the finest level
};

/// A device with its solid, in the reduced foot.
struct PlannedMetal {
  std::string id;
  Vec3 entry, tip;
  MetalSolid solid;
  bool sized = false;      ///< comes in lengths: another than planned, or a broken one, is looked for
  std::string rides = {};  ///< the ray it was planned into ("M4"), with which it may have gone; empty: none
};

struct FilmRegistrationInput {
  const FootBodies* bodies = nullptr;
  std::map<std::string, Rigid> injured_to_planned;  ///< by pose id; identity where missing
  std::vector<PlannedMetal> metal;                  ///< what should be seen on the films
  std::vector<FilmExposure> films;
  /// Where bodies and devices are thought to be against the tarsus (planned to found); those not named: as planned.
  /// Only where the search begins.
  std::map<std::string, Rigid> thought;
};

/// Least local correlation of a ray that counts as found, and of a device that counts as seen.
inline constexpr double kMatchedSimilarity = 0.45;
/// Rays in their place are met with 0.85 and more on every film but in plaster, those that were put 4 mm and more wrong
/// with 0.84 and less.
inline constexpr double kRayMet = 0.85;
/// Films whose similarity is less than this share of the best film's speak of another place.
inline constexpr double kFilmsAgree = 0.85, kFilmsContradict = 0.65;
/// A film that is met better than elsewhere by less than this may have been taken there.
inline constexpr double kNoOtherPlace = 0.03;

/// Covariance of where a point of a body is, from that of the body's small twist about `centre` (as found).
[[nodiscard]] Mat3 pointCovariance(const Covariance6& twist, const Vec3& centre, const Vec3& point);
/// The direction in which something is least certain, and its standard deviation there.
struct LeastCertain {
  double sd = 0;
  Vec3 direction = Vec3::UnitX();
};
[[nodiscard]] LeastCertain leastCertain(const Mat3& covariance);

/// Fault::kRequest: no film, no bodies. Fault::kImages: a film that matches the foot nowhere near its nominal view (it
/// may lie turned by quarters), or that matches its mirror image better (naming it). Deterministic, whatever the number
/// of threads.
[[nodiscard]] Result<FilmRegistration> registerFilms(const FilmRegistrationInput& input,
                                                     const FilmRegistrationSettings& settings = {},
                                                     const Progress& progress = {});

}  // namespace rayset
