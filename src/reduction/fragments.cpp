#include "reduction/fragments.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <optional>

#include "base/units.h"
#include "geometry/distance_field.h"
#include "geometry/nearest.h"
#include "geometry/ray_caster.h"

namespace rayset {
namespace {

constexpr double kFaceReachMm = 6;  ///< a broken face meets its counterpart within this
constexpr double kPointsPerMm2 = 3;
constexpr double kRimFromMm = 0.8;  ///< the rim itself is rounded by the image
constexpr double kRimToMm = 3.5;    ///< cortex farther from the break says nothing about its step
constexpr double kRimPairMm = 5;
constexpr double kFaceSpreadMm = 0.25, kRimSpreadMm = 0.4;
constexpr double kShiftPriorMm = 4, kTurnPrior = 0.3;
constexpr double kLeastFaceMm2 = 25;
constexpr double kMostShiftMm = 12, kMostTurn = 0.6;  ///< a fit that moves farther has failed
/// Measured on the scans of docs/decisions/fragments.md: the image's rounding of the break, which the fit cannot see,
/// makes the errors larger than the spread of its pairs suggests.
constexpr double kLeastUncertaintyMm = 0.9, kLeastUncertainty = 0.06, kWiden = 2.0;
/// A bone in several pieces: each relies on the others, and errors of up to 2.5 mm and 18 degrees were seen.
constexpr double kSeveralMm = 3.0, kSeveral = 0.35;
constexpr double kVoxelMm = 0.4, kCloseMm = 0.6;
constexpr double kLeastPieceMm3 = 10;  ///< anything smaller is an artefact of joining

/// One side of a break: its broken face and the cortex beside it.
struct BreakSide {
  std::vector<OrientedPoint> face, rim;
  [[nodiscard]] double faceMm2() const { return static_cast<double>(face.size()) / kPointsPerMm2; }
};

std::vector<OrientedPoint> evenly(const Surface& s, std::uint32_t seed) {
  return sampleEvenly(s, static_cast<std::size_t>(std::clamp(kPointsPerMm2 * area(s), 200.0, 20000.0)), seed);
}

Points positions(const std::vector<OrientedPoint>& points) {
  Points out;
  for (const auto& p : points) out.push_back(p.position);
  return out;
}

/// `points` of one part, `against` the other in the same frame.
BreakSide breakSide(const std::vector<OrientedPoint>& points, const RayCaster& against) {
  BreakSide out;
  std::vector<OrientedPoint> rest;
  for (const auto& p : points) {
    const auto hit = against.first(p.position - 1.5 * p.normal, p.normal, 0, kFaceReachMm + 1.5);
    if (hit && hit->entering && hit->normal.dot(p.normal) < -0.5)
      out.face.push_back(p);
    else
      rest.push_back(p);
  }
  if (out.face.empty()) return out;
  const NearestPoints tree(positions(out.face));
  for (const auto& p : rest) {
    const double d = tree.nearest(p.position).distance;
    if (d > kRimFromMm && d < kRimToMm) out.rim.push_back(p);
  }
  return out;
}

struct Fit {
  Rigid X = Rigid::Identity();
  // Rotation about the centre, then shift.
  Eigen::Matrix<double, 6, 6> information = Eigen::Matrix<double, 6, 6>::Zero();
  double gap = 0, step = 0;  // mean distances of the pairs
  std::size_t faces = 0, rims = 0;
};

/// Fits `moving` (in its own frame) to `fixed`, from `start`; rotates about `centre` (moving frame).
Fit fitBreak(const BreakSide& moving, const BreakSide& fixed, const Vec3& centre, const Rigid& start) {
  Fit out;
  out.X = start;
  if (moving.face.empty() || fixed.face.empty()) return out;
  const NearestPoints faces(positions(fixed.face));
  std::optional<NearestPoints> rims;
  if (!fixed.rim.empty()) rims.emplace(positions(fixed.rim));
  constexpr int kIterations = 40;
  for (int iteration = 0; iteration < kIterations; ++iteration) {
    const double progress = static_cast<double>(iteration) / (kIterations - 1);
    const double reach = kFaceReachMm * std::pow(1.2 / kFaceReachMm, progress);
    const Vec3 c = out.X * centre;
    Eigen::Matrix<double, 6, 6> A = Eigen::Matrix<double, 6, 6>::Zero();
    Eigen::Matrix<double, 6, 1> b = Eigen::Matrix<double, 6, 1>::Zero();
    double gap = 0, step = 0;
    std::size_t face_pairs = 0, rim_pairs = 0;
    const auto add = [&](const Vec3& q, const Vec3& m, const Vec3& n, double spread, double scale) {
      const double r = n.dot(q - m);
      const double w = std::exp(-(r / scale) * (r / scale)) / (spread * spread * kPointsPerMm2);
      Eigen::Matrix<double, 6, 1> J;
      J << (q - c).cross(n), n;
      A += w * J * J.transpose();
      b -= w * r * J;
      return std::abs(r);
    };
    for (const auto& p : moving.face) {
      const Vec3 q = out.X * p.position, n = out.X.linear() * p.normal;
      const auto match = faces.nearest(q);
      const OrientedPoint& m = fixed.face[match.index];
      if (match.distance > reach || m.normal.dot(n) > -0.5) continue;
      gap += add(q, m.position, (m.normal - n).normalized(), kFaceSpreadMm, std::max(0.6, reach / 2));
      ++face_pairs;
    }
    if (rims)
      for (const auto& p : moving.rim) {
        const Vec3 q = out.X * p.position, n = out.X.linear() * p.normal;
        const auto match = rims->nearest(q);
        const OrientedPoint& m = fixed.rim[match.index];
        if (match.distance > kRimPairMm || m.normal.dot(n) < 0.6) continue;
        step += add(q, m.position, (m.normal + n).normalized(), kRimSpreadMm, std::max(0.8, reach / 2));
        ++rim_pairs;
      }
    out.gap = face_pairs > 0 ? gap / static_cast<double>(face_pairs) : 0;
    out.step = rim_pairs > 0 ? step / static_cast<double>(rim_pairs) : 0;
    out.faces = face_pairs;
    out.rims = rim_pairs;
    for (int k = 0; k < 3; ++k) {
      A(k, k) += 1 / (kTurnPrior * kTurnPrior);
      A(k + 3, k + 3) += 1 / (kShiftPriorMm * kShiftPriorMm);
    }
    out.information = A;
    const Eigen::Matrix<double, 6, 1> x = A.ldlt().solve(b);
    out.X = turnAbout(c, x.head<3>(), x.tail<3>()) * out.X;
    if (progress == 1 || (iteration > 25 && x.norm() < 1e-5)) break;
  }
  return out;
}

/// One surface of all parts, with cracks of up to 1.2 mm closed; parts farther apart stay separate.
Surface joined(const std::vector<const Surface*>& parts) {
  constexpr double kBand = 3;
  std::vector<DistanceField> fields;
  Box box;
  for (const Surface* s : parts) {
    fields.emplace_back(*s, kVoxelMm, kBand);
    box.extend(bounds(*s));
  }
  box = Box(box.min() - Vec3::Constant(2), box.max() + Vec3::Constant(2));
  const DistanceField all(box, kVoxelMm, kBand, [&](const Vec3& p) {
    double d = kBand;
    for (const auto& f : fields) d = std::min(d, f.value(p));
    return d;
  });
  const Surface swollen = isosurface(all, kCloseMm);
  const Surface closed = isosurface(DistanceField(swollen, kVoxelMm, kBand), -kCloseMm);
  const std::vector<Surface> found = pieces(closed);
  std::vector<const Surface*> kept;
  for (const Surface& piece : found)
    if (volume(piece) > kLeastPieceMm3) kept.push_back(&piece);
  return merged(kept);
}

}  // namespace

FragmentsReduced reduceFragments(const Surface& main, const std::map<std::string, Surface>& fragments) {
  FragmentsReduced out;
  out.whole = main;
  if (fragments.empty()) return out;
  const std::vector<OrientedPoint> main_points = evenly(main, 1);
  std::map<std::string, std::vector<OrientedPoint>> points;
  for (const auto& [id, surface] : fragments) {
    points[id] = evenly(surface, 2);
    out.fragments[id] = {};
  }
  std::map<std::string, Fit> fits;
  // The largest first; then all of them again, each with the others in place.
  std::vector<std::string> order;
  for (const auto& [id, surface] : fragments) order.push_back(id);
  std::map<std::string, double> volumes;
  for (const auto& id : order) volumes[id] = volume(fragments.at(id));
  std::stable_sort(order.begin(), order.end(),
                   [&](const std::string& a, const std::string& b) { return volumes[a] > volumes[b]; });
  const int sweeps = order.size() > 1 ? 3 : 2;
  for (int sweep = 0; sweep < sweeps; ++sweep)
    for (const auto& id : order) {
      // What is in place: the main part, and the fragments placed so far.
      std::vector<Surface> placed;
      std::vector<OrientedPoint> standing = main_points;
      for (const auto& other : order) {
        if (other == id || !fits.contains(other)) continue;
        const Rigid& X = fits.at(other).X;
        placed.push_back(transformed(fragments.at(other), X));
        for (const auto& p : points.at(other)) standing.push_back({X * p.position, X.linear() * p.normal});
      }
      std::vector<const Surface*> around{&main};
      for (const auto& s : placed) around.push_back(&s);
      const Rigid start = fits.contains(id) ? fits.at(id).X : Rigid::Identity();
      // Both sides of the break, from the fragment's current position.
      std::vector<OrientedPoint> here;
      for (const auto& p : points.at(id)) here.push_back({start * p.position, start.linear() * p.normal});
      const Surface moved = transformed(fragments.at(id), start);
      const BreakSide mine = breakSide(here, RayCaster(around));
      const Box box = bounds(moved);
      std::vector<OrientedPoint> near;
      for (const auto& p : standing)
        if (box.exteriorDistance(p.position) < kFaceReachMm + kRimToMm) near.push_back(p);
      const BreakSide theirs = breakSide(near, RayCaster({&moved}));
      Fit fit = fitBreak(mine, theirs, centroid(moved), Rigid::Identity());
      FragmentReduction& r = out.fragments.at(id);
      r.face_mm2 = static_cast<double>(fit.faces) / kPointsPerMm2;
      fit.X = fit.X * start;
      fits[id] = fit;
    }
  std::vector<Surface> placed;
  std::vector<const Surface*> together{&main}, lying;
  placed.reserve(order.size());
  const RayCaster bone({&main});
  const auto leave = [&](const std::string& id) {
    const bool beside = std::any_of(points.at(id).begin(), points.at(id).end(), [&](const OrientedPoint& p) {
      const auto hit = bone.nearest(p.position);
      return hit && hit->distance < kFaceReachMm;
    });
    if (beside) lying.push_back(&fragments.at(id));
  };
  for (const auto& id : order) {
    const Fit& fit = fits.at(id);
    FragmentReduction& r = out.fragments.at(id);
    if (r.face_mm2 < kLeastFaceMm2) {
      r.doubt = Message("reduction.only_2_broken_face_meet_bone",
                        {{"face", Quantity{r.face_mm2, Unit::kMm2, 0}}, {"face_reach_mm", mm(kFaceReachMm, 0)}});
      leave(id);
      continue;
    }
    const Vec3 centre = centroid(fragments.at(id));
    const double shift = (fit.X * centre - centre).norm(), turn = rotationAngle(fit.X.linear());
    if (shift > kMostShiftMm || turn > kMostTurn) {
      r.doubt = Message("reduction.broken_face_fits_only_degrees_away",
                        {{"shift", mm(shift, 0)}, {"turn", number(toDegrees(turn), 0)}});
      leave(id);
      continue;
    }
    r.injured_to_bone = fit.X;
    r.gap_mm = fit.gap;
    r.step_mm = fit.step;
    const Eigen::Matrix<double, 6, 6> covariance = fit.information.inverse();
    r.uncertainty_rad = std::max(order.size() > 1 ? kSeveral : kLeastUncertainty,
                                 kWiden * 2.80 * std::sqrt(covariance.topLeftCorner<3, 3>().trace() / 3));
    r.uncertainty_mm = std::max(order.size() > 1 ? kSeveralMm : kLeastUncertaintyMm,
                                kWiden * 2.80 * std::sqrt(covariance.bottomRightCorner<3, 3>().trace() / 3));
    placed.push_back(transformed(fragments.at(id), fit.X));
    for (const Surface* other : together) {
      const DistanceField field(*other, kVoxelMm, 2);
      for (const auto& p : points.at(id)) r.overlap_mm = std::max(r.overlap_mm, -field.value(fit.X * p.position));
    }
    together.push_back(&placed.back());
  }
  together.insert(together.end(), lying.begin(), lying.end());
  if (together.size() > 1) out.whole = joined(together);
  return out;
}

}  // namespace rayset
