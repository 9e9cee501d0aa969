#include "xray/film_registration.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "base/units.h"
#include "xray/film_place.h"
#include "xray/film_problem.h"
#include "xray/film_together.h"
#include "xray/metal_owners.h"

namespace rayset {
namespace {

using namespace film_fit;

// The normal matrix assumes that the model of the film is right; it is not (blur, texture, grey scale). Intervals are
// widened by what films of the outside program and of bench_films show: by a factor, and by the error of even well
// matched bodies; more the worse the match.
constexpr double kBoneSpread = 1.1, kTurnOffRad = 0.005, kRollOffRad = 0.014, kPoorlyMetRad = 0.5;
constexpr double kPlaceOffMm = 0.05, kWellMet = 0.92, kPoorlyMetMm = 2.5;
// With a worse match than this (in a cast) it may lie on another shadow, although none of four such rays was more than
// 0.8 mm off.
constexpr double kHardlyMet = 0.72, kHardlyMetMm = 10;
constexpr double kEntryOffMm = 0.19, kTipOffMm = 0.20, kAxisOffRad = 0.0085;
constexpr double kDeviceHardlyMetMm = 15;  // scaled by how far a device's match is below kDeviceHardlyMet
// Bone that two rays may share more than as planned: a base pushed 2 mm into its neighbour shares less, a metatarsal
// fitted to its neighbour's shadow thousands.
constexpr double kSharedMm3 = 800;

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

namespace {

/// Uncertainty of the poses: of all unknowns together, since uncertain views make everything measured against the
/// tarsus uncertain.
struct Uncertainty {
  Unknowns unknowns;
  Eigen::MatrixXd covariance;
  [[nodiscard]] Covariance6 of(std::size_t group) const {
    const int at = unknowns.group[group];
    return covariance.block<6, 6>(at, at);
  }
};

Uncertainty uncertaintyOf(const Problem& p, const TogetherFit& fit, const std::vector<Prediction>& with_metal) {
  std::vector<bool> everything(p.groups.size(), true);
  everything[0] = false;
  if (!fit.with_metal) std::fill(everything.begin() + static_cast<std::ptrdiff_t>(p.bones), everything.end(), false);
  Uncertainty out;
  out.unknowns = unknowns(p, std::vector<bool>(p.films.size(), true), everything);
  const Unknowns& all = out.unknowns;
  Normal joint = ofAllFilms(p, predictAll(p, kFine, fit.bonesKnown()), kFine, fit.bonesKnown(), all);
  if (fit.with_metal) joint += ofAllFilms(p, with_metal, kFine, TogetherFit::metalKnown(), all);
  RefineSettings settings = fit.settings;
  settings.level = kFine;
  addPriors(p, all, settings, joint);
  out.covariance =
      kBoneSpread * kBoneSpread * (joint.H + 1e-9 * Eigen::MatrixXd::Identity(all.count, all.count)).inverse();
  return out;
}

/// The stated match is with the film itself, not with a blurred one.
std::vector<Prediction> ofFilmsAsGiven(const Problem& p, const Mode& mode) {
  std::vector<Prediction> out;
  for (FilmState as_given : p.films) {
    as_given.smoothed = {};
    out.push_back(predict(p, as_given, kFine, mode));
  }
  return out;
}

FoundFilm foundFilm(const PlacedFilm& placed, const FilmState& film, const Vec3& centre, const Prediction& met) {
  FoundFilm f;
  f.quarters = placed.quarters;
  f.margin = placed.margin;
  f.view = turnedBack(f.quarters, placed.nominal.moved(film.moved.inverse()));
  f.similarity = similarity(met);
  f.shift_mm = (film.moved * centre - centre).norm();
  f.turn_rad = rotationAngle(film.moved.linear());
  return f;
}

/// `met`: by film.
FoundBody foundBody(const Problem& p, std::size_t g, const std::vector<Prediction>& met, int rim,
                    const Uncertainty& uncertainty) {
  const Group& group = p.groups[g];
  FoundBody b;
  b.id = group.id;
  b.planned_to_found = group.planned_to_found;
  b.centre = group.centre;
  b.covariance = uncertainty.of(g);
  b.rival_mm = group.rival_mm;
  b.similarity = 1;
  for (std::size_t f = 0; f < met.size(); ++f) {
    const double here = similarity(met[f], &met[f].groups[g], rim);
    if (here >= b.similarity) continue;
    b.similarity = here;
    b.worst_film = f;
  }
  const double poorly = std::max(0.0, kWellMet - b.similarity);
  const Vec3 length = b.planned_to_found.linear() * group.axis;
  const double roll = kRollOffRad + kPoorlyMetRad * poorly;
  b.turn_sd_rad = leastCertain(b.covariance.topLeftCorner<3, 3>() + kTurnOffRad * kTurnOffRad * Mat3::Identity() +
                               roll * roll * length * length.transpose())
                      .sd;
  const double off = kPlaceOffMm + kPoorlyMetMm * poorly + kHardlyMetMm * std::max(0.0, kHardlyMet - b.similarity);
  b.covariance.bottomRightCorner<3, 3>() += off * off * Mat3::Identity();
  return b;
}

/// Rays that would pass through each other.
void markSharing(const FilmRegistrationInput& input, std::vector<FoundBody>& bodies) {
  for (std::size_t n = 0; n < bodies.size(); ++n)
    for (std::size_t m = n + 1; m < bodies.size(); ++m) {
      FoundBody &one = bodies[n], &other = bodies[m];
      const Body *a = input.bodies->find(one.id), *b = input.bodies->find(other.id);
      if (a == nullptr || b == nullptr) continue;
      const Rigid A = poseOf(input.injured_to_planned, one.id), B = poseOf(input.injured_to_planned, other.id);
      const double shared = sharedBone(*a, one.planned_to_found * A, *b, other.planned_to_found * B);
      if (shared <= kSharedMm3 || shared <= kSharedMm3 + sharedBone(*a, A, *b, B)) continue;
      one.inside = other.id;
      other.inside = one.id;
    }
}

/// `met`: by film.
FoundDevice foundDevice(const Problem& p, std::size_t g, const MetalAlong& along, const std::vector<Prediction>& met,
                        int rim, const Uncertainty& uncertainty) {
  const Group& group = p.groups[g];
  FoundDevice d;
  d.id = group.id;
  d.entry = group.planned_to_found * group.metal->entry;
  d.longer_mm = along.longer_mm;
  d.gap_mm = along.gap_mm;
  d.gap_at_mm = along.gap_at_mm;
  d.tip = group.planned_to_found * Vec3(group.metal->tip + d.longer_mm * group.metal->solid.axis);
  d.similarity = 1;
  for (const Prediction& prediction : met)
    d.similarity = std::min(d.similarity, similarity(prediction, &prediction.groups[g], rim));
  d.seen = d.similarity > kMatchedSimilarity && along.there;
  const Covariance6 c = uncertainty.of(g);
  const auto spread = [&](const Vec3& point) {
    return leastCertain(pointCovariance(c, group.planned_to_found * group.centre, point)).sd;
  };
  const double off = kDeviceHardlyMetMm * std::max(0.0, kDeviceHardlyMet - d.similarity);
  d.entry_sd_mm = std::hypot(spread(d.entry), kEntryOffMm, off);
  d.tip_sd_mm = std::hypot(spread(d.tip), kTipOffMm, off);
  const Vec3 axis = (d.tip - d.entry).normalized();
  const Mat3 across = Mat3::Identity() - axis * axis.transpose();
  d.axis_sd_rad = std::hypot(leastCertain(across * c.topLeftCorner<3, 3>() * across).sd, kAxisOffRad,
                             2 * off / (d.tip - d.entry).norm());
  d.rival_mm = group.rival_mm;
  return d;
}

/// What was found. kImages if the fit of a film diverged.
Result<FilmRegistration> findings(const Problem& p, const std::vector<PlacedFilm>& placed, const TogetherFit& fit,
                                  const FilmRegistrationInput& input, const FilmRegistrationSettings& settings) {
  FilmRegistration out;
  const std::vector<Prediction> met = ofFilmsAsGiven(p, fit.bonesKnown());
  for (std::size_t n = 0; n < p.films.size(); ++n) {
    if (const Status ok = withinReach(p.films[n], p.centre, settings, input.films[n].name); !ok)
      return tl::unexpected(ok.error());
    out.films.push_back(foundFilm(placed[n], p.films[n], p.centre, met[n]));
    out.similarity += out.films.back().similarity / static_cast<double>(p.films.size());
  }
  std::vector<Prediction> met_with_metal;
  if (fit.with_metal) met_with_metal = predictAll(p, kFine, TogetherFit::metalKnown());
  const Uncertainty uncertainty = uncertaintyOf(p, fit, met_with_metal);
  const int rim = std::max(1, static_cast<int>(std::lround(kRimMm / settings.fine_pixel_mm)));
  for (std::size_t g = 1; g < p.bones; ++g) out.bodies.push_back(foundBody(p, g, met, rim, uncertainty));
  markSharing(input, out.bodies);
  if (!fit.with_metal) return out;
  for (std::size_t g = p.bones; g < p.groups.size(); ++g)
    out.devices.push_back(foundDevice(p, g, fit.along[g], met_with_metal, rim, uncertainty));
  settleOwners(p, out.devices);
  return out;
}

}  // namespace

Result<FilmRegistration> registerFilms(const FilmRegistrationInput& input, const FilmRegistrationSettings& settings,
                                       const Progress& progress) {
  if (input.films.empty())
    return fail(Fault::kRequest, "xray.no_film_register", {}, Message("xray.give_least_one_film"));
  if (input.bodies == nullptr || input.bodies->bones.empty())
    return fail(Fault::kRequest, "xray.no_bones_register", {}, Message("xray.plan_case_first"));
  auto problem = problemOf(input, settings);
  if (!problem) return tl::unexpected(problem.error());
  Problem& p = *problem;

  std::vector<PlacedFilm> placed;
  for (const FilmExposure& e : input.films) {
    auto film = placeFilm(p, e, settings, progress);
    if (!film) return tl::unexpected(film.error());
    placed.push_back(std::move(*film));
    progress("films", 0.5 * static_cast<double>(placed.size()) / static_cast<double>(input.films.size()));
  }
  for (const PlacedFilm& film : placed) p.films.push_back(film.state);
  for (Group& g : p.groups)
    if (const auto it = input.thought.find(g.id); it != input.thought.end()) g.planned_to_found = it->second;

  const auto fit = fitTogether(p, settings, progress);
  if (!fit) return tl::unexpected(fit.error());
  auto out = findings(p, placed, *fit, input, settings);
  if (out) progress("films", 1);
  return out;
}

}  // namespace rayset
