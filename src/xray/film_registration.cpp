#include "xray/film_registration.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "base/units.h"
#include "xray/film_beside.h"
#include "xray/film_exposure.h"
#include "xray/film_place.h"
#include "xray/metal_along.h"
#include "xray/metal_owners.h"
#include "xray/soft_tissue.h"

namespace rayset {
namespace {

using namespace film_fit;

// The normal matrix takes the model of the film to be right; it is not (blur, texture, grey scale). Intervals are
// widened by what films of the outside program and of bench_films show: by a factor, and by what even well met bodies
// were off by; more the worse a body is met.
constexpr double kBoneSpread = 1.1, kTurnOffRad = 0.005, kRollOffRad = 0.014, kPoorlyMetRad = 0.5;
constexpr double kPlaceOffMm = 0.05, kWellMet = 0.92, kPoorlyMetMm = 2.5;
// Met worse than this (in a cast) it may lie on another shadow, although none of four such rays was more than 0.8 mm
// off.
constexpr double kHardlyMet = 0.72, kHardlyMetMm = 10;
constexpr double kEntryOffMm = 0.19, kTipOffMm = 0.20, kAxisOffRad = 0.0085;
constexpr double kDeviceHardlyMetMm = 15;  // the more the worse a device is met than kDeviceHardlyMet
// A device in its place is met better than this, one millimetre off no more. Before the bones are fitted finely less is
// asked: what is a little off then comes right with them.
constexpr double kDeviceMet = 0.95, kDeviceRoughlyMet = 0.80;
// A ray met better than this is in its place: of 75 on outside films the 34 above it were moved by 0.6 mm at most when
// they were looked for elsewhere; those that were 1.5 to 10 mm off were met with 0.85 and less.
constexpr double kRayRoughlyMet = 0.88;
// Bone that two rays may share more than as planned: a base pushed 2 mm into its neighbour shares less, a metatarsal
// laid on its neighbour's shadow thousands.
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

Result<FilmRegistration> registerFilms(const FilmRegistrationInput& input, const FilmRegistrationSettings& settings,
                                       const Progress& progress) {
  if (input.films.empty()) return fail(Fault::kRequest, "there is no film to register", {}, "Give at least one film.");
  if (input.bodies == nullptr || input.bodies->bones.empty())
    return fail(Fault::kRequest, "there are no bones to register", {}, "Plan the case first.");
  Problem p;
  p.levels = {{{2.4, 2.0, 9}, {1.6, 1.5, 7}, {0.8, 1.0, 4.5}, {settings.fine_pixel_mm, 0.5, 3}}};
  const auto planned = [&](const std::string& id) { return poseOf(input.injured_to_planned, id); };
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
    const auto ray = std::ranges::find(p.groups, m.rides, &Group::id);
    if (ray != p.groups.end()) g.rides = static_cast<int>(ray - p.groups.begin());
    p.groups.push_back(std::move(g));
  }
  const auto addPassive = [&](const std::string& id, const CtVolume& volume) {
    Group g;
    g.id = id;
    g.parts.push_back(makePart(volume, planned(poseId(id)), p.levels));
    p.passive.push_back(std::move(g));
  };
  if (!input.bodies->soft.voxels.empty())
    addPassive(kSoft, SoftTissue(*input.bodies).carried(input.injured_to_planned));
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
  const auto passBones = [&](int level, int iterations, bool in_place = false) {
    r.level = level;
    r.iterations = iterations;
    r.mode = {.metal_known = metal_fitted};
    holdRegion(p, level, r.mode);
    fitExposure(p, level, r.mode, in_place);
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
    fitExposure(p, kMiddle, views.mode);
    refine(p, unknowns(p, all_views, std::vector<bool>(p.groups.size(), false)), views, progress);
    fitExposure(p, kMiddle, views.mode);
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
  Search devices{.first = p.bones,
                 .last = p.groups.size() - 1,
                 .together = p.groups.size(),
                 .from_middle = true,
                 .met = kDeviceRoughlyMet,
                 .mode = {.metal_compared = true, .metal_known = true, .wide = true}};
  // Devices that follow meanwhile slide onto each other's shadows.
  if (with_metal) tryBeside(p, devices, r, progress);
  const auto settleBones = [&] { passBones(kFine, 4); };
  settleBones();
  holdRegion(p, kMiddle, r.mode);
  const Search rays{.first = p.core, .last = p.bones - 1, .roll = true, .met = kRayRoughlyMet, .mode = r.mode};
  tryBeside(p, rays, r, progress, settleBones);
  passBones(kFine, 12);
  // With its neighbours in their places a ray may show where it has been all along.
  tryBeside(p, rays, r, progress, settleBones);
  passBones(kFine, 8, true);
  progress("films", 0.85);
  passMetal(kFine, 8);
  devices.met = kDeviceMet;
  // Bones in their right place show devices that are not; and the other way round.
  if (with_metal) {
    const bool together = tryTogether(p, devices, r, progress);
    if (together) passMetal(kFine, 8);
    if (tryBeside(p, devices, r, progress) || together) {
      passBones(kFine, 8, true);
      passMetal(kFine, 4);
    }
  }
  if (progress.cancelled()) return cancelledError();

  // A screw in its place may be one of another length, or broken.
  std::vector<MetalAlong> along(p.groups.size());
  if (with_metal) {
    const std::vector<double> met = worstMet(p, devices.first, devices.last, devices.mode);
    for (std::size_t g = p.bones; g < p.groups.size(); ++g)
      if (p.groups[g].metal->sized && met[g] > kMatchedSimilarity)
        along[g] = metalAlong(p, g, r, devices.mode, progress);
  }

  // --- what was found
  FilmRegistration out;
  const Mode bones_known{.metal_known = metal_fitted}, metal_known{.metal_compared = true, .metal_known = true};
  std::vector<Prediction> last, last_with_metal;
  for (FilmState as_given : p.films) {  // how well a film is met is told of the film itself
    as_given.smoothed = {};
    last.push_back(predict(p, as_given, kFine, bones_known));
  }
  if (with_metal) last_with_metal = predictAll(p, kFine, metal_known);
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
  Normal joint = ofAllFilms(p, predictAll(p, kFine, bones_known), kFine, bones_known, all);
  if (with_metal) joint += ofAllFilms(p, last_with_metal, kFine, metal_known, all);
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
    b.rival_mm = p.groups[g].rival_mm;
    b.similarity = 1;
    for (std::size_t f = 0; f < last.size(); ++f) {
      const double met = similarity(last[f], &last[f].groups[g], rim);
      if (met >= b.similarity) continue;
      b.similarity = met;
      b.worst_film = f;
    }
    const double poorly = std::max(0.0, kWellMet - b.similarity);
    const Vec3 length = b.planned_to_found.linear() * p.groups[g].axis;
    const double roll = kRollOffRad + kPoorlyMetRad * poorly;
    b.turn_sd_rad = leastCertain(b.covariance.topLeftCorner<3, 3>() + kTurnOffRad * kTurnOffRad * Mat3::Identity() +
                                 roll * roll * length * length.transpose())
                        .sd;
    const double off = kPlaceOffMm + kPoorlyMetMm * poorly + kHardlyMetMm * std::max(0.0, kHardlyMet - b.similarity);
    b.covariance.bottomRightCorner<3, 3>() += off * off * Mat3::Identity();
    out.bodies.push_back(std::move(b));
  }
  for (std::size_t n = 0; n < out.bodies.size(); ++n)
    for (std::size_t m = n + 1; m < out.bodies.size(); ++m) {
      FoundBody &one = out.bodies[n], &other = out.bodies[m];
      const Body *a = input.bodies->find(one.id), *b = input.bodies->find(other.id);
      if (a == nullptr || b == nullptr) continue;
      const Rigid A = planned(one.id), B = planned(other.id);
      const double shared = sharedBone(*a, one.planned_to_found * A, *b, other.planned_to_found * B);
      if (shared <= kSharedMm3 || shared <= kSharedMm3 + sharedBone(*a, A, *b, B)) continue;
      one.inside = other.id;
      other.inside = one.id;
    }
  if (with_metal) {
    for (std::size_t g = p.bones; g < p.groups.size(); ++g) {
      const Group& group = p.groups[g];
      FoundDevice d;
      d.id = group.id;
      d.entry = group.planned_to_found * group.metal->entry;
      d.longer_mm = along[g].longer_mm;
      d.gap_mm = along[g].gap_mm;
      d.gap_at_mm = along[g].gap_at_mm;
      d.tip = group.planned_to_found * Vec3(group.metal->tip + d.longer_mm * group.metal->solid.axis);
      d.similarity = 1;
      for (const Prediction& prediction : last_with_metal)
        d.similarity = std::min(d.similarity, similarity(prediction, &prediction.groups[g], rim));
      d.seen = d.similarity > kMatchedSimilarity && along[g].there;
      const Covariance6 c = covariance.block<6, 6>(all.group[g], all.group[g]);
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
      out.devices.push_back(d);
    }
    settleOwners(p, out.devices);
  }
  progress("films", 1);
  return out;
}

}  // namespace rayset
