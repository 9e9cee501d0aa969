#include "xray/film_model.h"

#include <tbb/parallel_for.h>
#include <tbb/parallel_invoke.h>

#include <algorithm>
#include <cmath>

#include "xray/attenuation.h"

namespace rayset::film_fit {
namespace {

constexpr double kShadow = 0.02;  // line integral from which a body casts a shadow
constexpr double kRegionMm = 6;   // the same, while bodies move: a body must not gain by leaving its own edges behind
constexpr double kMetalRimMm = 1.5, kKnownMetalRimMm = 0.5;
constexpr double kMetalShadow = 0.15;
/// A side of a pixel. Edges of metal are sharp: with few rays the films' residuals change by steps as it moves, and it
/// gets caught between two of them (0.4 mm off with two a side, 0.2 with four).
constexpr int metalRays(int level) { return level == kFine ? 4 : level == kMiddle ? 3 : 1; }
constexpr double kMetalSoughtMm = 5;
constexpr double kToeRimMm = 1;

/// log(1 + exp(z)) from a table.
class SoftPlus {
 public:
  SoftPlus() {
    for (std::size_t n = 0; n < values_.size(); ++n)
      values_[n] = std::log1p(std::exp(static_cast<float>(n) / kPerUnit - kReach));
  }
  float operator()(float z) const {
    const float at = std::clamp((z + kReach) * kPerUnit, 0.0F, static_cast<float>(kSteps) - 0.5F);
    const auto n = static_cast<std::size_t>(at);
    return values_[n] + (z + kReach - static_cast<float>(n) / kPerUnit) * (values_[n + 1] - values_[n]) * kPerUnit;
  }

 private:
  static constexpr float kReach = 12, kPerUnit = 64;
  static constexpr std::size_t kSteps = 2 * 12 * 64;
  std::array<float, kSteps + 1> values_{};
};

const SoftPlus& softPlus() {
  static const SoftPlus table;
  return table;
}

}  // namespace

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

namespace {

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

}  // namespace

PixelBox shadowOf(const Group& g, const Rigid& X, const ProjectionView& view, int level) {
  PixelBox box;
  if (g.metal != nullptr) return shadowOf(g.metal->solid, X, view);
  for (const Part& p : g.parts)
    box = united(box, shadow(p.volumes[static_cast<std::size_t>(level)]->grid(),
                             view.moved((X * p.injured_to_planned).inverse())));
  return box;
}

Film draw(const Group& g, const Rigid& X, const ProjectionView& view, const PixelBox& box, int level) {
  Film out(box.columns, box.rows);
  if (box.empty()) return out;
  const ProjectionView part_view = view.cropped(box.column, box.row, box.columns, box.rows);
  if (g.metal != nullptr) {
    addMetal({&g.metal->solid, 1}, part_view.moved(X.inverse()), static_cast<float>(kSteel316L.perMm()), out.values,
             metalRays(level));
    return out;
  }
  for (const Part& p : g.parts)
    addLineIntegrals(*p.volumes[static_cast<std::size_t>(level)], part_view.moved((X * p.injured_to_planned).inverse()),
                     static_cast<float>(kAttenuationPerUnit), out.values, bestInstructionSet(), Threads::kOne);
  return out;
}

void addInto(Film& whole, const Film& part, const PixelBox& box, double times) {
  const auto factor = static_cast<float>(times);
  for (int r = 0; r < box.rows; ++r) {
    float* to = whole.row(box.row + r) + box.column;
    const float* from = part.row(r);
    for (int c = 0; c < box.columns; ++c) to[c] += factor * from[c];
  }
}

Rigid goneWithRay(const Problem& p, const Group& device) {
  return device.rides < 0 ? Rigid::Identity() : p.groups[static_cast<std::size_t>(device.rides)].planned_to_found;
}

int pixelsOf(double mm, const ProjectionView& view) {
  return std::max(1, static_cast<int>(std::lround(mm / view.pixel_mm)));
}

Vec2 fromMiddle(const ProjectionView& view, int column, int row) {
  return view.pixel_mm * Vec2(column - (view.columns - 1) / 2.0, row - (view.rows - 1) / 2.0);
}

Rigid filmPose(const FilmState& f, const Group& g) { return f.moved * g.planned_to_found; }

Mat3 filmAxes(const ProjectionView& view) {
  Mat3 axes;
  axes << view.right, view.down, view.normal();
  return axes;
}

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
    patch.values = draw(g, X, view, patch.box, level);
  });
  for (const Patch& patch : out.groups) addInto(out.bone, patch.values, patch.box);
  for (std::size_t n = 0; n < out.passive.size(); ++n)
    addInto(p.passive[n].id == kSoft ? out.rest : out.bone, out.passive[n].values, out.passive[n].box);
  return out;
}

namespace {

const Smoothed* smoothedOf(const FilmState& f, int level, const Mode& mode) {
  return mode.metal_compared ? nullptr : f.smoothed[static_cast<std::size_t>(level)].get();
}

const std::vector<float>& comparedValues(const FilmState& f, int level, const Mode& mode) {
  const Smoothed* smoothed = smoothedOf(f, level, mode);
  return smoothed != nullptr ? smoothed->sorted : f.at(level).sorted;
}

}  // namespace

const Film& comparedFilm(const FilmState& f, int level, const Mode& mode) {
  const Smoothed* smoothed = smoothedOf(f, level, mode);
  return smoothed != nullptr ? smoothed->film : f.at(level).film;
}

ThroughScatter::ThroughScatter(const FilmState& f, int level)
    : scatter_(f.log_scatter[static_cast<std::size_t>(level)].get()),
      open_(static_cast<float>(std::log1p(f.scatter) / kFilmBeam)) {}

float ThroughScatter::operator()(std::size_t pixel, float sum) const {
  // Scatter s adds to the transmitted beam: -log(exp(-u) + s) = u - log(1 + exp(u + log s)).
  constexpr auto kBeam = static_cast<float>(kFilmBeam);
  return scatter_ == nullptr ? sum : sum + open_ - softPlus()(kBeam * sum + scatter_->values[pixel]) / kBeam;
}

Prediction predict(const Problem& p, const FilmState& f, int level, const Mode& mode, Drawing drawing) {
  const LevelFilm& lf = f.at(level);
  const ProjectionView& view = lf.view;
  Prediction out;
  out.groups = std::move(drawing.groups);
  const std::vector<Patch>& passive = drawing.passive;
  out.sum = std::move(drawing.rest);
  addInto(out.sum, drawing.bone, {0, 0, view.columns, view.rows}, f.bone_gain);
  if (f.rise != Vec2::Zero())
    for (int r = 0; r < view.rows; ++r) {
      float* row = out.sum.row(r);
      for (int c = 0; c < view.columns; ++c)
        if (row[c] > static_cast<float>(kBody)) row[c] += static_cast<float>(f.rise.dot(fromMiddle(view, c, r)));
    }

  out.seen = Film(view.columns, view.rows);
  const ThroughScatter through(f, level);
  tbb::parallel_for(0, view.rows, [&](int r) {
    for (int c = 0; c < view.columns; ++c) out.seen.at(c, r) = through(out.sum.offset(c, r), out.sum.at(c, r));
  });

  // The film's grey scale: the same share of film and prediction is brighter than a given value.
  out.scale =
      lf.scale
          ? lf.scale
          : std::make_shared<const GreyScale>(matchHistograms(out.seen, comparedValues(f, level, mode), lf.inside));
  Film shown(view.columns, view.rows);
  tbb::parallel_for(0, view.rows, [&](int r) {
    for (int c = 0; c < view.columns; ++c) shown.at(c, r) = (*out.scale)(out.seen.at(c, r));
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
  tbb::parallel_invoke(
      [&] { out.shown = normalised(shown, out.usable, window, lf.share.get()); },
      [&] { out.wanted = lf.wanted ? *lf.wanted : normalised(comparedFilm(f, level, mode), out.usable, window); });
  return out;
}

Prediction predict(const Problem& p, const FilmState& f, int level, const Mode& mode) {
  return predict(p, f, level, mode, drawn(p, f, level));
}

std::vector<Prediction> predictAll(const Problem& p, int level, const Mode& mode) {
  std::vector<Prediction> each(p.films.size());
  tbb::parallel_for(std::size_t{0}, each.size(), [&](std::size_t f) { each[f] = predict(p, p.films[f], level, mode); });
  return each;
}

double similarity(const Prediction& p, const Patch* only, int rim) {
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

std::vector<double> worstMet(const Problem& p, std::size_t first, std::size_t last, const Mode& mode) {
  std::vector<double> met(p.groups.size(), 1.0);
  const std::vector<Prediction> now = predictAll(p, kFine, mode);
  for (std::size_t f = 0; f < now.size(); ++f) {
    const int rim = pixelsOf(kRimMm, p.films[f].at(kFine).view);
    for (std::size_t g = first; g <= last; ++g) met[g] = std::min(met[g], similarity(now[f], &now[f].groups[g], rim));
  }
  return met;
}

void holdRegion(Problem& p, int level, Mode mode) {
  mode.wide = true;
  for (FilmState& f : p.films) {
    auto& region = f.region[static_cast<std::size_t>(level)];
    region = nullptr;
    region = std::make_shared<const Film>(predict(p, f, level, mode).weight);
  }
}

}  // namespace rayset::film_fit
