#include "xray/film_registration.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>
#include <tbb/parallel_invoke.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <memory>
#include <numbers>
#include <numeric>
#include <span>
#include <utility>

#include "base/units.h"
#include "xray/attenuation.h"
#include "xray/film_normal.h"
#include "xray/line_integrals.h"

namespace rayset {
namespace {

using Matrix6 = Eigen::Matrix<double, 6, 6>;

// Levels, coarse to fine: the detector's pixel, the voxels, the window of local brightness (one sigma).
struct LevelSettings {
  double pixel_mm, voxel_mm, window_mm;
};
constexpr int kSearch = 0, kCoarse = 1, kMiddle = 2, kFine = 3, kLevels = 4;

// Residuals hang together over about this much of a film (blur, texture, what is not modelled): one such patch counts
// as one observation. Set on simulated films so that the stated intervals hold (docs/accuracy.md).
constexpr double kPatchMm = 2.5;
// The normal matrix takes the model of the film to be right; it is not (blur, texture, grey scale). Intervals are
// widened by what bench_films shows: places of bones by a factor, turns of bones and metal by what all were off by.
constexpr double kBoneSpread = 1.6, kTurnOffRad = 0.005, kRollOffRad = 0.05;
// A bone's place: what even well met ones were off by, and the more the worse its shadow is met.
constexpr double kPlaceOffMm = 0.15, kWellMet = 0.92, kPoorlyMetMm = 3.0;
constexpr double kEntryOffMm = 0.45, kTipOffMm = 0.40, kAxisOffRad = 0.013;
constexpr double kShadow = 0.02;  // line integral from which a body casts a shadow
constexpr double kRimMm = 3;      // around shadows, where their edges are compared
constexpr double kRegionMm = 6;   // the same, while bodies move: a body must not gain by leaving its own edges behind
constexpr double kMetalRimMm = 1.5, kKnownMetalRimMm = 0.5;
constexpr double kMetalShadow = 0.15;
constexpr int kMetalRays = 2;  // a side of a pixel
constexpr double kMetalSoughtMm = 5;
constexpr double kDeviceMet = 0.95;  // a device in its place is met better than this, one millimetre off no more
constexpr double kToeRimMm = 1;
constexpr double kStepPixels = 0.8;
/// Scores of the search (Votes): what the right way up reaches on most films, and a place that is near the right one;
/// what settles a choice. Seen: 0.90 to 0.99 in the right place, 0.72 to 0.76 where the film was turned over.
constexpr double kUpright = 0.85, kWellFound = 0.93, kClearlyBetter = 0.05;
/// What a place has to reach when it is looked at more closely (kMiddle); seen: 0.89 and more in the right one.
constexpr double kFound = 0.70;
/// One sigma of the foot's distance from the detector. Coarse pictures, where skin and bone run into one another, tell
/// it wrongly: there it is held.
constexpr double depthMm(int level) { return level <= 1 ? 1.5 : 10; }
/// How much more bone stands out from muscle on a film than in the CT. Foot films are made at 50 to 60 kV, some 40 keV
/// in the mean, a CT at about 70: the excess of cortical bone over water, against water, is 3.8 and 1.6 (NIST XCOM,
/// ICRU-44). Tubes, filters and scanners differ, so it is sought for every film (fitBoneGain()); without it the rims of
/// bones look too wide on the film, which brings the foot too near to the tube and every ray too far proximally.
constexpr double kUsualBoneGain = 2.2, kLeastBoneGain = 0.7, kMostBoneGain = 4.5;
constexpr double kAcross = 0.75;       // turns across the beam are looked through this much less far
constexpr std::int16_t kOfBone = 200;  // added HU that a bone's shape is read from
constexpr const char* kSoft = "soft";

Rigid exponential(const Twist& xi, const Vec3& centre) { return turnAbout(centre, xi.head<3>(), xi.tail<3>()); }

/// One thing that is filmed: its volumes by level, and where it stands as planned.
struct Part {
  std::array<std::shared_ptr<const ProjectionVolume>, kLevels> volumes;  // shared by copies of the problem
  Rigid injured_to_planned = Rigid::Identity();
};

struct Group {
  std::string id;
  std::vector<Part> parts;
  const PlannedMetal* metal = nullptr;  // instead of parts
  Vec3 centre = Vec3::Zero();           // as planned
  double reach_mm = 10;                 // farthest point from the centre
  Vec3 axis = Vec3::UnitX();            // longest, as planned
  Rigid planned_to_found = Rigid::Identity();
  /// How far its centre and ends lie from another place that the films say nearly as much for; 0: there is none.
  double rival_mm = 0;
};

/// A film at one level.
struct LevelFilm {
  ProjectionView view;
  Film film, inside;          // `inside`: 1 where there is image
  std::vector<float> sorted;  // values of the film inside, rising
  double window_px = 4;
  // Of a problem that was narrowed down (narrowed()): line integrals of what stands still in it, and the grey scale.
  std::shared_ptr<const Film> still;
  std::shared_ptr<const GreyScale> scale;
  std::shared_ptr<const Normalised> wanted;  // the film over what is usable
  std::shared_ptr<const Film> share;         // what is usable, blurred
  /// Pixels, one sigma.
  [[nodiscard]] int window() const { return std::max(2, static_cast<int>(std::lround(window_px))); }
};

struct FilmState {
  std::shared_ptr<const std::array<LevelFilm, kLevels>> levels;
  /// Where bones are compared, held still while they move; null: the rim of where they are.
  std::array<std::shared_ptr<const Film>, kLevels> region;
  [[nodiscard]] const LevelFilm& at(int level) const { return (*levels)[static_cast<std::size_t>(level)]; }
  Rigid moved = Rigid::Identity();  // the tarsus on this film against nominal
  double bone_gain = kUsualBoneGain;
};

CtVolume merge(const std::vector<const CtVolume*>& volumes) {
  const Grid& first = volumes.front()->grid;
  Eigen::Vector3i low = Eigen::Vector3i::Constant(1 << 20), high = -low;
  std::vector<Eigen::Vector3i> at;
  for (const CtVolume* v : volumes) {
    const Vec3 index = first.toIndex(v->grid.origin);
    at.push_back(Eigen::Vector3i(static_cast<int>(std::lround(index.x())), static_cast<int>(std::lround(index.y())),
                                 static_cast<int>(std::lround(index.z()))));
    low = low.cwiseMin(at.back());
    high = high.cwiseMax(at.back() + v->grid.size);
  }
  Grid grid = first;
  grid.size = high - low;
  grid.origin = first.toPatient(low.cast<double>());
  CtVolume out(grid);
  for (std::size_t n = 0; n < volumes.size(); ++n) {
    const CtVolume& v = *volumes[n];
    const Eigen::Vector3i o = at[n] - low;
    for (int k = 0; k < v.grid.size.z(); ++k)
      for (int j = 0; j < v.grid.size.y(); ++j) {
        const std::int16_t* from = &v.at(0, j, k);
        std::int16_t* to = &out.at(o.x(), o.y() + j, o.z() + k);
        for (int i = 0; i < v.grid.size.x(); ++i) to[i] = static_cast<std::int16_t>(to[i] + from[i]);
      }
  }
  return out;
}

Part makePart(const CtVolume& volume, const Rigid& X, const std::array<LevelSettings, kLevels>& levels) {
  const auto at = [&](int level) {
    const double voxel = levels[static_cast<std::size_t>(level)].voxel_mm;
    const int factor = std::max(1, static_cast<int>(std::lround(voxel / volume.grid.spacing.maxCoeff())));
    const CtVolume v = averagedDown(volume, factor);
    return std::make_shared<const ProjectionVolume>(v.grid, v.voxels);
  };
  return {{at(0), at(1), at(2), at(3)}, X};
}

/// A part of a film's frame with values in it.
struct Patch {
  PixelBox box;
  Film values;
};

PixelBox intersection(const PixelBox& a, const PixelBox& b) {
  const int column = std::max(a.column, b.column), row = std::max(a.row, b.row);
  const int right = std::min(a.column + a.columns, b.column + b.columns);
  const int bottom = std::min(a.row + a.rows, b.row + b.rows);
  return {column, row, std::max(0, right - column), std::max(0, bottom - row)};
}

PixelBox grownBox(const PixelBox& a, int by, const ProjectionView& view) {
  return intersection({a.column - by, a.row - by, a.columns + 2 * by, a.rows + 2 * by},
                      {0, 0, view.columns, view.rows});
}

PixelBox shadowOf(const MetalSolid& solid, const Rigid& X, const ProjectionView& view) {
  constexpr double kWidestMm = 5;  // more than any head's radius, and a pixel to spare
  Vec2 low = Vec2::Constant(1e9), high = -low;
  for (const ProfilePiece& piece : solid.pieces)
    for (const double s : {piece.from, piece.to}) {
      const Vec3 p = X * (solid.origin + s * solid.axis);
      const Vec2 at = view.project(p);
      const Vec2 around = Vec2::Constant(kWidestMm * view.magnification(p) / view.pixel_mm + 1);
      low = low.cwiseMin(at - around);
      high = high.cwiseMax(at + around);
    }
  const Eigen::Vector2i from = low.array().floor().cast<int>(), to = high.array().ceil().cast<int>();
  return intersection({from.x(), from.y(), to.x() - from.x() + 1, to.y() - from.y() + 1},
                      {0, 0, view.columns, view.rows});
}

/// Pixels a group may cast its shadow on when it stands at X (planned to film).
PixelBox shadowOf(const Group& g, const Rigid& X, const ProjectionView& view, int level) {
  PixelBox box;
  if (g.metal != nullptr) return shadowOf(g.metal->solid, X, view);
  for (const Part& p : g.parts)
    box = united(box, shadow(p.volumes[static_cast<std::size_t>(level)]->grid(),
                             view.moved((X * p.injured_to_planned).inverse())));
  return box;
}

/// Line integrals of a group within `box`.
Film draw(const Group& g, const Rigid& X, const ProjectionView& view, const PixelBox& box, int level) {
  Film out(box.columns, box.rows);
  if (box.empty()) return out;
  const ProjectionView part_view = view.cropped(box.column, box.row, box.columns, box.rows);
  if (g.metal != nullptr) {
    addMetal({&g.metal->solid, 1}, part_view.moved(X.inverse()), static_cast<float>(kSteel316L.perMm()), out.values,
             kMetalRays);
    return out;
  }
  for (const Part& p : g.parts)
    addLineIntegrals(*p.volumes[static_cast<std::size_t>(level)], part_view.moved((X * p.injured_to_planned).inverse()),
                     static_cast<float>(kAttenuationPerUnit), out.values, bestInstructionSet(), Threads::kOne);
  return out;
}

/// The same of soft tissue, which is smooth: drawn in pixels twice as wide and laid out bilinearly.
Film drawSmooth(const Group& g, const Rigid& X, const ProjectionView& view, const PixelBox& box, int level) {
  constexpr int kBinned = 2;
  const ProjectionView coarse = view.cropped(box.column, box.row, box.columns, box.rows).binned(kBinned);
  const Film small = draw(g, X, coarse, {0, 0, coarse.columns, coarse.rows}, level);
  Film out(box.columns, box.rows);
  if (small.values.empty()) return out;
  const auto across = [](int at, int count) {  // first of the two that it lies between, and how far from it
    const double x = std::clamp((at + 0.5) / kBinned - 0.5, 0.0, static_cast<double>(count - 1));
    const int first = std::min(static_cast<int>(x), std::max(0, count - 2));
    return std::pair(first, static_cast<float>(x - first));
  };
  for (int r = 0; r < box.rows; ++r) {
    const auto [row, down] = across(r, small.rows);
    const float *upper = small.row(row), *lower = small.row(std::min(row + 1, small.rows - 1));
    for (int c = 0; c < box.columns; ++c) {
      const auto [column, right] = across(c, small.columns);
      const int next = std::min(column + 1, small.columns - 1);
      const float a = std::lerp(upper[column], upper[next], right), b = std::lerp(lower[column], lower[next], right);
      out.at(c, r) = std::lerp(a, b, down);
    }
  }
  return out;
}

void addInto(Film& whole, const Film& part, const PixelBox& box, double times = 1) {
  const auto factor = static_cast<float>(times);
  for (int r = 0; r < box.rows; ++r) {
    float* to = whole.row(box.row + r) + box.column;
    const float* from = part.row(r);
    for (int c = 0; c < box.columns; ++c) to[c] += factor * from[c];
  }
}

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

/// A film as predicted, made comparable.
struct Prediction {
  Film sum;     // line integrals
  Film slope;   // of the grey scale at each pixel
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

/// A length at the detector in whole pixels, one at least.
int pixelsOf(double mm, const ProjectionView& view) {
  return std::max(1, static_cast<int>(std::lround(mm / view.pixel_mm)));
}

Rigid filmPose(const FilmState& f, const Group& g) { return f.moved * g.planned_to_found; }

/// Line integrals of a film, before its grey scale is known.
struct Drawing {
  Film rest, bone;  // soft tissue and what stands still; bone and metal, without the film's gain
  std::vector<Patch> groups, passive;
};

Drawing drawn(const Problem& p, const FilmState& f, int level) {
  const LevelFilm& lf = f.at(level);
  const ProjectionView& view = lf.view;
  Drawing out;
  out.rest = lf.still ? *lf.still : Film(view.columns, view.rows);
  out.bone = Film(view.columns, view.rows);
  out.groups.resize(p.groups.size());
  out.passive.resize(p.passive.size());
  tbb::parallel_for(std::size_t{0}, p.groups.size() + p.passive.size(), [&](std::size_t n) {
    const bool active = n < p.groups.size();
    const Group& g = active ? p.groups[n] : p.passive[n - p.groups.size()];
    Patch& patch = active ? out.groups[n] : out.passive[n - p.groups.size()];
    const Rigid X = filmPose(f, g);
    patch.box = intersection(shadowOf(g, X, view, level), {0, 0, view.columns, view.rows});
    patch.values = (g.id == kSoft ? drawSmooth : draw)(g, X, view, patch.box, level);
  });
  for (const Patch& patch : out.groups) addInto(out.bone, patch.values, patch.box);
  for (std::size_t n = 0; n < out.passive.size(); ++n)
    addInto(p.passive[n].id == kSoft ? out.rest : out.bone, out.passive[n].values, out.passive[n].box);
  return out;
}

Prediction predict(const Problem& p, const FilmState& f, int level, const Mode& mode, Drawing drawing) {
  const LevelFilm& lf = f.at(level);
  const ProjectionView& view = lf.view;
  Prediction out;
  out.groups = std::move(drawing.groups);
  const std::vector<Patch>& passive = drawing.passive;
  out.sum = std::move(drawing.rest);
  addInto(out.sum, drawing.bone, {0, 0, view.columns, view.rows}, f.bone_gain);

  // The film's grey scale: as much of the film is brighter than a value as of the prediction.
  out.scale = lf.scale ? lf.scale : std::make_shared<const GreyScale>(matchHistograms(out.sum, lf.sorted, lf.inside));
  Film shown(view.columns, view.rows);
  out.slope = Film(view.columns, view.rows);
  tbb::parallel_for(0, view.rows, [&](int r) {
    for (int c = 0; c < view.columns; ++c) out.scale->apply(out.sum.at(c, r), shown.at(c, r), out.slope.at(c, r));
  });

  out.usable = lf.inside;
  const auto pixels = [&](double mm) { return pixelsOf(mm, view); };
  if (p.groups.size() > p.bones && !mode.metal_compared) {
    Film metal(view.columns, view.rows);
    for (std::size_t n = p.bones; n < p.groups.size(); ++n) addInto(metal, out.groups[n].values, out.groups[n].box);
    // Metal as predicted, and as seen: the brightest near to where it is predicted, as much of it as it should cover.
    std::size_t covered = 0;
    for (float& v : metal.values) {
      v = v > static_cast<float>(kMetalShadow) ? 1.F : 0.F;
      covered += v > 0 ? 1 : 0;
    }
    if (!mode.metal_known) {
      Film near = dilated(metal, pixels(kMetalSoughtMm));
      for (std::size_t i = 0; i < near.values.size(); ++i) near.values[i] *= lf.inside.values[i];
      const float bright = brightest(lf.film, near, covered);
      for (std::size_t i = 0; i < metal.values.size(); ++i)
        if (near.values[i] > 0 && lf.film.values[i] >= bright) metal.values[i] = 1;
    }
    const Film wide = dilated(metal, pixels(mode.metal_known ? kKnownMetalRimMm : kMetalRimMm));
    for (std::size_t i = 0; i < wide.values.size(); ++i)
      if (wide.values[i] > 0) out.usable.values[i] = 0;
  }
  // Toes bend: what they cover is not compared.
  Film toes;
  for (std::size_t n = 0; n < passive.size(); ++n) {
    if (p.passive[n].id == kSoft) continue;
    if (toes.values.empty()) toes = Film(view.columns, view.rows);
    addInto(toes, passive[n].values, passive[n].box);
  }
  if (!toes.values.empty()) {
    for (float& v : toes.values) v = v > static_cast<float>(kShadow) ? 1.F : 0.F;
    const Film wide = dilated(toes, pixels(kToeRimMm));
    for (std::size_t i = 0; i < wide.values.size(); ++i)
      if (wide.values[i] > 0) out.usable.values[i] = 0;
  }
  const auto& region = f.region[static_cast<std::size_t>(level)];
  if (region && !mode.metal_compared && !mode.core) {
    out.weight = *region;
  } else {
    Film compared(view.columns, view.rows);
    const std::size_t from = mode.metal_compared ? p.bones : 0;
    const std::size_t to = mode.metal_compared ? p.groups.size() : mode.core ? p.core : p.bones;
    for (std::size_t n = from; n < to; ++n) {
      const Patch& patch = out.groups[n];
      for (int r = 0; r < patch.box.rows; ++r)
        for (int c = 0; c < patch.box.columns; ++c)
          if (patch.values.at(c, r) > static_cast<float>(kShadow))
            compared.at(patch.box.column + c, patch.box.row + r) = 1;
    }
    out.weight = dilated(compared, pixels(mode.wide ? kRegionMm : kRimMm));
  }
  for (std::size_t i = 0; i < out.weight.values.size(); ++i) out.weight.values[i] *= out.usable.values[i];
  const int window = lf.window();
  tbb::parallel_invoke([&] { out.shown = normalised(shown, out.usable, window, lf.share.get()); },
                       [&] { out.wanted = lf.wanted ? *lf.wanted : normalised(lf.film, out.usable, window); });
  return out;
}

Prediction predict(const Problem& p, const FilmState& f, int level, const Mode& mode) {
  return predict(p, f, level, mode, drawn(p, f, level));
}

/// Local correlation over the pixels compared; `box` and `mask` (of a group) narrow it.
double similarity(const Prediction& p, const Patch* only = nullptr, int rim = 0) {
  double ab = 0, aa = 0, bb = 0;
  const Film& w = p.weight;
  Film near;
  if (only != nullptr) {
    near = Film(w.columns, w.rows);
    for (int r = 0; r < only->box.rows; ++r)
      for (int c = 0; c < only->box.columns; ++c)
        if (only->values.at(c, r) > static_cast<float>(kShadow)) near.at(only->box.column + c, only->box.row + r) = 1;
    near = dilated(near, std::max(1, rim));
  }
  for (std::size_t i = 0; i < w.values.size(); ++i) {
    if (w.values[i] <= 0 || (only != nullptr && near.values[i] <= 0)) continue;
    const auto a = static_cast<double>(p.wanted.values.values[i]), b = static_cast<double>(p.shown.values.values[i]);
    ab += a * b;
    aa += a * a;
    bb += b * b;
  }
  return aa > 0 && bb > 0 ? ab / std::sqrt(aa * bb) : 0;
}

/// The unknowns: which twists are free.
struct Unknowns {
  std::vector<int> view;   // by film: first index, or -1
  std::vector<int> group;  // by group: first index, or -1
  int count = 0;
};

Unknowns unknowns(const Problem& p, const std::vector<bool>& views, const std::vector<bool>& groups) {
  Unknowns u;
  for (std::size_t f = 0; f < p.films.size(); ++f) {
    u.view.push_back(views[f] ? u.count : -1);
    u.count += views[f] ? 6 : 0;
  }
  for (std::size_t g = 0; g < p.groups.size(); ++g) {
    u.group.push_back(groups[g] ? u.count : -1);
    u.count += groups[g] ? 6 : 0;
  }
  return u;
}

struct Normal {
  explicit Normal(int count) : H(Eigen::MatrixXd::Zero(count, count)), b(Eigen::VectorXd::Zero(count)) {}
  Eigen::MatrixXd H;
  Eigen::VectorXd b;
  std::vector<double> variance, pixels;  // by film: of the residuals; how many are compared
  double energy = 0;                     // of the films, where the equations were made

  Normal& operator+=(const Normal& other) {
    H += other.H;
    b += other.b;
    variance.insert(variance.end(), other.variance.begin(), other.variance.end());
    pixels.insert(pixels.end(), other.pixels.begin(), other.pixels.end());
    energy += other.energy;
    return *this;
  }
};

/// Right, down and along the beam of a film, as columns.
Mat3 filmAxes(const ProjectionView& view) {
  Mat3 axes;
  axes << view.right, view.down, view.normal();
  return axes;
}

/// The six derivative pictures of a group's shadow on a film, made comparable like the film itself: turns about the
/// film's axes, then shifts along them.
struct Derivatives {
  PixelBox box;
  std::array<Film, 6> pictures;
};

Derivatives derivatives(const FilmState& f, const Group& g, const Prediction& now, int level) {
  const LevelFilm& lf = f.at(level);
  const ProjectionView& view = lf.view;
  const int window = lf.window();
  const Rigid X = filmPose(f, g);
  const Vec3 centre = X * g.centre;
  // Steps that move the shadow by most of a pixel: a projection's own small errors must not pass for derivatives. Along
  // the beam that takes centimetres.
  const double step_mm = kStepPixels * view.pixel_mm;
  const double away_mm = step_mm * (centre - view.source).dot(view.normal()) / g.reach_mm;
  const PixelBox shade = grownBox(shadowOf(g, X, view, level), 4, view);
  Derivatives out;
  out.box = grownBox(shade, reach(window), view);
  if (shade.empty()) {
    out.box = {};
    return out;
  }
  const Film base = draw(g, X, view, shade, level);
  const Film usable = cropped(now.usable, out.box), slope = cropped(now.slope, out.box);
  const Film share = blurred(usable, window), spread = cropped(now.shown.spread, out.box);
  const Mat3 axes = filmAxes(view);
  for (int k = 0; k < 6; ++k) {
    const Vec3 axis = axes.col(k % 3);
    const double amount = k < 3 ? step_mm / g.reach_mm : k < 5 ? step_mm : away_mm;
    Twist xi = Twist::Zero();
    (k < 3 ? xi.head<3>() : xi.tail<3>()) = amount * axis;
    const Film there = draw(g, exponential(xi, centre) * X, view, shade, level);
    const auto per_step = static_cast<float>(f.bone_gain / amount);
    Film d(out.box.columns, out.box.rows);
    for (int r = 0; r < shade.rows; ++r)
      for (int c = 0; c < shade.columns; ++c) {
        const int x = shade.column - out.box.column + c, y = shade.row - out.box.row + r;
        d.at(x, y) = slope.at(x, y) * (there.at(c, r) - base.at(c, r)) * per_step;
      }
    normaliseDerivative(d, usable, share, spread, window);
    out.pictures[static_cast<std::size_t>(k)] = std::move(d);
  }
  return out;
}

/// Tukey's weights from the spread of the residuals themselves.
Film robustWeights(const Prediction& p, double least_scale, double& variance) {
  std::vector<float> sizes;
  const Film& w = p.weight;
  for (std::size_t i = 0; i < w.values.size(); ++i)
    if (w.values[i] > 0) sizes.push_back(std::abs(p.wanted.values.values[i] - p.shown.values.values[i]));
  double scale = least_scale;
  if (!sizes.empty()) {
    auto middle = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
    std::nth_element(sizes.begin(), middle, sizes.end());
    scale = std::max(least_scale, 1.4826 * static_cast<double>(*middle));
  }
  variance = scale * scale;
  const double c = 4.685 * scale;
  Film out(w.columns, w.rows);
  for (std::size_t i = 0; i < w.values.size(); ++i) {
    if (w.values[i] <= 0) continue;
    const double r = static_cast<double>(p.wanted.values.values[i] - p.shown.values.values[i]) / c;
    if (std::abs(r) < 1) out.values[i] = static_cast<float>((1 - r * r) * (1 - r * r));
  }
  return out;
}

/// What one film has against the poses, in units of its own information: Tukey's loss, per pixel compared, times as
/// many pixels as there were when the step was made.
double filmEnergy(const Prediction& p, double variance, double pixels, double pixel_mm) {
  const double c2 = 4.685 * 4.685 * variance;
  double sum = 0, count = 0;
  for (std::size_t i = 0; i < p.weight.values.size(); ++i) {
    if (p.weight.values[i] <= 0) continue;
    const auto r = static_cast<double>(p.wanted.values.values[i] - p.shown.values.values[i]);
    const double u = std::max(0.0, 1 - r * r / c2);
    sum += c2 / 6 * (1 - u * u * u);
    count += 1;
  }
  const double patch = std::max(1.0, kPatchMm / pixel_mm);
  return count > 0 ? pixels * sum / count / (variance * patch * patch) : 1e12;
}

/// J^T W J and J^T W r of one film over the twists of its groups, then carried over to the unknowns.
void addFilm(const Problem& p, std::size_t film, int level, const Mode& mode, const Unknowns& u, Normal& normal) {
  const FilmState& f = p.films[film];
  const LevelFilm& lf = f.at(level);
  const Prediction now = predict(p, f, level, mode);
  double variance = 1;
  const Film weights = robustWeights(now, 0.1, variance);
  const bool view_free = u.view[film] >= 0;
  std::vector<std::size_t> moving;
  for (std::size_t g = 0; g < p.groups.size(); ++g) {
    const bool counts = mode.metal_compared ? g >= p.bones : g < (mode.core ? p.core : p.bones);
    if (counts && (view_free || u.group[g] >= 0)) moving.push_back(g);
  }
  std::vector<Derivatives> d(moving.size());
  tbb::parallel_for(std::size_t{0}, moving.size(),
                    [&](std::size_t n) { d[n] = derivatives(f, p.groups[moving[n]], now, level); });
  Film residual(now.weight.columns, now.weight.rows);
  double count = 0;
  for (std::size_t i = 0; i < residual.values.size(); ++i) {
    residual.values[i] = now.wanted.values.values[i] - now.shown.values.values[i];
    count += now.weight.values[i] > 0 ? 1 : 0;
  }
  normal.variance.push_back(variance);
  normal.pixels.push_back(count);
  normal.energy += filmEnergy(now, variance, count, lf.view.pixel_mm);

  const auto size = static_cast<Eigen::Index>(6 * moving.size());
  Eigen::MatrixXd H = Eigen::MatrixXd::Zero(size, size);
  Eigen::VectorXd b = Eigen::VectorXd::Zero(size);
  tbb::parallel_for(std::size_t{0}, moving.size(), [&](std::size_t m) {
    const auto row0 = static_cast<Eigen::Index>(6 * m);
    for (std::size_t n = m; n < moving.size(); ++n) {
      const PixelBox box = intersection(d[m].box, d[n].box);
      if (box.empty()) continue;
      Matrix6 sum_jj = Matrix6::Zero();
      Twist sum_jr = Twist::Zero();
      for (int r = 0; r < box.rows; ++r) {
        const int y = box.row + r;
        for (int c = 0; c < box.columns; ++c) {
          const int x = box.column + c;
          const float w = weights.at(x, y);
          if (w <= 0) continue;
          Eigen::Matrix<double, 6, 1> a, e;
          for (std::size_t k = 0; k < 6; ++k) {
            a[static_cast<Eigen::Index>(k)] =
                static_cast<double>(d[m].pictures[k].at(x - d[m].box.column, y - d[m].box.row));
            e[static_cast<Eigen::Index>(k)] =
                static_cast<double>(d[n].pictures[k].at(x - d[n].box.column, y - d[n].box.row));
          }
          sum_jj.noalias() += static_cast<double>(w) * a * e.transpose();
          if (m == n) sum_jr += static_cast<double>(w * residual.at(x, y)) * a;
        }
      }
      const auto column0 = static_cast<Eigen::Index>(6 * n);
      H.block<6, 6>(row0, column0) = sum_jj;
      if (m == n) b.segment<6>(row0) = sum_jr;
    }
  });
  for (Eigen::Index i = 0; i < size; ++i)
    for (Eigen::Index j = 0; j < i; ++j) H(i, j) = H(j, i);

  // One patch of correlated residuals is one observation of their variance.
  const double patch = std::max(1.0, kPatchMm / lf.view.pixel_mm);
  const double information = 1 / (variance * patch * patch);

  Eigen::MatrixXd B = Eigen::MatrixXd::Zero(size, u.count);
  const Mat3 to_film = filmAxes(lf.view).transpose();
  Matrix6 T = Matrix6::Zero();
  T.topLeftCorner<3, 3>() = to_film;
  T.bottomRightCorner<3, 3>() = to_film;
  for (std::size_t m = 0; m < moving.size(); ++m) {
    const Group& g = p.groups[moving[m]];
    const auto row0 = static_cast<Eigen::Index>(6 * m);
    const Vec3 centre = filmPose(f, g) * g.centre;
    if (view_free) {
      Matrix6 A = Matrix6::Identity();
      const Vec3 arm = centre - p.centre;
      for (int k = 0; k < 3; ++k) A.block<3, 1>(3, k) = Vec3::Unit(k).cross(arm);
      B.block<6, 6>(row0, u.view[film]) = T * A;
    }
    if (u.group[moving[m]] >= 0) {
      Matrix6 A = Matrix6::Zero();
      A.topLeftCorner<3, 3>() = f.moved.linear();
      A.bottomRightCorner<3, 3>() = f.moved.linear();
      B.block<6, 6>(row0, u.group[moving[m]]) = T * A;
    }
  }
  normal.H += information * B.transpose() * H * B;
  normal.b += information * B.transpose() * b;
}

/// The same of all films.
Normal ofAllFilms(const Problem& p, int level, const Mode& mode, const Unknowns& u) {
  std::vector<Normal> each(p.films.size(), Normal(u.count));
  tbb::parallel_for(std::size_t{0}, each.size(), [&](std::size_t f) { addFilm(p, f, level, mode, u, each[f]); });
  Normal all(u.count);
  for (const Normal& one : each) all += one;
  return all;
}

struct Prior {
  double shift_mm, turn_rad;
};

void addPrior(const Group& g, const Prior& prior, int at, Normal& normal) {
  const Eigen::AngleAxisd turn(g.planned_to_found.linear());
  const Vec3 turned = turn.angle() * turn.axis();
  const Vec3 shifted = g.planned_to_found * g.centre - g.centre;
  const double a = 1 / (prior.turn_rad * prior.turn_rad), t = 1 / (prior.shift_mm * prior.shift_mm);
  for (int k = 0; k < 3; ++k) {
    normal.H(at + k, at + k) += a;
    normal.b(at + k) -= a * turned[k];
    normal.H(at + 3 + k, at + 3 + k) += t;
    normal.b(at + 3 + k) -= t * shifted[k];
  }
  if (g.metal != nullptr) {  // a turn about its own axis shows nowhere
    const Vec3 axis = g.planned_to_found.linear() * (g.metal->tip - g.metal->entry).normalized();
    normal.H.block<3, 3>(at, at) += 1e8 * axis * axis.transpose();
  }
}

struct RefineSettings {
  int level = kCoarse, iterations = 10;
  Mode mode;
  Prior ray{3, 0.1}, hindfoot{1.0, 0.02}, metal{3, 0.1};
  double largest_mm = 4, largest_rad = 0.07;
};

double viewOff(const FilmState& f, const Vec3& centre, int level) {
  return (f.moved * centre - centre).dot(f.at(level).view.normal());
}

const Prior& priorOf(const Problem& p, std::size_t g, const RefineSettings& s) {
  return g >= p.bones ? s.metal : p.groups[g].id == "hindfoot" ? s.hindfoot : s.ray;
}

/// What is expected of the free poses before any film is looked at.
void addPriors(const Problem& p, const Unknowns& u, const RefineSettings& s, Normal& normal) {
  for (std::size_t g = 0; g < p.groups.size(); ++g)
    if (u.group[g] >= 0) addPrior(p.groups[g], priorOf(p, g, s), u.group[g], normal);
  // How far the foot lay from the detector is known about as well as the table's height.
  for (std::size_t f = 0; f < p.films.size(); ++f) {
    if (u.view[f] < 0) continue;
    const Vec3 beam = p.films[f].at(s.level).view.normal();
    const double weight = 1 / (depthMm(s.level) * depthMm(s.level));
    normal.H.block<3, 3>(u.view[f] + 3, u.view[f] + 3) += weight * beam * beam.transpose();
    normal.b.segment<3>(u.view[f] + 3) -= weight * viewOff(p.films[f], p.centre, s.level) * beam;
  }
}

/// What the priors have against the poses.
double priorEnergy(const Problem& p, const Unknowns& u, const RefineSettings& s) {
  double sum = 0;
  for (std::size_t f = 0; f < p.films.size(); ++f) {
    const double off = viewOff(p.films[f], p.centre, s.level) / depthMm(s.level);
    if (u.view[f] >= 0) sum += 0.5 * off * off;
  }
  for (std::size_t g = 0; g < p.groups.size(); ++g) {
    if (u.group[g] < 0) continue;
    const Prior& prior = priorOf(p, g, s);
    const double shift =
        (p.groups[g].planned_to_found * p.groups[g].centre - p.groups[g].centre).norm() / prior.shift_mm;
    const double turn = rotationAngle(p.groups[g].planned_to_found.linear()) / prior.turn_rad;
    sum += 0.5 * (shift * shift + turn * turn);
  }
  return sum;
}

/// What films and priors have against the poses, in the units of the equations `at`.
double energy(const Problem& p, const Unknowns& u, const RefineSettings& s, const Normal& at) {
  std::vector<double> each(p.films.size());
  tbb::parallel_for(std::size_t{0}, each.size(), [&](std::size_t f) {
    each[f] = filmEnergy(predict(p, p.films[f], s.level, s.mode), at.variance[f], at.pixels[f],
                         p.films[f].at(s.level).view.pixel_mm);
  });
  return std::accumulate(each.begin(), each.end(), priorEnergy(p, u, s));
}

/// Gauss and Newton on the free twists, each step as long as it lowers the energy: where edges do not overlap yet, the
/// plain step is too short.
void refine(Problem& p, const Unknowns& u, const RefineSettings& s, const Progress& progress) {
  constexpr double kAsExpected = 0.7;  // of what the equations promise: a longer step is worth trying
  for (int n = 0; n < s.iterations; ++n) {
    Normal normal = ofAllFilms(p, s.level, s.mode, u);
    addPriors(p, u, s, normal);
    Eigen::MatrixXd damped = normal.H;
    damped.diagonal() += 1e-5 * normal.H.diagonal() + Eigen::VectorXd::Constant(u.count, 1e-9);
    const Eigen::VectorXd x = damped.ldlt().solve(normal.b);

    double largest = 0;
    const auto stepped = [&](double scale) {
      Problem q = p;
      largest = 0;
      const auto capped = [&](Twist xi, double reach_mm) {
        xi *= scale;
        const double by = std::max({1.0, xi.head<3>().norm() / s.largest_rad, xi.tail<3>().norm() / s.largest_mm});
        xi /= by;
        largest = std::max({largest, xi.tail<3>().norm(), xi.head<3>().norm() * reach_mm});
        return xi;
      };
      for (std::size_t f = 0; f < q.films.size(); ++f)
        if (u.view[f] >= 0)
          q.films[f].moved = exponential(capped(x.segment<6>(u.view[f]), 60), q.centre) * q.films[f].moved;
      for (std::size_t g = 0; g < q.groups.size(); ++g) {
        if (u.group[g] < 0) continue;
        Group& group = q.groups[g];
        const Vec3 centre = group.planned_to_found * group.centre;
        group.planned_to_found =
            exponential(capped(x.segment<6>(u.group[g]), group.reach_mm), centre) * group.planned_to_found;
      }
      return q;
    };
    double best = normal.energy + priorEnergy(p, u, s);
    bool better = false;
    Problem taken;
    double moved = 0;
    const auto tried = [&](double scale) {  // kept where it is the best so far
      Problem q = stepped(scale);
      const double e = energy(q, u, s, normal);
      if (e >= best) return false;
      best = e;
      taken = std::move(q);
      moved = largest;
      return better = true;
    };
    const double start = best, expected = 0.5 * x.dot(normal.b);
    for (const double scale : {1.0, 2.0, 4.0, 8.0}) {
      if (!tried(scale)) break;
      if (scale == 1.0 && start - best < kAsExpected * expected) break;
    }
    for (const double scale : {0.4, 0.15})
      if (better || tried(scale)) break;
    if (!better) break;
    p = std::move(taken);
    if (progress.cancelled() || moved < 0.01 * p.levels[static_cast<std::size_t>(s.level)].pixel_mm) break;
  }
}

/// Each film's gain of bone, as it is met best with everything where it is.
void fitBoneGain(Problem& p, int level, const Mode& mode) {
  constexpr double kStep = 1.2;
  tbb::parallel_for(std::size_t{0}, p.films.size(), [&](std::size_t n) {
    FilmState& film = p.films[n];
    const Drawing drawing = drawn(p, film, level);
    const auto met = [&](double gain) {
      FilmState f = film;
      f.bone_gain = gain;
      return similarity(predict(p, f, level, mode, drawing));
    };
    // Steps of a fifth to where both neighbours are met worse; the vertex of the parabola through the three.
    double at = film.bone_gain, here = met(at), less = met(at / kStep), more = met(at * kStep);
    while (std::max(less, more) > here && at > kLeastBoneGain && at < kMostBoneGain) {
      if (more >= less) {
        at *= kStep;
        less = std::exchange(here, more);
        more = met(at * kStep);
      } else {
        at /= kStep;
        more = std::exchange(here, less);
        less = met(at / kStep);
      }
    }
    const double bend = less - 2 * here + more;
    const double beside = bend < 0 ? std::clamp(0.5 * (less - more) / bend, -1.0, 1.0) : 0;
    film.bone_gain = std::clamp(at * std::pow(kStep, beside), kLeastBoneGain, kMostBoneGain);
  });
}

// ---------------------------------------------------------------- where to start

struct Start {
  Rigid moved = Rigid::Identity();
  double score = -1;
};

/// Best first.
template <class Place>
void sortByScore(std::vector<Place>& places) {
  std::stable_sort(places.begin(), places.end(), [](const Place& a, const Place& b) { return a.score > b.score; });
}

/// The best `count` places of which none is the same as a better one.
template <class Place, class Same>
std::vector<Place> bestApart(std::vector<Place> places, std::size_t count, const Same& same) {
  sortByScore(places);
  std::vector<Place> kept;
  for (const Place& place : places) {
    if (kept.size() == count) break;
    if (std::ranges::none_of(kept, [&](const Place& better) { return same(place, better); })) kept.push_back(place);
  }
  return kept;
}

/// How well a film is met in a place that is sought: what does not move against what it stands on (tarsus, hindfoot),
/// and the rays, half each. The two rays that are met worst do not count: one left off, behind metal or beyond the
/// film's edge must not carry the foot away. Nothing where the tarsus is not on the film.
class Votes {
 public:
  void add(std::size_t group, std::size_t core, double correlation) {
    (group < core ? core_ : rays_).push_back(correlation);
    tarsus_ = tarsus_ || group == 0;
  }
  void clear() {
    core_.clear();
    rays_.clear();
    tarsus_ = false;
  }
  [[nodiscard]] double score() {
    constexpr std::size_t kHeldOut = 2, kLeastRays = 2;
    if (!tarsus_ || rays_.size() < kLeastRays) return -1;
    std::ranges::sort(rays_, std::greater());
    rays_.resize(std::max(kLeastRays, rays_.size() - std::min(kHeldOut, rays_.size())));
    const auto mean = [](const std::vector<double>& v) {
      double sum = 0;
      for (const double c : v) sum += c;
      return sum / static_cast<double>(v.size());
    };
    return 0.5 * (mean(core_) + mean(rays_));
  }

 private:
  std::vector<double> core_, rays_;
  bool tarsus_ = false;
};

/// Turns on a grid, shifts by sliding, the best first. Every body votes for itself.
std::vector<Start> seekStarts(const Problem& p, const FilmState& film, const FilmRegistrationSettings& s) {
  constexpr std::size_t kLeastSpots = 12;
  const LevelFilm& lf = film.at(kSearch);
  const ProjectionView& view = lf.view;
  const int window = lf.window();
  const Normalised wanted = normalised(lf.film, lf.inside, window);
  std::vector<Vec3> turns;
  const double step = s.search_turn_rad / 2;
  for (int a = -2; a <= 2; ++a)
    for (int b = -2; b <= 2; ++b)
      for (int c = -2; c <= 2; ++c)
        turns.push_back(step * (a * view.normal() + kAcross * (b * view.right + c * view.down)));
  const double magnification = view.magnification(p.centre);
  const int slide = static_cast<int>(std::ceil(s.search_shift_mm * magnification / view.pixel_mm));
  std::vector<Start> found(turns.size()), found_whole(turns.size());
  tbb::parallel_for(std::size_t{0}, turns.size(), [&](std::size_t n) {
    FilmState f = film;
    Twist xi;
    xi << turns[n], Vec3::Zero();
    f.moved = exponential(xi, p.centre) * film.moved;
    const Prediction now = predict(p, f, kSearch, {});
    // The pixels each bone covers, as a list: slid over the film.
    struct Spot {
      int c, r;
      float value;
    };
    Film owner(view.columns, view.rows, -1), most(view.columns, view.rows);
    for (std::size_t g = 0; g < p.bones; ++g) {
      const Patch& patch = now.groups[g];
      for (int r = 0; r < patch.box.rows; ++r)
        for (int c = 0; c < patch.box.columns; ++c) {
          float& best = most.at(patch.box.column + c, patch.box.row + r);
          if (patch.values.at(c, r) <= best) continue;
          best = patch.values.at(c, r);
          owner.at(patch.box.column + c, patch.box.row + r) = static_cast<float>(g);
        }
    }
    // The rim of a shadow goes with the bone beside it.
    std::vector<std::vector<Spot>> spots(p.bones);
    const int rim = pixelsOf(kRimMm, view);
    for (int r = 0; r < view.rows; ++r)
      for (int c = 0; c < view.columns; ++c) {
        if (now.weight.at(c, r) <= 0) continue;
        int own = static_cast<int>(owner.at(c, r)), nearest = 1 << 20;
        for (int y = std::max(0, r - rim); own < 0 && y <= std::min(view.rows - 1, r + rim); ++y)
          for (int x = std::max(0, c - rim); x <= std::min(view.columns - 1, c + rim); ++x) {
            const int off = (x - c) * (x - c) + (y - r) * (y - r);
            if (owner.at(x, y) >= 0 && off < nearest) nearest = off, own = static_cast<int>(owner.at(x, y)) + 1000;
          }
        own = own >= 1000 ? own - 1000 : own;
        if (own >= 0) spots[static_cast<std::size_t>(own)].push_back({c, r, now.shown.values.at(c, r)});
      }
    Votes votes;
    for (int dr = -slide; dr <= slide; ++dr)
      for (int dc = -slide; dc <= slide; ++dc) {
        votes.clear();
        double all_ab = 0, all_aa = 0, all_bb = 0;
        for (std::size_t g = 0; g < spots.size(); ++g) {
          const std::vector<Spot>& own = spots[g];
          if (own.size() < kLeastSpots) continue;
          double ab = 0, aa = 0, bb = 0;
          std::size_t in = 0;
          for (const Spot& spot : own) {
            const int c = spot.c + dc, r = spot.r + dr;
            if (c < 0 || r < 0 || c >= view.columns || r >= view.rows || lf.inside.at(c, r) <= 0) continue;
            const auto a = static_cast<double>(wanted.values.at(c, r)), b = static_cast<double>(spot.value);
            ab += a * b, aa += a * a, bb += b * b;
            ++in;
          }
          all_ab += ab, all_aa += aa, all_bb += bb;
          if (in * 3 >= own.size() * 2)  // most of it has to be on the film
            votes.add(g, p.core, ab / std::sqrt(std::max(1e-12, aa * bb)));
        }
        const double score = votes.score();
        const double whole = score < 0 ? -1 : all_ab / std::sqrt(std::max(1e-12, all_aa * all_bb));
        const auto kept = [&](Start& best, double reached) {
          if (reached <= best.score) return;
          best.score = reached;
          Rigid shift = Rigid::Identity();
          shift.translate((dc * view.right + dr * view.down) * view.pixel_mm / magnification);
          best.moved = shift * f.moved;
        };
        kept(found[n], score);
        kept(found_whole[n], whole);
      }
  });
  // Where every ray is in its place the foot as a whole tells more; where one is not, the votes do: in turn.
  sortByScore(found);
  sortByScore(found_whole);
  std::vector<Start> starts;
  for (std::size_t n = 0; n < turns.size(); ++n)
    for (const Start& start : {found[n], found_whole[n]})
      if (start.score >= 0) starts.push_back(start);
  return starts;
}

FilmState turnedOver(const FilmState& film) {
  auto levels = std::make_shared<std::array<LevelFilm, kLevels>>(*film.levels);
  for (LevelFilm& lf : *levels)
    for (Film* picture : {&lf.film, &lf.inside})
      for (int r = 0; r < picture->rows; ++r) std::reverse(picture->row(r), picture->row(r) + picture->columns);
  FilmState out;
  out.levels = std::move(levels);
  out.moved = film.moved;
  out.bone_gain = film.bone_gain;
  return out;
}

/// Holds the region compared on one level still: around the bones as they are now, without what is masked now.
void holdRegion(Problem& p, int level, Mode mode) {
  mode.wide = true;
  for (FilmState& f : p.films) {
    auto& region = f.region[static_cast<std::size_t>(level)];
    region = nullptr;
    region = std::make_shared<const Film>(predict(p, f, level, mode).weight);
  }
}

/// Every start refined on one level, every ray for itself as well, held by what is expected of rays: in a wrong place
/// they find nothing, in the right one a ray that was left off finds itself. First (`foot_first`) the foot moves as
/// one, once as planned and once told by tarsus and hindfoot alone, which stand where they stood.
std::vector<Start> refined(const Problem& problem, const FilmState& film, std::span<const Start> starts, int level,
                           bool foot_first, const FilmRegistrationSettings& settings, const Progress& progress) {
  std::vector<bool> none(problem.groups.size(), false), bones = none;
  for (std::size_t g = 1; g < problem.bones; ++g) bones[g] = true;
  const std::size_t variants = foot_first ? 2 : 1;
  std::vector<Start> out(variants * starts.size());
  tbb::parallel_for(std::size_t{0}, out.size(), [&](std::size_t n) {
    Problem p = problem;
    p.films = {film};
    p.films[0].moved = starts[n / variants].moved;
    RefineSettings r;
    r.level = level;
    r.ray = {settings.ray_shift_mm, settings.ray_turn_rad};
    if (foot_first) {
      r.iterations = 8;
      r.mode.core = n % variants == 1;
      refine(p, unknowns(p, {true}, none), r, progress);
      r.mode.core = false;
    }
    holdRegion(p, level, {});
    r.iterations = 6;
    refine(p, unknowns(p, {true}, bones), r, progress);
    const Prediction now = predict(p, p.films[0], level, {});
    const int rim = pixelsOf(kRimMm, p.films[0].at(level).view);
    Votes votes;
    for (std::size_t g = 0; g < p.bones; ++g)
      if (now.groups[g].box.columns > 0) votes.add(g, p.core, similarity(now, &now.groups[g], rim));
    out[n] = {p.films[0].moved, votes.score()};
  });
  return out;
}

double bestScore(std::span<const Start> starts) {
  double best = -1;
  for (const Start& s : starts) best = std::max(best, s.score);
  return best;
}

/// The problem narrowed down to a few bodies (groups `first` to `last`), up to `reach_mm` from where they are:
/// everything else stands still and is drawn once.
Problem narrowed(const Problem& p, std::size_t first, std::size_t last, double reach_mm,
                 std::initializer_list<int> levels, const Mode& mode) {
  Problem out;
  out.levels = p.levels;
  out.groups.assign(p.groups.begin() + static_cast<std::ptrdiff_t>(first),
                    p.groups.begin() + static_cast<std::ptrdiff_t>(last) + 1);
  out.centre = p.centre;
  out.bones = out.groups.size();
  for (const FilmState& f : p.films) {
    FilmState narrow;
    narrow.moved = f.moved;
    narrow.bone_gain = f.bone_gain;
    auto at_levels = std::make_shared<std::array<LevelFilm, kLevels>>();
    for (const int level : levels) {
      const LevelFilm& lf = f.at(level);
      const Prediction now = predict(p, f, level, mode);
      PixelBox own;
      for (std::size_t g = first; g <= last; ++g) own = united(own, now.groups[g].box);
      const double px_per_mm = lf.view.magnification(f.moved * p.centre) / lf.view.pixel_mm;
      const PixelBox shade = grownBox(own, static_cast<int>(std::ceil(reach_mm * px_per_mm)), lf.view);
      const int window = lf.window();
      const PixelBox box = grownBox(shade, reach(window), lf.view);
      LevelFilm& to = (*at_levels)[static_cast<std::size_t>(level)];
      to.view = lf.view.cropped(box.column, box.row, box.columns, box.rows);
      to.film = cropped(lf.film, box);
      to.inside = cropped(now.usable, box);
      to.share = std::make_shared<const Film>(blurred(to.inside, window));
      to.window_px = lf.window_px;
      to.scale = now.scale;
      to.wanted = std::make_shared<const Normalised>(
          Normalised{cropped(now.wanted.values, box), cropped(now.wanted.spread, box)});
      Film still = now.sum;
      for (std::size_t g = first; g <= last; ++g) addInto(still, now.groups[g].values, now.groups[g].box, -f.bone_gain);
      to.still = std::make_shared<const Film>(cropped(still, box));
      Film weight = cropped(now.weight, box);
      for (int r = 0; r < box.rows; ++r)
        for (int c = 0; c < box.columns; ++c) {
          const int x = c + box.column - shade.column, y = r + box.row - shade.row;
          if (x < 0 || y < 0 || x >= shade.columns || y >= shade.rows) weight.at(c, r) = 0;
        }
      narrow.region[static_cast<std::size_t>(level)] = std::make_shared<const Film>(std::move(weight));
    }
    narrow.levels = std::move(at_levels);
    out.films.push_back(std::move(narrow));
  }
  return out;
}

/// A body moved in the plane of one film, from where it is.
struct Slide {
  double right_mm = 0, down_mm = 0, turn_rad = 0;  // at the body; about its centre, towards the film's normal
  double score = -1;
};

/// The body of a narrowed problem slid so.
Rigid slid(const Group& group, const FilmState& f, const ProjectionView& view, const Slide& s) {
  const Mat3 back = f.moved.linear().transpose();
  Twist xi;
  xi << back * (s.turn_rad * view.normal()), back * (s.right_mm * view.right + s.down_mm * view.down);
  return exponential(xi, group.planned_to_found * group.centre) * group.planned_to_found;
}

/// Where else on one film the ray's shadow would fit: the best few, well apart. One picture tells three of six degrees
/// of freedom, few enough to look at all of them.
std::vector<Slide> seekSlides(const Problem& narrow, const FilmState& f, int level, std::size_t keep) {
  constexpr double kStepMm = 1.5, kStepRad = 0.05, kApartMm = 2.2;
  constexpr int kSteps = 3, kTurns = 2;
  const ProjectionView& view = f.at(level).view;
  const Group& group = narrow.groups.front();
  std::vector<Slide> found;
  for (int a = -kTurns; a <= kTurns; ++a)
    for (int b = -kSteps; b <= kSteps; ++b)
      for (int c = -kSteps; c <= kSteps; ++c) found.push_back({b * kStepMm, c * kStepMm, a * kStepRad});
  tbb::parallel_for(std::size_t{0}, found.size(), [&](std::size_t n) {
    Slide& slide = found[n];
    Problem q = narrow;
    q.groups[0].planned_to_found = slid(group, f, view, slide);
    slide.score = similarity(predict(q, f, level, {}));
  });
  return bestApart(std::move(found), keep, [&](const Slide& a, const Slide& b) {
    return std::hypot(a.right_mm - b.right_mm, a.down_mm - b.down_mm) +
               0.5 * group.reach_mm * std::abs(a.turn_rad - b.turn_rad) <=
           kApartMm;
  });
}

/// What film `a` proposes, carried on by the film that looks most across it, where there is one: what both see (along
/// the line across both beams) is as `a` says, the other shift and the turn in its own plane are looked through. Poses
/// of the body.
void carriedOn(const Problem& narrow, std::size_t a, const std::vector<Slide>& slides, std::vector<Rigid>& out) {
  constexpr double kStepMm = 1.0, kStepRad = 0.05;
  constexpr int kSteps = 5, kTurns = 3;
  constexpr std::size_t kKept = 2;
  const auto beam = [&](std::size_t f) {
    return Vec3(narrow.films[f].moved.linear().transpose() * narrow.films[f].at(kFine).view.normal());
  };
  if (narrow.films.size() == 1) {  // nothing tells the rest
    for (const Slide& slide : slides)
      out.push_back(slid(narrow.groups.front(), narrow.films[a], narrow.films[a].at(kFine).view, slide));
    return;
  }
  std::size_t b = a == 0 ? 1 : 0;
  for (std::size_t f = 0; f < narrow.films.size(); ++f)
    if (f != a && std::abs(beam(f).dot(beam(a))) < std::abs(beam(b).dot(beam(a)))) b = f;
  const Vec3 across = beam(b).cross(beam(a).cross(beam(b))).normalized();
  const Group& group = narrow.groups.front();
  struct Scanned {
    Rigid pose;
    double shift = 0, turn = 0, score = -1;
  };
  for (const Slide& slide : slides) {
    const Rigid begin = slid(group, narrow.films[a], narrow.films[a].at(kFine).view, slide);
    std::vector<Scanned> found;
    for (int t = -kTurns; t <= kTurns; ++t)
      for (int n = -kSteps; n <= kSteps; ++n) found.push_back({begin, n * kStepMm, t * kStepRad});
    tbb::parallel_for(std::size_t{0}, found.size(), [&](std::size_t n) {
      Scanned& at = found[n];
      Twist move;
      move << at.turn * beam(b), at.shift * across;
      at.pose = exponential(move, begin * group.centre) * begin;
      Problem q = narrow;
      q.groups.front().planned_to_found = at.pose;
      at.score = similarity(predict(q, narrow.films[b], kFine, {}));
    });
    const auto same = [&](const Scanned& l, const Scanned& r) {
      return std::abs(l.shift - r.shift) + 0.5 * group.reach_mm * std::abs(l.turn - r.turn) <= 2 * kStepMm;
    };
    for (const Scanned& at : bestApart(std::move(found), kKept, same)) out.push_back(at.pose);
  }
}

/// Turned about its own length, which films show least.
void rolled(const Group& group, std::vector<Rigid>& out) {
  for (const double angle : {-0.3, -0.15, 0.15, 0.3})
    out.push_back(group.planned_to_found * turnAbout(group.centre, angle * group.axis, Vec3::Zero()));
}

/// What is looked for beside where it was found, and with whom it is followed down.
struct Search {
  std::size_t first = 0, last = 0;  // of the groups
  std::size_t together = 1;         // groups on each side that are followed with it
  bool roll = false;                // a device's turn about its axis shows nowhere
  bool from_middle = false;         // metal's edges are sharp: the finest level alone does not reach far
  double met = 2;                   // bodies that every film meets better than this are left where they are
  Mode mode;                        // of the whole
};

/// Shafts that lie over each other on a film can be taken one for another, and so can screws. Every body is therefore
/// sought anew on each film around where it was found, and followed down with its neighbours, which have made do with
/// a body in the wrong place. Told apart on the finest level only: on coarser ones a wrong place can be met as well as
/// the right one. True where anything moved.
bool tryBeside(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress) {
  constexpr double kReachMm = 7, kApartMm = 1.2, kHopeless = 15, kBetter = 1, kNearlyAsGood = 4;
  constexpr std::size_t kPlaces = 4, kTried = 6;
  struct Place {
    Problem at;
    double energy = 0;
  };
  RefineSettings r = base;
  r.mode = {};
  // Every place by the same measure: the residuals' variance where the body was found.
  const auto measured = [&](std::vector<Place>& places, int level, int iterations) {
    r.level = level;
    r.iterations = iterations;
    const Problem& start = places.front().at;
    const Unknowns u =
        unknowns(start, std::vector<bool>(start.films.size(), false), std::vector<bool>(start.groups.size(), true));
    const Normal measure = ofAllFilms(start, level, r.mode, u);
    tbb::parallel_for(std::size_t{0}, places.size(), [&](std::size_t n) {
      if (iterations > 0) refine(places[n].at, u, r, progress);
      places[n].energy = energy(places[n].at, u, r, measure);
    });
  };
  const auto lower = [](const Place& a, const Place& b) { return a.energy < b.energy; };
  std::vector<double> met(p.groups.size(), 1.0);
  for (std::size_t f = 0; search.met < 1 && f < p.films.size(); ++f) {
    const Prediction now = predict(p, p.films[f], kFine, search.mode);
    const int rim = pixelsOf(kRimMm, p.films[f].at(kFine).view);
    for (std::size_t g = search.first; g <= search.last; ++g)
      met[g] = std::min(met[g], similarity(now, &now.groups[g], rim));
  }
  bool moved = false;
  for (std::size_t g = search.first; g <= search.last; ++g) {
    if (met[g] > search.met) continue;
    const Problem narrow = narrowed(p, g, g, kReachMm, {kMiddle, kFine}, search.mode);
    std::vector<Rigid> poses;
    for (std::size_t f = 0; f < narrow.films.size(); ++f)
      carriedOn(narrow, f, seekSlides(narrow, narrow.films[f], kMiddle, kPlaces), poses);
    const auto placed = [](const Problem& problem, std::size_t n, const Rigid& pose) {
      Place out{problem};
      out.at.groups[n].planned_to_found = pose;
      return out;
    };
    std::vector<Place> places{{narrow}};
    for (const Rigid& pose : poses) places.push_back(placed(narrow, 0, pose));
    measured(places, kFine, 0);
    std::stable_sort(places.begin() + 1, places.end(), lower);
    if (places.size() > kTried + 1) places.resize(kTried + 1);
    if (search.roll) {  // what it does to the shadow's place comes right while it is followed
      poses.clear();
      rolled(narrow.groups.front(), poses);
      std::vector<Place> turned;
      turned.reserve(poses.size());
      for (const Rigid& pose : poses) turned.push_back(placed(narrow, 0, pose));
      measured(turned, kMiddle, 4);
      places.insert(places.end(), turned.begin(), turned.end());
    }
    if (search.from_middle) measured(places, kMiddle, 4);
    measured(places, kFine, 3);
    const auto fellTogether = [](const Group& group, const Rigid& other) {
      return (other * group.centre - group.planned_to_found * group.centre).norm() +
                 0.5 * group.reach_mm * rotationAngle(other.linear().transpose() * group.planned_to_found.linear()) <
             kApartMm;
    };
    const Rigid here = places.front().at.groups.front().planned_to_found;
    const double energy_here = places.front().energy;
    std::stable_sort(places.begin(), places.end(), lower);
    std::vector<Rigid> apart;  // what fell together is followed once
    for (const Place& place : places) {
      const Group& group = place.at.groups.front();
      const bool is_new = std::ranges::none_of(apart, [&](const Rigid& other) { return fellTogether(group, other); });
      if (is_new && place.energy < places.front().energy + kHopeless) apart.push_back(group.planned_to_found);
    }
    p.groups[g].rival_mm = 0;
    if (apart.size() == 1 && fellTogether(places.front().at.groups.front(), here) &&
        places.front().energy > energy_here - kBetter)
      continue;
    const std::size_t first = g - std::min(search.together, g - search.first);
    const std::size_t last = std::min(search.last, g + search.together);
    const Problem joint = narrowed(p, first, last, kReachMm, {kFine}, search.mode);
    places.assign(1, {joint});
    for (const Rigid& pose : apart) places.push_back(placed(joint, g - first, pose));
    measured(places, kFine, 5);
    const auto best = std::min_element(places.begin(), places.end(), lower);
    const Group& chosen = best->at.groups[g - first];
    p.groups[g].rival_mm = 0;
    for (const Place& place : places) {
      const Group& other = place.at.groups[g - first];
      if (fellTogether(chosen, other.planned_to_found)) continue;
      const double off = (other.planned_to_found * chosen.centre - chosen.planned_to_found * chosen.centre).norm();
      if (place.energy < best->energy + kNearlyAsGood) p.groups[g].rival_mm = std::max(p.groups[g].rival_mm, off);
    }
    if (best->energy < places.front().energy - kBetter) {
      for (std::size_t n = first; n <= last; ++n)
        p.groups[n].planned_to_found = best->at.groups[n - first].planned_to_found;
      moved = true;
    }
    if (progress.cancelled()) break;
  }
  return moved;
}

/// The film turned by quarters in its own plane, clockwise, pixel by pixel, so that every turn of a film gives the same
/// result; the view's middle stays where it was.
FilmExposure turnedBy(int quarters, const FilmExposure& e) {
  FilmExposure out = e;
  for (int n = 0; n < quarters; ++n) {
    const FilmExposure from = out;
    out.film = Film(from.film.rows, from.film.columns);
    for (int r = 0; r < from.film.rows; ++r)
      for (int c = 0; c < from.film.columns; ++c) out.film.at(from.film.rows - 1 - r, c) = from.film.at(c, r);
    out.column = from.film.rows - (from.row + from.rows);
    out.row = from.column;
    out.columns = from.rows;
    out.rows = from.columns;
    ProjectionView& v = out.view;
    const Vec3 middle = from.view.place((from.view.columns - 1) / 2.0, (from.view.rows - 1) / 2.0);
    v.columns = from.view.rows;
    v.rows = from.view.columns;
    v.detector = middle - v.pixel_mm * ((v.columns - 1) / 2.0 * v.right + (v.rows - 1) / 2.0 * v.down);
  }
  if (e.columns == 0) out.column = out.row = out.columns = out.rows = 0;
  return out;
}

/// The view of a film, from that of the film turned by quarters.
ProjectionView turnedBack(int quarters, const ProjectionView& turned) {
  ProjectionView v = turned;
  for (int n = 0; n < quarters; ++n) {
    const ProjectionView from = v;
    v.detector = from.place(from.columns - 1, 0);
    v.right = from.down;
    v.down = -from.right;
    v.columns = from.rows;
    v.rows = from.columns;
  }
  return v;
}

/// A place beyond what was looked through is none: the search has run away.
Status withinReach(const FilmState& f, const Vec3& centre, const FilmRegistrationSettings& s, const std::string& name) {
  constexpr double kSlackRad = 0.055, kSlackMm = 5, kDepthMm = 40;
  const ProjectionView& view = f.at(kFine).view;
  const Eigen::AngleAxisd turn(f.moved.linear());
  const Vec3 turned = filmAxes(view).transpose() * (turn.angle() * turn.axis());
  const Vec3 shifted = filmAxes(view).transpose() * (f.moved * centre - centre);
  const double across = turned.head<2>().norm(), about = std::abs(turned.z());
  const double least = s.search_turn_rad, beside = kAcross * s.search_turn_rad;
  if (about <= least + kSlackRad && across <= std::numbers::sqrt2 * beside + kSlackRad &&
      shifted.head<2>().norm() <= std::numbers::sqrt2 * s.search_shift_mm + kSlackMm &&
      std::abs(shifted.z()) <= kDepthMm)
    return {};
  return fail(Fault::kImages,
              fmt::format("the foot is met on the film only {:.0f} degrees about the beam, {:.0f} degrees across it, "
                          "{:.0f} mm beside and {:.0f} mm along it from where the stated view has it: beyond what is "
                          "looked through, and not to be trusted",
                          toDegrees(about), toDegrees(across), shifted.head<2>().norm(), std::abs(shifted.z())),
              name,
              "Check that the film shows this foot, and say with --views how the tube stood (its angles, sid= and "
              "oid= in mm).");
}

LevelFilm levelFilm(const FilmExposure& e, const LevelSettings& s) {
  LevelFilm out;
  const int factor = std::max(1, static_cast<int>(std::lround(s.pixel_mm / e.view.pixel_mm)));
  out.view = e.view.binned(factor);
  out.film = binned(e.film, factor);
  out.inside = Film(out.view.columns, out.view.rows, 1);
  if (e.columns > 0) {
    for (int r = 0; r < out.view.rows; ++r)
      for (int c = 0; c < out.view.columns; ++c)
        if (c * factor < e.column || (c + 1) * factor > e.column + e.columns || r * factor < e.row ||
            (r + 1) * factor > e.row + e.rows)
          out.inside.at(c, r) = 0;
  }
  out.window_px = s.window_mm / out.view.pixel_mm;
  out.sorted = sortedValues(out.film, out.inside);
  return out;
}

/// Where one film was taken from, as far as it tells by itself.
struct PlacedFilm {
  FilmState state;         // of the film turned upright
  ProjectionView nominal;  // the same
  int quarters = 0;        // it was turned by, clockwise
  double margin = 0;       // by how much it is met better here than elsewhere
};

Result<PlacedFilm> placeFilm(const Problem& p, const FilmExposure& e, const FilmRegistrationSettings& settings,
                             const Progress& progress) {
  constexpr std::size_t kSought = 20, kSoughtLong = 60;
  constexpr double kSameMm = 1.5, kSameRad = 0.02, kElsewhereMm = 3, kElsewhereRad = 0.07;
  if (e.film.columns != e.view.columns || e.film.rows != e.view.rows)
    return fail(Fault::kInternal, "film and view differ in size", e.name);
  struct Sought {
    PlacedFilm film;
    std::vector<Start> all;      // the best first, as sought
    std::vector<Start> refined;  // the first of them, followed down
    [[nodiscard]] double best() const { return bestScore(refined); }
  };
  const auto firstOf = [](const std::vector<Start>& all, std::size_t count) {
    return std::span(all).first(std::min(count, all.size()));
  };
  const auto follow = [&](const FilmState& state, std::span<const Start> starts) {
    return refined(p, state, starts, kSearch, true, settings, progress);
  };
  const auto seek = [&](const PlacedFilm& film) {
    Sought out{film, seekStarts(p, film.state, settings), {}};
    out.refined = follow(film.state, firstOf(out.all, kSought));
    return out;
  };
  const auto lying = [&](int quarters) {
    const FilmExposure turned = turnedBy(quarters, e);
    auto at_levels = std::make_shared<std::array<LevelFilm, kLevels>>();
    for (std::size_t level = 0; level < kLevels; ++level) (*at_levels)[level] = levelFilm(turned, p.levels[level]);
    PlacedFilm out;
    out.state.levels = std::move(at_levels);
    out.nominal = turned.view;
    out.quarters = quarters;
    return out;
  };
  Sought sought = seek(lying(0));
  for (int quarters = 1; quarters < 4 && sought.best() < kUpright; ++quarters) {
    Sought other = seek(lying(quarters));
    if (other.best() >= sought.best() + kClearlyBetter) sought = std::move(other);
  }
  PlacedFilm out = sought.film;
  std::vector<Start> starts = sought.refined;
  if (bestScore(starts) < kWellFound) {
    const auto others = firstOf(sought.all, kSoughtLong).subspan(firstOf(sought.all, kSought).size());
    const std::vector<Start> more = follow(out.state, others);
    starts.insert(starts.end(), more.begin(), more.end());
  }
  // A film that was turned over is met with 0.72 to 0.76 as it is.
  double mirrored = 0;
  if (bestScore(starts) < kUpright) {
    PlacedFilm over = out;
    over.state = turnedOver(out.state);
    mirrored = seek(over).best();
  }
  if (progress.cancelled()) return cancelledError();
  if (mirrored > std::max(bestScore(starts) + kClearlyBetter, kUpright))
    return fail(Fault::kImages, "the film shows the mirror image of this foot", e.name,
                "Check that it is the right side and was not turned over.");
  const auto same = [&](const Start& a, const Start& b) {
    return (a.moved * p.centre - b.moved * p.centre).norm() < kSameMm &&
           rotationAngle(a.moved.linear() * b.moved.linear().transpose()) < kSameRad;
  };
  starts = bestApart(std::move(starts), 6, same);
  for (const int level : {kCoarse, kMiddle})
    starts = bestApart(refined(p, out.state, starts, level, false, settings, progress), 2, same);
  if (progress.cancelled()) return cancelledError();
  const double best = bestScore(starts);
  if (best < kFound)
    return fail(Fault::kImages,
                fmt::format("the film does not match the foot of the plan (similarity {:.2f}, at least {:.2f} is "
                            "needed)",
                            std::max(0.0, best), kFound),
                e.name, "Check the view stated for it, its side and its patient.");
  out.state.moved = starts.front().moved;
  const auto elsewhere = std::find_if(starts.begin() + 1, starts.end(), [&](const Start& other) {
    return (other.moved * p.centre - out.state.moved * p.centre).cross(out.nominal.normal()).norm() > kElsewhereMm ||
           rotationAngle(other.moved.linear() * out.state.moved.linear().transpose()) > kElsewhereRad;
  });
  out.margin = elsewhere == starts.end() ? best : best - elsewhere->score;
  return out;
}

}  // namespace

Mat3 pointCovariance(const Covariance6& twist, const Vec3& centre, const Vec3& point) {
  Eigen::Matrix<double, 3, 6> J;
  for (int k = 0; k < 3; ++k) J.col(k) = Vec3::Unit(k).cross(point - centre);
  J.rightCols<3>() = Mat3::Identity();
  return J * twist * J.transpose();
}

LeastCertain leastCertain(const Mat3& covariance) {
  const Eigen::SelfAdjointEigenSolver<Mat3> solver(covariance);
  return {std::sqrt(std::max(0.0, solver.eigenvalues()[2])), solver.eigenvectors().col(2)};
}

Result<FilmRegistration> registerFilms(const FilmRegistrationInput& input, const FilmRegistrationSettings& settings,
                                       const Progress& progress) {
  if (input.films.empty()) return fail(Fault::kRequest, "there is no film to register", {}, "Give at least one film.");
  if (input.bodies == nullptr || input.bodies->bones.empty())
    return fail(Fault::kRequest, "there are no bones to register", {}, "Plan the case first.");
  Problem p;
  p.levels = {{{2.4, 2.0, 9}, {1.6, 1.5, 7}, {0.8, 1.0, 4.5}, {settings.fine_pixel_mm, 0.5, 3}}};
  const auto planned = [&](const std::string& id) {
    const auto it = input.injured_to_planned.find(id);
    return it == input.injured_to_planned.end() ? Rigid::Identity() : it->second;
  };
  const auto addGroup = [&](const std::string& id, const std::vector<std::vector<std::string>>& parts) {
    Group g;
    g.id = id;
    Box box;
    std::vector<Vec3> corners;
    Vec3 sum = Vec3::Zero();
    Mat3 squares = Mat3::Zero();
    double count = 0;
    for (const auto& ids : parts) {
      std::vector<const CtVolume*> volumes;
      for (const std::string& name : ids)
        if (const Body* body = input.bodies->find(name)) volumes.push_back(&body->added);
      if (volumes.empty()) continue;
      const Rigid X = planned(ids.front());
      const CtVolume merged_volume = merge(volumes);
      for (const Vec3& corner : merged_volume.grid.corners()) corners.push_back(X * corner);
      const Grid& grid = merged_volume.grid;
      for (int k = 0; k < grid.size.z(); k += 2)
        for (int j = 0; j < grid.size.y(); j += 2)
          for (int i = 0; i < grid.size.x(); i += 2)
            if (merged_volume.at(i, j, k) > kOfBone) {
              const Vec3 point = X * grid.toPatient(Vec3(i, j, k));
              sum += point;
              squares += point * point.transpose();
              count += 1;
            }
      g.parts.push_back(makePart(merged_volume, X, p.levels));
    }
    if (g.parts.empty()) return false;
    if (count > 0)
      g.axis = Eigen::SelfAdjointEigenSolver<Mat3>(squares / count - sum * sum.transpose() / (count * count))
                   .eigenvectors()
                   .col(2);
    for (const Vec3& c : corners) box.extend(c);
    g.centre = box.center();
    g.reach_mm = 0;
    for (const Vec3& c : corners) g.reach_mm = std::max(g.reach_mm, (c - g.centre).norm());
    p.groups.push_back(std::move(g));
    return true;
  };
  if (!addGroup("tarsus", {{"C1", "C2", "C3", "Cub", "Nav"}}))
    return fail(Fault::kRequest, "the tarsus is missing from the plan", {}, "Plan the case again.");
  addGroup("hindfoot", {{"Tal", "Cal", "tibia", "fibula"}});
  p.core = p.groups.size();
  for (int ray = 1; ray <= 5; ++ray) {
    std::vector<std::vector<std::string>> parts{{fmt::format("M{}", ray)}};
    for (const Body& body : input.bodies->bones)
      if (body.id.rfind(fmt::format("M{}.", ray), 0) == 0) parts.push_back({body.id});
    addGroup(fmt::format("M{}", ray), parts);
  }
  p.bones = p.groups.size();
  for (const PlannedMetal& m : input.metal) {
    Group g;
    g.id = m.id;
    g.metal = &m;
    g.centre = 0.5 * (m.entry + m.tip);
    g.reach_mm = std::max(2.0, 0.5 * (m.tip - m.entry).norm());
    p.groups.push_back(std::move(g));
  }
  const auto addPassive = [&](const std::string& id, const CtVolume& volume) {
    Group g;
    g.id = id;
    g.parts.push_back(makePart(volume, planned(poseId(id)), p.levels));
    p.passive.push_back(std::move(g));
  };
  if (!input.bodies->soft.voxels.empty()) addPassive(kSoft, input.bodies->soft);
  for (const Body& body : input.bodies->bones)
    if (poseId(body.id) != body.id) addPassive(body.id, body.added);
  p.centre = p.groups.front().centre;

  // --- each film by itself
  std::vector<PlacedFilm> placed;
  for (const FilmExposure& e : input.films) {
    auto film = placeFilm(p, e, settings, progress);
    if (!film) return tl::unexpected(film.error());
    placed.push_back(std::move(*film));
    progress("films", 0.5 * static_cast<double>(placed.size()) / static_cast<double>(input.films.size()));
  }
  for (const PlacedFilm& film : placed) p.films.push_back(film.state);

  // --- all films together: views, rays and hindfoot
  for (Group& g : p.groups)
    if (const auto it = input.thought.find(g.id); it != input.thought.end()) g.planned_to_found = it->second;
  const std::vector<bool> all_views(p.films.size(), true), no_views(p.films.size(), false);
  std::vector<bool> bones(p.groups.size(), false);
  for (std::size_t g = 1; g < p.bones; ++g) bones[g] = true;
  const bool with_metal = settings.devices && !input.metal.empty();
  RefineSettings r;
  r.ray = {settings.ray_shift_mm, settings.ray_turn_rad};
  const Unknowns of_bones = unknowns(p, all_views, bones);
  bool metal_fitted = false;
  const auto passBones = [&](int level, int iterations) {
    r.level = level;
    r.iterations = iterations;
    r.mode = {.metal_known = metal_fitted};
    holdRegion(p, level, r.mode);
    fitBoneGain(p, level, r.mode);
    refine(p, of_bones, r, progress);
  };
  const auto passMetal = [&](int level, int iterations) {
    if (!with_metal) return;
    constexpr double kReachMm = 6;
    Problem q = narrowed(p, p.bones, p.groups.size() - 1, kReachMm, {level}, {.metal_compared = true, .wide = true});
    RefineSettings s = r;
    s.level = level;
    s.iterations = iterations;
    s.mode = {};
    s.ray = r.metal;
    refine(q, unknowns(q, no_views, std::vector<bool>(q.groups.size(), true)), s, progress);
    for (std::size_t n = 0; n < q.groups.size(); ++n)
      p.groups[p.bones + n].planned_to_found = q.groups[n].planned_to_found;
    metal_fitted = true;
  };
  {
    // The rays may stand otherwise than planned: where the tube stood is told by what does not move.
    RefineSettings views = r;
    views.level = kMiddle;
    views.iterations = 10;
    views.mode.core = true;
    fitBoneGain(p, kMiddle, views.mode);
    refine(p, unknowns(p, all_views, std::vector<bool>(p.groups.size(), false)), views, progress);
    fitBoneGain(p, kMiddle, views.mode);
    // Then the rays alone, then everything.
    holdRegion(p, kMiddle, {});
    RefineSettings rays = r;
    rays.level = kMiddle;
    rays.iterations = 8;
    refine(p, unknowns(p, no_views, bones), rays, progress);
  }
  passBones(kMiddle, 8);
  progress("films", 0.65);
  passMetal(kCoarse, 6);
  passMetal(kMiddle, 8);
  if (progress.cancelled()) return cancelledError();
  const Search devices{.first = p.bones,
                       .last = p.groups.size() - 1,
                       .together = p.groups.size(),
                       .from_middle = true,
                       .met = kDeviceMet,
                       .mode = {.metal_compared = true, .metal_known = true, .wide = true}};
  if (with_metal) tryBeside(p, devices, r, progress);
  r.mode = {.metal_known = metal_fitted};
  for (const int level : {kMiddle, kFine}) holdRegion(p, level, r.mode);
  tryBeside(p, {.first = p.core, .last = p.bones - 1, .roll = true, .mode = r.mode}, r, progress);
  passBones(kFine, 12);
  progress("films", 0.85);
  passMetal(kFine, 8);
  // Bones in their right place show devices that are not; and the other way round.
  if (with_metal && tryBeside(p, devices, r, progress)) {
    passBones(kFine, 8);
    passMetal(kFine, 4);
  }
  if (progress.cancelled()) return cancelledError();

  // --- what was found
  FilmRegistration out;
  const Mode bones_known{.metal_known = metal_fitted}, metal_known{.metal_compared = true, .metal_known = true};
  std::vector<Prediction> last, last_with_metal;
  for (const FilmState& f : p.films) {
    last.push_back(predict(p, f, kFine, bones_known));
    if (with_metal) last_with_metal.push_back(predict(p, f, kFine, metal_known));
  }
  for (std::size_t n = 0; n < p.films.size(); ++n) {
    FoundFilm f;
    f.quarters = placed[n].quarters;
    f.margin = placed[n].margin;
    f.view = turnedBack(f.quarters, placed[n].nominal.moved(p.films[n].moved.inverse()));
    f.similarity = similarity(last[n]);
    f.shift_mm = (p.films[n].moved * p.centre - p.centre).norm();
    f.turn_rad = rotationAngle(p.films[n].moved.linear());
    if (const Status inside = withinReach(p.films[n], p.centre, settings, input.films[n].name); !inside)
      return tl::unexpected(inside.error());
    out.similarity += f.similarity / static_cast<double>(p.films.size());
    out.films.push_back(f);
  }
  // All unknowns together: what is uncertain of the views is uncertain of everything told against the tarsus.
  std::vector<bool> everything(p.groups.size(), true);
  everything[0] = false;
  if (!with_metal) std::fill(everything.begin() + static_cast<std::ptrdiff_t>(p.bones), everything.end(), false);
  const Unknowns all = unknowns(p, all_views, everything);
  Normal joint = ofAllFilms(p, kFine, bones_known, all);
  if (with_metal) joint += ofAllFilms(p, kFine, metal_known, all);
  r.level = kFine;
  addPriors(p, all, r, joint);
  const Eigen::MatrixXd covariance =
      kBoneSpread * kBoneSpread * (joint.H + 1e-9 * Eigen::MatrixXd::Identity(all.count, all.count)).inverse();
  const int rim = std::max(1, static_cast<int>(std::lround(kRimMm / settings.fine_pixel_mm)));
  for (std::size_t g = 1; g < p.bones; ++g) {
    FoundBody b;
    b.id = p.groups[g].id;
    b.planned_to_found = p.groups[g].planned_to_found;
    b.centre = p.groups[g].centre;
    b.covariance = covariance.block<6, 6>(all.group[g], all.group[g]);
    const Vec3 length = b.planned_to_found.linear() * p.groups[g].axis;
    b.turn_sd_rad = leastCertain(b.covariance.topLeftCorner<3, 3>() + kTurnOffRad * kTurnOffRad * Mat3::Identity() +
                                 kRollOffRad * kRollOffRad * length * length.transpose())
                        .sd;
    b.rival_mm = p.groups[g].rival_mm;
    b.similarity = 1;
    for (std::size_t f = 0; f < last.size(); ++f) {
      const double met = similarity(last[f], &last[f].groups[g], rim);
      if (met >= b.similarity) continue;
      b.similarity = met;
      b.worst_film = f;
    }
    const double off = kPlaceOffMm + kPoorlyMetMm * std::max(0.0, kWellMet - b.similarity);
    b.covariance.bottomRightCorner<3, 3>() += off * off * Mat3::Identity();
    out.bodies.push_back(std::move(b));
  }
  if (with_metal) {
    for (std::size_t g = p.bones; g < p.groups.size(); ++g) {
      const Group& group = p.groups[g];
      FoundDevice d;
      d.id = group.id;
      d.entry = group.planned_to_found * group.metal->entry;
      d.tip = group.planned_to_found * group.metal->tip;
      const Covariance6 c = covariance.block<6, 6>(all.group[g], all.group[g]);
      const auto spread = [&](const Vec3& point) {
        return leastCertain(pointCovariance(c, group.planned_to_found * group.centre, point)).sd;
      };
      d.entry_sd_mm = std::hypot(spread(d.entry), kEntryOffMm);
      d.tip_sd_mm = std::hypot(spread(d.tip), kTipOffMm);
      const Vec3 axis = (d.tip - d.entry).normalized();
      const Mat3 across = Mat3::Identity() - axis * axis.transpose();
      d.axis_sd_rad = std::hypot(leastCertain(across * c.topLeftCorner<3, 3>() * across).sd, kAxisOffRad);
      d.rival_mm = group.rival_mm;
      d.similarity = 1;
      for (const Prediction& prediction : last_with_metal)
        d.similarity = std::min(d.similarity, similarity(prediction, &prediction.groups[g], rim));
      d.seen = d.similarity > kMatchedSimilarity;
      out.devices.push_back(d);
    }
  }
  progress("films", 1);
  return out;
}

}  // namespace rayset
