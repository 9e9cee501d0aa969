#include "outcome/ct_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "anatomy/frames.h"
#include "base/dates.h"
#include "base/units.h"
#include "bones/confidence.h"
#include "geometry/registration.h"
#include "geometry/side.h"
#include "geometry/triangle.h"
#include "xray/film_registration.h"
#include "xray/metal.h"

namespace rayset {
namespace {

constexpr double kNearMetalMm = 2.5;     // surfaces nearer to metal than this are not used for fitting
constexpr double kFilledAroundMm = 1.0;  // around voxels brightened by metal
constexpr std::size_t kPoints = 3000;    // of a bone's surface
// Distances between two segmentations of one bone are correlated over patches of about this size.
constexpr double kPatchMm2 = 12;
// Further error shown by bench_films --ct: of a bone; of a device's ends and axis.
constexpr double kBoneOffMm = 0.05, kBoneOffRad = 0.004, kEndOffMm = 0.15, kAxisOffRad = 0.005;
constexpr double kTarsusFits = 1.0, kBoneFits = 1.0;  // rms, mm, from which it is considered a different bone
constexpr double kDeviceReachMm = 6;                  // how far from the plan a device is searched for
constexpr double kLeastSeen = 0.4;                    // of its length
constexpr double kOtherLength = 1.2;                  // how much better a length other than the planned one has to fit

/// Centres of voxels with metal in them.
Points metalVoxels(const CtVolume& ct) {
  Points out;
  const Grid& g = ct.grid;
  for (int k = 0; k < g.size.z(); ++k)
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i)
        if (static_cast<double>(ct.at(i, j, k)) > kMetalHu) out.push_back(g.toPatient(Vec3(i, j, k)));
  return out;
}

/// The scan with its metal, and the bright rim around it, filled in from the edge: in bone with bone, beside it with
/// the tissue there.
CtVolume withoutMetal(const CtVolume& ct) {
  CtVolume out = ct;
  const Grid& g = ct.grid;
  std::vector<std::uint8_t> hidden(ct.voxels.size(), 0);
  const Eigen::Vector3i by = (kFilledAroundMm * g.spacing.cwiseInverse()).array().ceil().cast<int>();
  for (int k = 0; k < g.size.z(); ++k)
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i) {
        if (static_cast<double>(ct.at(i, j, k)) <= kMetalHu) continue;
        for (int c = std::max(0, k - by.z()); c <= std::min(g.size.z() - 1, k + by.z()); ++c)
          for (int b = std::max(0, j - by.y()); b <= std::min(g.size.y() - 1, j + by.y()); ++b)
            for (int a = std::max(0, i - by.x()); a <= std::min(g.size.x() - 1, i + by.x()); ++a)
              hidden[g.offset(a, b, c)] = 1;
      }
  std::vector<Eigen::Vector3i> left;
  for (int k = 0; k < g.size.z(); ++k)
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i)
        if (hidden[g.offset(i, j, k)] != 0) left.emplace_back(i, j, k);
  while (!left.empty()) {
    std::vector<std::pair<std::size_t, std::int16_t>> layer;
    std::vector<Eigen::Vector3i> later;
    for (const Eigen::Vector3i& q : left) {
      double sum = 0;
      int count = 0;
      for (int c = q.z() - 1; c <= q.z() + 1; ++c)
        for (int b = q.y() - 1; b <= q.y() + 1; ++b)
          for (int a = q.x() - 1; a <= q.x() + 1; ++a)
            if (g.contains(a, b, c) && hidden[g.offset(a, b, c)] == 0) sum += out.at(a, b, c), ++count;
      if (count > 0)
        layer.emplace_back(g.offset(q.x(), q.y(), q.z()), static_cast<std::int16_t>(std::lround(sum / count)));
      else
        later.push_back(q);
    }
    if (layer.empty()) break;  // metal from border to border
    for (const auto& [at, value] : layer) out.voxels[at] = value, hidden[at] = 0;
    left = std::move(later);
  }
  return out;
}

std::vector<OrientedPoint> pointsOf(const Surface& s) {
  const std::vector<Vec3> normals = vertexNormals(s);
  std::vector<OrientedPoint> out;
  for (std::size_t n = 0; n < s.vertices.size(); ++n) out.push_back({s.vertices[n], normals[n]});
  return out;
}

struct Laid {
  Rigid planned_to_scan = Rigid::Identity();
  Covariance6 covariance = Covariance6::Zero();  // of a small twist about `centre`, scan
  Vec3 centre = Vec3::Zero();
  double rms_mm = 0, used = 0;
};

/// The plan's surface fitted to the scan's, from `start`, ignoring parts near metal.
std::optional<Laid> layOn(const std::vector<OrientedPoint>& planned, double area_mm2,
                          const std::vector<OrientedPoint>& scanned, const NearestPoints* metal, const Rigid& start,
                          double reach_mm) {
  std::vector<OrientedPoint> clear;
  for (const OrientedPoint& p : scanned)
    if (metal == nullptr || metal->nearest(p.position).distance > kNearMetalMm) clear.push_back(p);
  if (clear.size() < 100) return std::nullopt;
  const AlignmentTarget target(std::move(clear));
  IcpSettings s;
  s.start_reach_mm = reach_mm;
  s.end_reach_mm = 2;
  const IcpResult rough = alignIcp(planned, target, start, s);
  std::vector<OrientedPoint> own;
  for (const OrientedPoint& p : planned)
    if (metal == nullptr || metal->nearest(rough.moving_to_fixed * p.position).distance > kNearMetalMm)
      own.push_back(p);
  if (own.size() < 100) return std::nullopt;
  s.start_reach_mm = 2;
  s.end_reach_mm = 0.6;
  const IcpResult fine = alignIcp(own, target, rough.moving_to_fixed, s);
  Laid out;
  out.planned_to_scan = fine.moving_to_fixed;
  out.rms_mm = fine.rms_mm;
  out.used = fine.used_fraction;
  for (const OrientedPoint& p : own) out.centre += p.position;
  out.centre = out.planned_to_scan * Vec3(out.centre / static_cast<double>(own.size()));
  // This many points count as one.
  const double together = std::max(1.0, kPatchMm2 * static_cast<double>(planned.size()) / std::max(1.0, area_mm2));
  Covariance6 information = fine.information;
  information.diagonal().array() += 1e-6;
  out.covariance = fine.rms_mm * fine.rms_mm * together * information.inverse();
  return out;
}

/// How thick a device is along its axis, squared.
double radiusSquared(const MetalSolid& solid, double s) {
  for (const ProfilePiece& p : solid.pieces)
    if (s >= p.from && s <= p.to) return std::max(0.0, p.a + p.b * s + p.c * s * s);
  return 0;
}

struct LaidDevice {
  Vec3 entry, tip;
  double longer_mm = 0;
  bool seen = false;
};

/// Devices from the metal in the scan, in the plan's frame.
std::vector<LaidDevice> findDevices(const std::vector<const Device*>& planned, const Catalogue& catalogue,
                                    const Points& metal, double voxel_mm3, double voxel_mm) {
  std::vector<LaidDevice> out;
  std::vector<MetalSolid> solids;
  for (const Device* d : planned) {
    out.push_back({d->entry, d->tip, 0, false});
    solids.push_back(metalSolid(*d, catalogue));
  }
  // Axes: every voxel to the device it lies nearest to, a line through each; again while they come closer.
  const auto outer = [&](std::size_t n) { return planned[n]->diameter_mm / 2; };
  std::vector<std::vector<Vec3>> own(planned.size());
  double reach = kDeviceReachMm;
  for (int round = 0; round < 12; ++round) {
    for (auto& o : own) o.clear();
    for (const Vec3& p : metal) {
      double least = reach;
      std::size_t nearest = planned.size();
      for (std::size_t n = 0; n < planned.size(); ++n) {
        const Vec3 along = (out[n].tip - out[n].entry).normalized();
        const Vec3 head = out[n].entry - traits(planned[n]->kind).stub_mm * along;
        const double d = segmentDistance(p, head - 2 * along, out[n].tip + 2 * along) - outer(n);
        if (d < least) least = d, nearest = n;
      }
      if (nearest < planned.size()) own[nearest].push_back(p);
    }
    for (std::size_t n = 0; n < planned.size(); ++n) {
      if (own[n].size() < 20) continue;
      // A head is as wide as it is long: voxels far from the axis do not show its direction.
      Vec3 centre = Vec3::Zero();
      double weights = 0;
      const Vec3 entry = out[n].entry, axis = (out[n].tip - entry).normalized();
      const double wide = outer(n) + std::max(1.0, 0.5 * reach);
      const auto weight = [&](const Vec3& p) {
        const Vec3 v = p - entry;
        const double u = (v - v.dot(axis) * axis).norm() / wide;
        return u < 1 ? (1 - u * u) * (1 - u * u) : 0.0;
      };
      for (const Vec3& p : own[n]) centre += weight(p) * p, weights += weight(p);
      if (weights <= 0) continue;
      centre /= weights;
      Mat3 spread = Mat3::Zero();
      for (const Vec3& p : own[n]) spread += weight(p) * (p - centre) * (p - centre).transpose();
      const Eigen::SelfAdjointEigenSolver<Mat3> solver(spread);
      Vec3 direction = solver.eigenvectors().col(2);
      if (direction.dot(planned[n]->direction) < 0) direction = -direction;
      // A blob, not a line: as planned in direction.
      if (solver.eigenvalues()[2] < 4 * solver.eigenvalues()[1]) direction = planned[n]->direction;
      const double at = (entry - centre).dot(direction);
      out[n].entry = centre + at * direction;
      out[n].tip = out[n].entry + planned[n]->length_mm * direction;
    }
    reach = std::max(1.2, 0.75 * reach);
  }
  // Along its axis: the area of metal in slices across it against the solid's own. How much thicker metal looks is
  // fitted together with position and length.
  constexpr double kSliceMm = 0.25;
  for (std::size_t n = 0; n < planned.size(); ++n) {
    const Device& d = *planned[n];
    const Vec3 axis = (out[n].tip - out[n].entry).normalized();
    const double stub = traits(d.kind).stub_mm, from = -(stub > 0 ? stub + 4 : 8.0), to = d.length_mm + 8;
    const auto slices = static_cast<std::size_t>(std::ceil((to - from) / kSliceMm));
    std::vector<double> area(slices, 0.0);
    const double half = 0.5 * voxel_mm;
    for (const Vec3& p : own[n]) {
      const Vec3 v = p - out[n].entry;
      const double s = v.dot(axis);
      if ((v - s * axis).norm() > 5) continue;
      // A voxel is about as long along the axis as it is wide.
      const double a = (s - half - from) / kSliceMm, b = (s + half - from) / kSliceMm;
      for (int m = static_cast<int>(std::floor(a)); m <= static_cast<int>(std::floor(b)); ++m) {
        if (m < 0 || m >= static_cast<int>(slices)) continue;
        const double share = std::max(0.0, std::min(b, m + 1.0) - std::max(a, static_cast<double>(m))) / (b - a);
        area[static_cast<std::size_t>(m)] += share * voxel_mm3 / kSliceMm;
      }
    }
    const double shaft = std::numbers::pi * outer(n) * outer(n);
    double covered = 0;
    for (std::size_t m = 0; m < slices; ++m) {
      const double s = from + (static_cast<double>(m) + 0.5) * kSliceMm;
      if (s > 0 && s < d.length_mm && area[m] > 0.3 * shaft) covered += kSliceMm;
    }
    out[n].seen = covered > kLeastSeen * d.length_mm;
    if (!out[n].seen) continue;
    const bool wire = stub > 0;
    const auto misfit = [&](double shift, double longer, double thicker) {
      double sum = 0;
      for (std::size_t m = 0; m < slices; ++m) {
        double s = from + (static_cast<double>(m) + 0.5) * kSliceMm - shift;
        if (wire && s < 0.3 * d.length_mm) continue;  // cut and bent as it happened
        // A longer device has more shaft, the same head and point. Metal that looks thicker also looks longer.
        if (s > 0.5 * d.length_mm) s = std::max(0.5 * d.length_mm, s - longer);
        double widest = 0;
        for (const double off : {-1.0, -0.5, 0.0, 0.5, 1.0}) {
          const double around = thicker * off;
          const double r2 = radiusSquared(solids[n], s + around);
          if (r2 > 0) widest = std::max(widest, std::sqrt(r2) + thicker * std::sqrt(1 - off * off));
        }
        const double e = std::min(std::numbers::pi * widest * widest, 2.5 * shaft) - std::min(area[m], 2.5 * shaft);
        sum += e * e;
      }
      return sum;
    };
    // Stocked lengths; the planned one unless there is evidence for another.
    std::vector<double> lengths = otherLengths(d, catalogue);
    lengths.insert(lengths.begin(), 0.0);
    double least = 1e300, shift = 0, longer = 0, thicker = 0;
    const auto seek = [&](double from_shift, double to_shift, double step) {
      for (double s = from_shift; s <= to_shift + 1e-9; s += step)
        for (const double l : lengths)
          for (double t = 0; t <= 0.81; t += 0.1) {
            const double value = misfit(s, l, t) * (l == 0 ? 1 : kOtherLength);
            if (value < least) least = value, shift = s, longer = l, thicker = t;
          }
    };
    seek(-6, 6, 0.5);
    seek(shift - 0.5, shift + 0.5, 0.05);
    out[n].entry += shift * axis;
    out[n].longer_mm = longer;
    out[n].tip = out[n].entry + (d.length_mm + longer) * axis;
  }
  return out;
}

/// For errors.
std::string seriesOf(const CtScan& scan) {
  return scan.info.series_description.empty() ? "CT" : scan.info.series_description;
}

}  // namespace

Result<Verification> checkCt(const CtCheckInput& input, const Progress& progress) {
  const PlanRecord& plan = *input.plan;
  const CtScan& scan = *input.scan;
  if (!scan.info.patient_id.empty() && !plan.patient_id.empty() && scan.info.patient_id != plan.patient_id)
    return fail(Fault::kRequest,
                Message("outcome.ct_belongs_another_patient_plan",
                        {{"patient_id", scan.info.patient_id}, {"patient_id_2", plan.patient_id}}),
                "Patient ID (0010,0020)", Message("outcome.give_ct_patient_plan"));
  const Points metal = metalVoxels(scan.volume);
  std::optional<CtVolume> filled;
  if (!metal.empty()) filled = withoutMetal(scan.volume);
  const auto bones = input.segmenter->segment(filled ? *filled : scan.volume, {}, progress);
  if (!bones) return tl::unexpected(bones.error());
  const SegmentedFoot* foot = nullptr;
  for (const SegmentedFoot& f : bones->feet)
    if (f.side == plan.side) foot = &f;
  if (foot == nullptr)
    return fail(Fault::kRequest,
                Message("outcome.ct_shows_foot_plan_foot",
                        {{"side", nameOf(opposite(plan.side))}, {"side_2", nameOf(plan.side)}}),
                seriesOf(scan), Message("outcome.give_ct_foot_plan"));
  if (progress.cancelled()) return cancelledError();

  Verification v;
  v.date = scan.info.study_date;
  v.ct = {"outcome.ct_of",
          {{"dated", v.date.empty() ? "no" : "yes"},
           {"date", isoDate(v.date)},
           {"described", scan.info.series_description.empty() ? "no" : "yes"},
           {"description", scan.info.series_description}}};
  v.cautions = scan.cautions;
  std::optional<NearestPoints> near_metal;
  if (!metal.empty()) near_metal.emplace(metal);
  const NearestPoints* avoid = near_metal ? &*near_metal : nullptr;

  // The pose of the foot, from the twelve bones' centres without outliers.
  Points from, to;
  for (const auto& [bone, found] : foot->bones)
    if (plan.reduced.contains(bone) && found.complete) {
      from.push_back(centroid(plan.reduced.at(bone)));
      to.push_back(centroid(found.surface));
    }
  if (from.size() < 4)
    return fail(Fault::kImages, Message("outcome.only_bones_plan_found_whole_ct", {{"from", from.size()}}),
                seriesOf(scan), Message("outcome.give_ct_holds_whole_midfoot"));
  const Rigid start = fitRigid(from, to);
  std::vector<OrientedPoint> planned, scanned;
  double area_mm2 = 0;
  for (const Bone bone : kMidTarsus) {
    const auto found = foot->bones.find(bone);
    if (found == foot->bones.end() || !plan.reduced.contains(bone)) continue;
    const Surface& surface = plan.reduced.at(bone);
    const auto some = sampleEvenly(surface, kPoints);
    planned.insert(planned.end(), some.begin(), some.end());
    const auto all = pointsOf(found->second.surface);
    scanned.insert(scanned.end(), all.begin(), all.end());
    area_mm2 += area(surface);
  }
  const auto tarsus = layOn(planned, area_mm2, scanned, avoid, start, 8);
  if (!tarsus || tarsus->rms_mm > kTarsusFits || tarsus->used < 0.5)
    return fail(Fault::kImages,
                tarsus ? Message("outcome.tarsus_ct_does_not_fit_plans",
                                 {{"rms", mm(tarsus->rms_mm)}, {"used", percent(100 * tarsus->used)}})
                       : Message("outcome.too_little_tarsus_clear_metal"),
                seriesOf(scan), Message("outcome.check_same_patients_foot"));
  const Rigid scan_to_plan = tarsus->planned_to_scan.inverse();

  for (const Ray ray : kRays) {
    const Bone bone = metatarsal(ray);
    const auto found = foot->bones.find(bone);
    std::optional<Laid> laid;
    if (plan.reduced.contains(bone) && found != foot->bones.end()) {
      const Surface& surface = plan.reduced.at(bone);
      Rigid begin = tarsus->planned_to_scan;
      if (found->second.complete)
        begin = Eigen::Translation3d(centroid(found->second.surface) - begin * centroid(surface)) * begin;
      laid = layOn(sampleEvenly(surface, kPoints), area(surface), pointsOf(found->second.surface), avoid, begin, 6);
    }
    if (!laid || laid->rms_mm > kBoneFits || laid->used < 0.4) {
      v.cautions.push_back(
          Message("outcome.metatarsal_could_not_laid_ct", {{"ray", nameOf(ray)},
                                                           {"laid", laid ? "yes" : "no"},
                                                           {"rms", mm(laid ? laid->rms_mm : 0)},
                                                           {"share", percent(laid ? 100 * laid->used : 0)}}));
      continue;
    }
    RayOutcome& r = v.rays[ray];
    r.ray = ray;
    r.rms_mm = laid->rms_mm;
    r.planned_to_found = scan_to_plan * laid->planned_to_scan;
    const Vec3 base = laid->planned_to_scan * basePoint(plan.reduced.at(bone), plan.frame.distal);
    const Mat3 turn = scan_to_plan.linear();
    const Mat3 at_base = pointCovariance(laid->covariance, laid->centre, base) +
                         pointCovariance(tarsus->covariance, tarsus->centre, base);
    const LeastCertain shift = leastCertain(turn * at_base * turn.transpose());
    r.shift_95_mm = kTwoSided95 * std::hypot(shift.sd, kBoneOffMm);
    r.weakest = shift.direction;
    r.turn_95_rad =
        kTwoSided95 *
        std::hypot(leastCertain(laid->covariance.topLeftCorner<3, 3>() + tarsus->covariance.topLeftCorner<3, 3>()).sd,
                   kBoneOffRad);
    r.weakest_words = directionWords(r.weakest, plan.frame);
  }

  std::vector<const Device*> devices;
  for (const Device& d : plan.devices)
    if (input.temporary || d.stage == DeviceStage::kDefinitive) devices.push_back(&d);
  Points in_plan;
  for (const Vec3& p : metal) in_plan.push_back(scan_to_plan * p);
  const Vec3& spacing = scan.volume.grid.spacing;
  const auto found = findDevices(devices, *input.catalogue, in_plan, spacing.prod(), std::cbrt(spacing.prod()));
  for (std::size_t n = 0; n < devices.size(); ++n) {
    DeviceOutcome d;
    d.id = devices[n]->id;
    d.seen = found[n].seen;
    d.entry = found[n].entry;
    d.tip = found[n].tip;
    d.longer_mm = found[n].longer_mm;
    const double voxel = spacing.maxCoeff() / std::sqrt(12.0);
    d.entry_95_mm = d.tip_95_mm = kTwoSided95 * std::hypot(voxel, kEndOffMm);
    d.axis_95_rad = kTwoSided95 * std::hypot(voxel / std::max(10.0, devices[n]->length_mm), kAxisOffRad);
    v.devices.push_back(std::move(d));
  }
  if (progress.cancelled()) return cancelledError();
  if (const Status s = drawConclusions(plan, *input.catalogue, *input.limits, v); !s) return tl::unexpected(s.error());
  return v;
}

}  // namespace rayset
