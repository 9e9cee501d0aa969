// What is registered to films, and what a film of it would look like: building blocks of registerFilms()
// (film_registration.h).
#pragma once

#include <array>
#include <memory>
#include <string>
#include <vector>

#include "xray/film_normal.h"
#include "xray/film_registration.h"
#include "xray/line_integrals.h"
#include "xray/projection.h"

namespace rayset::film_fit {

// Levels, coarse to fine: detector pixel, voxels, and the window of local brightness (one sigma).
struct LevelSettings {
  double pixel_mm, voxel_mm, window_mm;
};
constexpr int kSearch = 0, kCoarse = 1, kMiddle = 2, kFine = 3, kLevels = 4;

constexpr double kRimMm = 3;  ///< around shadows, where their edges are compared
/// How much more bone stands out from muscle on a film than in the CT. Foot films are taken at 50 to 60 kV, about 40
/// keV on average, a CT at about 70 keV: the excess of cortical bone over water, relative to water, is 3.8 and 1.6
/// (NIST XCOM, ICRU-44). Tubes, filters and scanners differ, so it is fitted for each film (fitExposure()); without it
/// the rims of bones look too wide on the film, which puts the foot too close to the tube and every ray too far
/// proximally.
constexpr double kUsualBoneGain = 2.2, kLeastBoneGain = 0.7, kMostBoneGain = 4.5;
/// Line integrals are in terms of water at 60 keV, but a film is made at about 40 keV (kUsualBoneGain): 0.206 and 0.268
/// per cm (NIST).
constexpr double kFilmBeam = 1.3;
constexpr double kBody = 0.05;  ///< line integral above which there is any body at all
constexpr const char* kSoft = "soft";

inline Rigid exponential(const Twist& xi, const Vec3& centre) { return turnAbout(centre, xi.head<3>(), xi.tail<3>()); }

/// One filmed object: its volumes by level, and its planned pose.
struct Part {
  std::array<std::shared_ptr<const ProjectionVolume>, kLevels> volumes;  // shared by copies of the problem
  Rigid injured_to_planned = Rigid::Identity();
};

struct Group {
  std::string id;
  std::vector<Part> parts;
  const PlannedMetal* metal = nullptr;  // instead of parts
  int rides = -1;                       // metal: the group of the ray it may have moved with
  Vec3 centre = Vec3::Zero();           // as planned
  double reach_mm = 10;                 // farthest point from the centre
  Vec3 axis = Vec3::UnitX();            // longest, as planned
  Rigid planned_to_found = Rigid::Identity();
  /// How far its centre and ends are from another place that the films support almost as well; 0 if there is none.
  double rival_mm = 0;
};

/// A film at one level.
struct LevelFilm {
  ProjectionView view;
  Film film, inside;          // `inside`: 1 where there is image
  std::vector<float> sorted;  // values of the film inside, rising
  double window_px = 4;
  // For a narrowed problem (narrowed()): line integrals of everything that stays still, and the grey scale.
  std::shared_ptr<const Film> still;
  std::shared_ptr<const GreyScale> scale;
  std::shared_ptr<const Normalised> wanted;  // the film over its usable pixels
  std::shared_ptr<const Film> share;         // usable pixels, blurred
  /// Pixels, one sigma.
  [[nodiscard]] int window() const { return std::max(2, static_cast<int>(std::lround(window_px))); }
};

/// A film blurred like the CT.
struct Smoothed {
  Film film;
  std::vector<float> sorted;  // its values inside, rising
};

struct FilmState {
  std::shared_ptr<const std::array<LevelFilm, kLevels>> levels;
  /// What bones are compared with; null for the film itself. Bones come from a CT, which is blurrier than a film, and
  /// with a film's curved grey scale a sharp rim appears in a different place from a blurred one (0.1 mm at a rim is 2
  /// mm along the beam). Metal is drawn sharp and compared with the film itself.
  std::array<std::shared_ptr<const Smoothed>, kLevels> smoothed;
  /// Where bones are compared, fixed while they move; null for the rim of where they are.
  std::array<std::shared_ptr<const Film>, kLevels> region;
  [[nodiscard]] const LevelFilm& at(int level) const { return (*levels)[static_cast<std::size_t>(level)]; }
  Rigid moved = Rigid::Identity();  // the tarsus on this film against nominal
  double bone_gain = kUsualBoneGain;
  /// Increase of the film's apparent attenuation per millimetre at the detector, to the right and down: a tube is
  /// dimmer on its anode side, and scatter is uneven.
  Vec2 rise = Vec2::Zero();
  /// Scatter relative to the exposure of open film: a fraction, and its logarithm at each pixel of each level (null for
  /// none). It removes much of the contrast where a foot is thick; without it thick bones look too small.
  double scatter = 0;
  std::array<std::shared_ptr<const Film>, kLevels> log_scatter;
};

/// The sum of volumes on one grid.
CtVolume merge(const std::vector<const CtVolume*>& volumes);
/// The volume at every level.
Part makePart(const CtVolume& volume, const Rigid& X, const std::array<LevelSettings, kLevels>& levels);

/// Values in part of a film's frame.
struct Patch {
  PixelBox box;
  Film values;
};

PixelBox intersection(const PixelBox& a, const PixelBox& b);
/// Grown on every side by `by` pixels, within the film.
PixelBox grownBox(const PixelBox& a, int by, const ProjectionView& view);
/// Pixels a group may cast its shadow on at pose X (planned to film).
PixelBox shadowOf(const Group& g, const Rigid& X, const ProjectionView& view, int level);
/// Line integrals of a group within `box`.
Film draw(const Group& g, const Rigid& X, const ProjectionView& view, const PixelBox& box, int level);
/// Adds a part's values, scaled, to those of the whole film.
void addInto(Film& whole, const Film& part, const PixelBox& box, double times = 1);

/// Everything that is registered, and the films.
struct Problem {
  std::array<LevelSettings, kLevels> levels;
  std::vector<Group> groups;   // tarsus, hindfoot, rays, then metal
  std::vector<Group> passive;  // soft tissue, toes: shown, not compared
  std::vector<FilmState> films;
  Vec3 centre = Vec3::Zero();  // of the views' twists
  std::size_t bones = 0;       // groups before the metal
  std::size_t core = 0;        // groups before the rays
};

/// A predicted film, made comparable.
struct Prediction {
  Film sum;     // line integrals
  Film seen;    // what they look like through the scatter
  Film weight;  // 0 where nothing is compared
  Film usable;  // inside the film and not metal
  Normalised wanted, shown;
  std::vector<Patch> groups;
  std::shared_ptr<const GreyScale> scale;
};

struct Mode {
  bool metal_compared = false;  // else it is masked
  bool metal_known = false;     // fitted already: only its own shadow is masked
  bool wide = false;            // compare farther around the bones
  bool core = false;            // compare tarsus and hindfoot only
};

/// A device's displacement from plan if it moved with its ray.
Rigid goneWithRay(const Problem& p, const Group& device);
/// A length at the detector in whole pixels, at least one.
int pixelsOf(double mm, const ProjectionView& view);
/// A pixel's position on the detector, mm to the right of and below its middle.
Vec2 fromMiddle(const ProjectionView& view, int column, int row);
/// A group's pose on a film, relative to the plan.
Rigid filmPose(const FilmState& f, const Group& g);
/// Right, down and along the beam of a film, as columns.
Mat3 filmAxes(const ProjectionView& view);

/// What line integrals look like through the scatter of a film at one level.
class ThroughScatter {
 public:
  ThroughScatter(const FilmState& f, int level);
  [[nodiscard]] float operator()(std::size_t pixel, float sum) const;

 private:
  const Film* scatter_;
  float open_;  // with nothing in the beam
};

/// Line integrals of a film, before its grey scale is known.
struct Drawing {
  Film rest, bone;  // soft tissue and whatever stays still; bone and metal, without the film's gain
  std::vector<Patch> groups, passive;
};
/// Every group and passive body drawn at its pose.
Drawing drawn(const Problem& p, const FilmState& f, int level);
/// The film as it would look; `drawing`: the result of drawn(), if available.
Prediction predict(const Problem& p, const FilmState& f, int level, const Mode& mode, Drawing drawing);
Prediction predict(const Problem& p, const FilmState& f, int level, const Mode& mode);
/// Every film as it would look.
std::vector<Prediction> predictAll(const Problem& p, int level, const Mode& mode);
/// The film that is compared in this mode.
const Film& comparedFilm(const FilmState& f, int level, const Mode& mode);
/// Local correlation over the pixels compared; `box` and `mask` (of a group) narrow it.
double similarity(const Prediction& p, const Patch* only = nullptr, int rim = 0);
/// Similarity of each of the groups `first` to `last` on the finest level, in the worst film; 1 for the others.
std::vector<double> worstMet(const Problem& p, std::size_t first, std::size_t last, const Mode& mode);
/// Fixes the compared region on one level: around the bones as they are now, without what is masked now.
void holdRegion(Problem& p, int level, Mode mode);

}  // namespace rayset::film_fit
