#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/registration.h"
#include "reduction/faces.h"

namespace rayset::reduction {
namespace {

/// Bones whose fields are needed.
constexpr std::array<Bone, 10> kFieldBones{Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub, Bone::kNav,
                                           Bone::kM1, Bone::kM2, Bone::kM3, Bone::kM4,  Bone::kM5};

Vec3 mean(const Points& points) {
  Vec3 sum = Vec3::Zero();
  for (const Vec3& p : points) sum += p;
  return sum / static_cast<double>(std::max<std::size_t>(points.size(), 1));
}

}  // namespace

DistanceField boneField(const Surface& bone) {
  constexpr double kVoxelMm = 0.8, kBandMm = 6;  // trilinear error h^2 / 8R stays near 0.02 mm on joint faces
  return {bone, kVoxelMm, kBandMm};
}

std::map<Bone, DistanceField> midfootFields(const BoneSurfaces& bones, const Progress& progress) {
  std::vector<Bone> wanted;
  for (const Bone b : kFieldBones)
    if (bones.contains(b) && !bones.at(b).empty()) wanted.push_back(b);
  std::vector<DistanceField> fields(wanted.size());
  tbb::parallel_for(std::size_t{0}, wanted.size(), [&](std::size_t i) {
    if (!progress.cancelled()) fields[i] = boneField(bones.at(wanted[i]));
  });
  std::map<Bone, DistanceField> out;
  for (std::size_t i = 0; i < wanted.size(); ++i) out.emplace(wanted[i], std::move(fields[i]));
  return out;
}

Result<Patient> preparePatient(const BoneSurfaces& bones, Side side, const Progress& progress) {
  Patient patient;
  patient.side = side;
  patient.bones = &bones;
  patient.fields = midfootFields(bones, progress);
  if (progress.cancelled()) return cancelledError();
  return patient;
}

namespace {

/// Centres of the bones that both feet have: the start of the registration.
struct Middles {
  Points from, to;
};
Middles commonMiddles(const BoneSurfaces& atlas, const BoneSurfaces& patient) {
  Middles out;
  for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub, Bone::kNav, Bone::kTal, Bone::kCal}) {
    if (!atlas.contains(b) || !patient.contains(b)) continue;
    out.from.push_back(centroid(atlas.at(b)));
    out.to.push_back(centroid(patient.at(b)));
  }
  return out;
}

AtlasMap startOf(const Middles& middles, bool with_scale) {
  const Vec3 centre = mean(middles.from);
  double scale = 1;
  if (with_scale) {
    const Vec3 there = mean(middles.to);
    double f2 = 0, t2 = 0;
    for (std::size_t i = 0; i < middles.from.size(); ++i) {
      f2 += (middles.from[i] - centre).squaredNorm();
      t2 += (middles.to[i] - there).squaredNorm();
    }
    scale = std::clamp(std::sqrt(t2 / f2), 0.7, 1.4);
  }
  Points scaled = middles.from;
  for (Vec3& p : scaled) p = centre + scale * (p - centre);
  AtlasMap whole = AtlasMap::fromRigid(fitRigid(scaled, middles.to), centre);
  whole.log_scale.setConstant(std::log(scale));
  return whole;
}

/// The tarsus as a whole, bones matched by name.
FieldFit fitTarsus(const Patient& patient, const BoneSurfaces& atlas, const AtlasMap& start, bool with_scale) {
  std::vector<FitPoint> points;
  for (const Bone b : kMidTarsus) {
    if (!atlas.contains(b) || !patient.fields.contains(b)) continue;
    for (const auto& s : sampleEvenly(atlas.at(b), 900)) points.push_back({s.position, 1, &patient.fields.at(b)});
  }
  FieldFitSettings settings;
  settings.scale = with_scale;
  return fitToFields(points, start, settings);
}

/// Fits single bones, after the tarsus as a whole. `whole_at`: the point that a bone without a partner points away
/// from.
class BoneFitter {
 public:
  BoneFitter(const Patient& patient, const Atlas& atlas, const Tuning& tuning, const Vec3& whole_at)
      : patient_(patient), atlas_(atlas), tuning_(tuning), whole_at_(whole_at) {}

  [[nodiscard]] FieldFit fit(Bone b) const { return rayOf(b) ? fitMetatarsal(b) : fitTarsal(b); }
  /// Another person's cuboid is too block-like for its shape alone to show its rotation: that of the lateral cuneiform,
  /// to which it is tightly bound, is its start and prior (the transverse arch differs by tens of degrees).
  [[nodiscard]] FieldFit fitCuboid(const AtlasMap& own, const AtlasMap& third) const {
    FieldFitSettings settings;
    settings.scale = true;
    settings.turn_sd = toRadians(tuning_.cuboid_turn_deg);
    AtlasMap start = own;
    start.R = third.R;
    start.image = principalAxes(patient_.bones->at(Bone::kCub).vertices).centre;
    start.log_scale = Vec3::Constant(atlas_.whole.log_scale.mean());
    return fitToFields(samples(Bone::kCub), start, settings);
  }

 private:
  [[nodiscard]] std::vector<FitPoint> samples(Bone b) const {
    std::vector<FitPoint> out;
    for (const auto& s : sampleEvenly(atlas_.bones.at(b), kSamples))
      out.push_back({s.position, 1, &patient_.fields.at(b)});
    return out;
  }
  /// The whole's map, scaled along the bone's own axes about its own centre.
  [[nodiscard]] AtlasMap centredOn(const PrincipalAxes& axes) const {
    AtlasMap m = atlas_.whole;
    m.image = m(axes.centre);
    m.centre = axes.centre;
    m.B = axes.axes;
    m.log_scale = Vec3::Constant(atlas_.whole.log_scale.mean());
    return m;
  }
  [[nodiscard]] FieldFit fitTarsal(Bone b) const {
    FieldFitSettings settings;
    settings.scale = tuning_.scale;
    if (tuning_.scale) settings.turn_sd = toRadians(b == Bone::kNav ? 8 : 15);
    return fitToFields(samples(b), centredOn(principalAxes(atlas_.bones.at(b).vertices)), settings);
  }
  [[nodiscard]] FieldFit fitMetatarsal(Bone b) const;

  static constexpr std::size_t kSamples = 1500;
  const Patient& patient_;
  const Atlas& atlas_;
  const Tuning& tuning_;
  Vec3 whole_at_;
};

/// A displaced metatarsal is up to about 15 mm and 20 degrees away from where the map of the tarsus puts it: the long
/// axes and centres are aligned, then rotations about the long axis are tried.
FieldFit BoneFitter::fitMetatarsal(Bone b) const {
  const Surface& surface = atlas_.bones.at(b);
  const Bone partner = tarsalPartner(*rayOf(b));
  const Vec3 away =
      centroid(surface) - (atlas_.bones.contains(partner) ? centroid(atlas_.bones.at(partner)) : whole_at_);
  const MetatarsalAxis axis = metatarsalAxis(surface, away);
  const double end = proximalEnd(surface, axis.distal);
  std::vector<FitPoint> own = samples(b);
  // The base decides where a ray belongs; the shaft gives leverage for its direction.
  for (FitPoint& p : own)
    if (p.position.dot(axis.distal) - end >= tuning_.base_mm) p.weight = tuning_.shaft_weight;

  const PrincipalAxes axes = principalAxes(surface.vertices), mine = principalAxes(patient_.bones->at(b).vertices);
  AtlasMap start = centredOn(axes);
  start.twist.axis = axis.distal;
  start.twist.point = axis.base_centre + (end - axis.base_centre.dot(axis.distal)) * axis.distal;
  start.twist.from = 12;
  start.twist.to = 30;
  if (tuning_.scale)
    for (int k = 0; k < 3; ++k) start.log_scale[k] = std::clamp(std::log(mine.spread[k] / axes.spread[k]), -0.4, 0.4);
  const Vec3 there = start.R * axes.axes.col(0);
  Vec3 here = mine.axes.col(0);
  if (here.dot(there) < 0) here = -here;
  const Mat3 align = Eigen::Quaterniond::FromTwoVectors(there, here).toRotationMatrix();
  FieldFit best_fit;
  best_fit.near_fraction = -1;
  double best = 1e30;
  for (const double roll : {0.0, -0.35, 0.35, -0.7, 0.7}) {
    if (std::abs(roll) > 0.5 && !tuning_.scale) continue;
    AtlasMap trial = start;
    trial.R = Eigen::AngleAxisd(roll, here).toRotationMatrix() * align * start.R;
    trial.image = mine.centre;
    FieldFitSettings settings;
    settings.scale = tuning_.scale;
    settings.welsch_mm = {4.0, 2.0};
    settings.twist = false;
    FieldFit f = fitToFields(own, trial, settings);
    settings.welsch_mm = {1.0};
    settings.twist = true;
    f = fitToFields(own, f.map, settings);
    const double badness = f.rms_mm + 3 * (1 - f.near_fraction);
    if (badness < best) best = badness, best_fit = f;
  }
  return best_fit;
}

}  // namespace

Result<Atlas> registerAtlas(const Patient& patient, BoneSurfaces atlas_bones, const Tuning& tuning,
                            const Progress& progress) {
  Atlas atlas;
  atlas.bones = std::move(atlas_bones);
  const Middles middles = commonMiddles(atlas.bones, *patient.bones);
  if (middles.from.size() < 3)
    return fail(Fault::kImages, "reduction.fewer_three_tarsal_bones_present_both", "",
                Message("reduction.plan_scan_covers_midfoot"));
  const FieldFit whole = fitTarsus(patient, atlas.bones, startOf(middles, tuning.scale), tuning.scale);
  atlas.whole = whole.map;
  atlas.tarsus_residual_mm = whole.rms_mm;
  if (progress.cancelled()) return cancelledError();

  std::vector<Bone> todo;
  for (const Bone b : kFieldBones)
    if (atlas.bones.contains(b) && patient.fields.contains(b)) todo.push_back(b);
  std::vector<FieldFit> fits(todo.size());
  const BoneFitter fitter(patient, atlas, tuning, middles.from[0]);
  tbb::parallel_for(std::size_t{0}, todo.size(), [&](std::size_t i) {
    if (!progress.cancelled()) fits[i] = fitter.fit(todo[i]);
  });
  if (progress.cancelled()) return cancelledError();
  std::map<Bone, FieldFit*> fit_of;
  for (std::size_t i = 0; i < todo.size(); ++i) fit_of[todo[i]] = &fits[i];
  if (tuning.scale && fit_of.contains(Bone::kC3) && fit_of.contains(Bone::kCub))
    *fit_of[Bone::kCub] = fitter.fitCuboid(fit_of[Bone::kCub]->map, fit_of[Bone::kC3]->map);
  for (const auto& [b, fit] : fit_of) {
    atlas.maps.emplace(b, fit->map);
    atlas.residual_mm.emplace(b, fit->rms_mm);
  }
  return atlas;
}

}  // namespace rayset::reduction
