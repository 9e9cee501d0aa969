// Finds bones and metal on films: each ray of the CT, and each planned device, is fitted individually to all films at
// once, together with the positions of tube and detector.
//
// Method. The foot is a set of bodies that move as one each: the tarsus (cuneiforms, cuboid, navicular), the hindfoot,
// five rays. A film is predicted by adding up the bodies' line integrals (bodies.h, line_integrals.h), the soft tissue
// (soft_tissue.h) and the metal, and giving them the film's own grey scale by matching the two histograms. Local
// brightness and contrast (mean and spread in a Gaussian window) are then removed from both pictures, leaving out metal
// and everything outside the collimated field, and the sum of squared differences - local correlation, as a sum - is
// minimised over all poses by Gauss-Newton with Tukey's robust weights, coarse to fine. Derivatives are differences of
// each body's own picture. The start is searched for per film: turns about three axes on a grid, shifts by sliding the
// picture over the film, with each bone voting separately; the best few are refined with all rays free. For each film
// it also finds how much more bone stands out than in the CT, the amount of scatter, and how much less blurred the film
// is than the CT.
//
// Depth along a single beam is inherently weak; two films at a large angle cure that. The covariance shows how weak
// each direction is.
//
// Frame: the patient frame of the CT with the TARSUS (not the scanner, not the film) as the fixed reference. All
// results are relative to the tarsus, because the foot lies differently on every film.
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

/// A film to register, with a rough idea of where it was taken from.
struct FilmExposure {
  std::string name;     ///< for messages
  Film film;            ///< bone bright
  ProjectionView view;  ///< nominal: the planned foot in the CT's frame as it should have been exposed
  /// Pixels outside [column, column + columns) x [row, row + rows) are not image (collimated away); 0 columns:
  /// everything is image.
  int column = 0, row = 0, columns = 0, rows = 0;
};

struct FilmRegistrationSettings {
  double fine_pixel_mm = 0.6;     ///< of the finest level, at the detector
  double search_turn_rad = 0.21;  ///< how far from nominal to search for the start, about each axis
  double search_shift_mm = 30;    ///< along the detector
  double ray_shift_mm = 3;        ///< expected deviation of rays from the plan (one sigma); a weak prior
  double ray_turn_rad = 0.1;
  bool devices = true;  ///< fit devices too
};

/// A body as found.
struct FoundBody {
  std::string id;                                ///< "M1"..."M5", "hindfoot"
  Rigid planned_to_found = Rigid::Identity();    ///< against the tarsus
  Vec3 centre = Vec3::Zero();                    ///< of the covariance: middle of the body as planned
  Covariance6 covariance = Covariance6::Zero();  ///< of a small twist about `centre`, patient frame axes
  double turn_sd_rad = 0;                        ///< of the turn about its least certain axis (its own length, mostly)
  double similarity = 0;                         ///< local correlation within its shadow, -1 to 1, in the worst film
  std::size_t worst_film = 0;                    ///< that film
  double rival_mm = 0;  ///< from its centre to another place that the films support almost as well; 0: none
  /// For rays: the other ray whose bone it would pass through, since they overlap; else empty.
  std::string inside;
};

struct FoundDevice {
  std::string id;
  Vec3 entry = Vec3::Zero(), tip = Vec3::Zero();  ///< against the tarsus
  double entry_sd_mm = 0, tip_sd_mm = 0;          ///< along the least certain direction
  double axis_sd_rad = 0;
  double similarity = 0;             ///< local correlation about its shadow, in the worst film
  double rival_mm = 0;               ///< as for a body
  double longer_mm = 0;              ///< than planned, end to end; 0 unless another length matches the films better
  double gap_mm = 0, gap_at_mm = 0;  ///< length without metal, and its start measured from `entry`; 0: in one piece
  bool seen = false;                 ///< the films show metal about where the device is; else the rest means nothing
};

struct FoundFilm {
  ProjectionView view;                ///< as exposed, with the tarsus where it is in the CT
  double similarity = 0;              ///< local correlation over the bones, -1 to 1
  int quarters = 0;                   ///< quarter turns it was rotated by, anticlockwise
  double shift_mm = 0, turn_rad = 0;  ///< of the tarsus from nominal, without the quarter turns
  /// By how much its similarity is higher here than in any other place that was tried.
  double margin = 0;
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
  bool sized = false;      ///< comes in several lengths: also look for another length, or a broken device
  std::string rides = {};  ///< the ray it was planned into ("M4") and may have moved with; empty: none
};

struct FilmRegistrationInput {
  const FootBodies* bodies = nullptr;
  std::map<std::string, Rigid> injured_to_planned;  ///< by pose id; identity if missing
  std::vector<PlannedMetal> metal;                  ///< what should be seen on the films
  std::vector<FilmExposure> films;
  /// Where bodies and devices are believed to be relative to the tarsus (planned to found); others as planned. Only the
  /// start of the search.
  std::map<std::string, Rigid> thought;
};

/// Least local correlation of a ray that counts as found, and of a device that counts as seen.
inline constexpr double kMatchedSimilarity = 0.45;
/// Rays in the right place have a similarity of 0.85 or more on every film except in plaster; those deliberately placed
/// 4 mm or more off have 0.84 or less.
inline constexpr double kRayMet = 0.85;
/// Films whose similarity is below this share of the best film's contradict it.
inline constexpr double kFilmsAgree = 0.85, kFilmsContradict = 0.65;
/// A film whose similarity is higher here than elsewhere by less than this may have been taken there instead.
inline constexpr double kNoOtherPlace = 0.03;

/// Covariance of the position of a point of a body, from that of the body's small twist about `centre` (as found).
[[nodiscard]] Mat3 pointCovariance(const Covariance6& twist, const Vec3& centre, const Vec3& point);
/// The direction in which something is least certain, and its standard deviation there.
struct LeastCertain {
  double sd = 0;
  Vec3 direction = Vec3::UnitX();
};
[[nodiscard]] LeastCertain leastCertain(const Mat3& covariance);

/// Fault::kRequest: no film, no bodies. Fault::kImages: a film that matches the foot nowhere near its nominal view
/// (quarter turns allowed), or that matches the mirror image better (naming it). Deterministic, whatever the number of
/// threads.
[[nodiscard]] Result<FilmRegistration> registerFilms(const FilmRegistrationInput& input,
                                                     const FilmRegistrationSettings& settings = {},
                                                     const Progress& progress = {});

}  // namespace rayset
