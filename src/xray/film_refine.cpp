#include "xray/film_refine.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "base/median.h"

namespace rayset::film_fit {
namespace {

using Matrix6 = Eigen::Matrix<double, 6, 6>;

// Residuals are correlated over about this much of a film (blur, texture, what is not modelled): one such patch counts
// as one observation. Set on simulated films so that the stated intervals hold (docs/accuracy.md).
constexpr double kPatchMm = 2.5;
constexpr double kStepPixels = 0.8;
/// One sigma of the foot's distance from the detector. Coarse pictures, in which skin and bone merge, give it wrongly:
/// there it is held.
constexpr double depthMm(int level) { return level <= 1 ? 1.5 : 10; }

}  // namespace

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

namespace {

/// The six derivative pictures of a group's shadow on a film, made comparable like the film itself: rotations about the
/// film's axes, then shifts along them.
struct Derivatives {
  PixelBox box;
  std::array<Film, 6> pictures;
};

Derivatives derivatives(const FilmState& f, const Group& g, const Patch& base, const Prediction& now, int level) {
  const LevelFilm& lf = f.at(level);
  const ProjectionView& view = lf.view;
  const int window = lf.window();
  const Rigid X = filmPose(f, g);
  const Vec3 centre = X * g.centre;
  // Steps that move the shadow by most of a pixel: a projection's own small errors must not be mistaken for
  // derivatives. Along the beam that takes centimetres.
  const double step_mm = kStepPixels * view.pixel_mm;
  const double away_mm = step_mm * (centre - view.source).dot(view.normal()) / g.reach_mm;
  const PixelBox shade = grownBox(shadowOf(g, X, view, level), 4, view);
  Derivatives out;
  out.box = grownBox(shade, reach(window), view);
  if (shade.empty()) {
    out.box = {};
    return out;
  }
  const Film usable = cropped(now.usable, out.box), share = blurred(usable, window);
  const Film spread = cropped(now.shown.spread, out.box), values = cropped(now.shown.values, out.box);
  const ThroughScatter through(f, level);
  const auto grey = [&](std::size_t pixel, float sum) { return (*now.scale)(through(pixel, sum)); };
  const Mat3 axes = filmAxes(view);
  for (int k = 0; k < 6; ++k) {
    const Vec3 axis = axes.col(k % 3);
    const double amount = k < 3 ? step_mm / g.reach_mm : k < 5 ? step_mm : away_mm;
    Twist xi = Twist::Zero();
    (k < 3 ? xi.head<3>() : xi.tail<3>()) = 0.5 * amount * axis;
    // Central differences: one-sided ones miss residuals on the other side of an edge, and the body stays caught there.
    // Through scatter and the grey scale, which is too curved across an edge for its slope.
    const Film there = draw(g, exponential(xi, centre) * X, view, shade, level);
    const Film back = draw(g, exponential(-xi, centre) * X, view, shade, level);
    const auto gain = static_cast<float>(f.bone_gain), per_step = static_cast<float>(1 / amount);
    Film d(out.box.columns, out.box.rows);
    for (int r = 0; r < shade.rows; ++r)
      for (int c = 0; c < shade.columns; ++c) {
        if (there.at(c, r) == back.at(c, r)) continue;
        const std::size_t pixel = now.sum.offset(shade.column + c, shade.row + r);
        const int x = shade.column + c - base.box.column, y = shade.row + r - base.box.row;
        const bool covered = x >= 0 && y >= 0 && x < base.box.columns && y < base.box.rows;
        const float without = now.sum.values[pixel] - (covered ? gain * base.values.at(x, y) : 0.0F);
        d.at(shade.column - out.box.column + c, shade.row - out.box.row + r) =
            (grey(pixel, without + gain * there.at(c, r)) - grey(pixel, without + gain * back.at(c, r))) * per_step;
      }
    normaliseDerivative(d, usable, share, spread, values, window);
    out.pictures[static_cast<std::size_t>(k)] = std::move(d);
  }
  return out;
}

/// Of the residuals, from their median.
double robustVariance(const Prediction& p) {
  constexpr double kLeastScale = 0.1;
  std::vector<float> sizes;
  for (std::size_t i = 0; i < p.weight.values.size(); ++i)
    if (p.weight.values[i] > 0) sizes.push_back(std::abs(p.wanted.values.values[i] - p.shown.values.values[i]));
  double scale = kLeastScale;
  if (!sizes.empty()) scale = std::max(kLeastScale, 1.4826 * static_cast<double>(median(std::move(sizes))));
  return scale * scale;
}

/// Tukey's weights of residuals of this variance.
Film robustWeights(const Prediction& p, double variance) {
  const Film& w = p.weight;
  const double c = 4.685 * std::sqrt(variance);
  Film out(w.columns, w.rows);
  for (std::size_t i = 0; i < w.values.size(); ++i) {
    if (w.values[i] <= 0) continue;
    const double r = static_cast<double>(p.wanted.values.values[i] - p.shown.values.values[i]) / c;
    if (std::abs(r) < 1) out.values[i] = static_cast<float>((1 - r * r) * (1 - r * r));
  }
  return out;
}

double pixelsCompared(const Prediction& p) {
  return static_cast<double>(std::ranges::count_if(p.weight.values, [](float w) { return w > 0; }));
}

/// One film's energy of the poses, in units of its own information: Tukey's loss, per pixel compared, times as many
/// pixels as there were when the step was made.
double filmEnergy(const Prediction& p, const FilmUnits& units, double pixel_mm) {
  const double c2 = 4.685 * 4.685 * units.variance;
  double sum = 0, count = 0;
  for (std::size_t i = 0; i < p.weight.values.size(); ++i) {
    if (p.weight.values[i] <= 0) continue;
    const auto r = static_cast<double>(p.wanted.values.values[i] - p.shown.values.values[i]);
    const double u = std::max(0.0, 1 - r * r / c2);
    sum += c2 / 6 * (1 - u * u * u);
    count += 1;
  }
  const double patch = std::max(1.0, kPatchMm / pixel_mm);
  return count > 0 ? units.pixels * sum / count / (units.variance * patch * patch) : 1e12;
}

/// J^T W J and J^T W r of one film over the twists of its groups, then carried over to the unknowns.
void addFilm(const Problem& p, std::size_t film, const Prediction& now, int level, const Mode& mode, const Unknowns& u,
             Normal& normal) {
  const FilmState& f = p.films[film];
  const LevelFilm& lf = f.at(level);
  const double variance = robustVariance(now);
  const Film weights = robustWeights(now, variance);
  const bool view_free = u.view[film] >= 0;
  std::vector<std::size_t> moving;
  for (std::size_t g = 0; g < p.groups.size(); ++g) {
    const bool counts = mode.metal_compared ? g >= p.bones : g < (mode.core ? p.core : p.bones);
    if (counts && (view_free || u.group[g] >= 0)) moving.push_back(g);
  }
  std::vector<Derivatives> d(moving.size());
  tbb::parallel_for(std::size_t{0}, moving.size(), [&](std::size_t n) {
    d[n] = derivatives(f, p.groups[moving[n]], now.groups[moving[n]], now, level);
  });
  Film residual(now.weight.columns, now.weight.rows);
  for (std::size_t i = 0; i < residual.values.size(); ++i)
    residual.values[i] = now.wanted.values.values[i] - now.shown.values.values[i];
  normal.units.push_back({variance, pixelsCompared(now)});
  normal.energy += filmEnergy(now, normal.units.back(), lf.view.pixel_mm);

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

}  // namespace

Normal ofAllFilms(const Problem& p, const std::vector<Prediction>& now, int level, const Mode& mode,
                  const Unknowns& u) {
  std::vector<Normal> each(p.films.size(), Normal(u.count));
  tbb::parallel_for(std::size_t{0}, each.size(),
                    [&](std::size_t f) { addFilm(p, f, now[f], level, mode, u, each[f]); });
  Normal all(u.count);
  for (const Normal& one : each) all += one;
  return all;
}

namespace {

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
  if (g.metal != nullptr) {  // a rotation about its own axis is invisible
    const Vec3 axis = g.planned_to_found.linear() * (g.metal->tip - g.metal->entry).normalized();
    normal.H.block<3, 3>(at, at) += 1e8 * axis * axis.transpose();
  }
}

double viewOff(const FilmState& f, const Vec3& centre, int level) {
  return (f.moved * centre - centre).dot(f.at(level).view.normal());
}

const Prior& priorOf(const Problem& p, std::size_t g, const RefineSettings& s) {
  return g >= p.bones ? s.metal : p.groups[g].id == "hindfoot" ? s.hindfoot : s.ray;
}

}  // namespace

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

namespace {

/// The priors' energy of the poses.
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

}  // namespace

std::vector<FilmUnits> unitsOf(const std::vector<Prediction>& now) {
  std::vector<FilmUnits> units;
  units.reserve(now.size());
  for (const Prediction& film : now) units.push_back({robustVariance(film), pixelsCompared(film)});
  return units;
}

double energy(const Problem& p, const std::vector<Prediction>& now, const Unknowns& u, const RefineSettings& s,
              const std::vector<FilmUnits>& units) {
  double sum = priorEnergy(p, u, s);
  for (std::size_t f = 0; f < p.films.size(); ++f)
    sum += filmEnergy(now[f], units[f], p.films[f].at(s.level).view.pixel_mm);
  return sum;
}

std::vector<Prediction> refine(Problem& p, const Unknowns& u, const RefineSettings& s, const Progress& progress) {
  constexpr double kAsExpected = 0.7;  // of what the equations predict: a longer step is worth trying
  std::vector<Prediction> now = predictAll(p, s.level, s.mode);
  for (int n = 0; n < s.iterations; ++n) {
    Normal normal = ofAllFilms(p, now, s.level, s.mode, u);
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
    const auto tried = [&](double scale) {  // kept if it is the best so far
      Problem q = stepped(scale);
      std::vector<Prediction> there = predictAll(q, s.level, s.mode);
      const double e = energy(q, there, u, s, normal.units);
      if (e >= best) return false;
      best = e;
      taken = std::move(q);
      now = std::move(there);
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
  return now;
}

}  // namespace rayset::film_fit
