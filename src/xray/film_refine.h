// Moves poses to where films match best: the equations and the descent (film_model.h).
#pragma once

#include <vector>

#include "base/progress.h"
#include "xray/film_model.h"

namespace rayset::film_fit {

/// The unknowns: which twists are free.
struct Unknowns {
  std::vector<int> view;   // by film: first index, or -1
  std::vector<int> group;  // by group: first index, or -1
  int count = 0;
};
Unknowns unknowns(const Problem& p, const std::vector<bool>& views, const std::vector<bool>& groups);

/// Units of a film's residuals.
struct FilmUnits {
  double variance = 1, pixels = 0;  // variance of the residuals; how many pixels are compared
};

/// The normal equations of a step.
struct Normal {
  explicit Normal(int count) : H(Eigen::MatrixXd::Zero(count, count)), b(Eigen::VectorXd::Zero(count)) {}
  Eigen::MatrixXd H;
  Eigen::VectorXd b;
  std::vector<FilmUnits> units;  // by film
  double energy = 0;             // of the films, at the poses the equations were made for

  Normal& operator+=(const Normal& other) {
    H += other.H;
    b += other.b;
    units.insert(units.end(), other.units.begin(), other.units.end());
    energy += other.energy;
    return *this;
  }
};
/// J^T W J and J^T W r of all films; `now`: predictAll() of the same.
Normal ofAllFilms(const Problem& p, const std::vector<Prediction>& now, int level, const Mode& mode, const Unknowns& u);

/// Prior for a body: one sigma of its shift and turn from the plan.
struct Prior {
  double shift_mm, turn_rad;
};

struct RefineSettings {
  int level = kCoarse, iterations = 10;
  Mode mode;
  Prior ray{3, 0.1}, hindfoot{1.0, 0.02}, metal{3, 0.1};
  double largest_mm = 4, largest_rad = 0.07;
};

/// Adds the priors of the free poses.
void addPriors(const Problem& p, const Unknowns& u, const RefineSettings& s, Normal& normal);
/// Units from the current residuals.
std::vector<FilmUnits> unitsOf(const std::vector<Prediction>& now);
/// Energy of the poses from the films, `now`, and the priors.
double energy(const Problem& p, const std::vector<Prediction>& now, const Unknowns& u, const RefineSettings& s,
              const std::vector<FilmUnits>& units);
/// Gauss-Newton on the free twists, each step extended as long as it lowers the energy: where edges do not overlap yet,
/// the plain step is too short. Returns predictAll() at the final poses.
std::vector<Prediction> refine(Problem& p, const Unknowns& u, const RefineSettings& s, const Progress& progress);

}  // namespace rayset::film_fit
