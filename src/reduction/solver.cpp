#include "reduction/solver.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/nearest.h"
#include "geometry/ray_caster.h"
#include "geometry/registration.h"
#include "reduction/faces.h"
#include "reduction/shafts.h"

namespace rayset::reduction {
namespace {

// A template whose carried pose is farther than this from the scanned one does not fit this patient: injuries stay
// below 12 mm and 20 degrees (the range of the accuracy matrix), the rest allows for the template's own error.
constexpr double kTrustedShiftMm = 12;
constexpr double kTrustedTurn = 0.42;
constexpr double kNarrowestMm = 0.2;                           // smallest gap aimed for
constexpr double kFarFromHome = 100;                           // strain of a ray that is not held where it was scanned
constexpr double kLeastMm = 0.4, kLeastTurn = toRadians(1.0);  // no stated interval is narrower
constexpr double kHeldMm = 3;         // nothing holds a ray that may move this much (1 standard deviation)
constexpr double kSurestPrior = 0.4;  // of an atlas that fits perfectly: its spread against the spread as given
// The angles between shafts are trusted less than borders: what people have in common there is the shape of a foot, not
// of a joint.
constexpr double kShaftSpread = 2.5;

const std::array<double, 3> kInjuryTurnRad{toRadians(10), toRadians(6), toRadians(5)};
constexpr std::array<double, 3> kInjuryShiftMm{6, 3, 5};

/// Tarsal bones that show where a ray belongs: its partner first.
std::vector<Bone> tarsalNeighbours(Ray ray) {
  switch (ray.number()) {
    case 1:
      return {Bone::kC1, Bone::kC2};
    case 2:
      return {Bone::kC2, Bone::kC1, Bone::kC3};
    case 3:
      return {Bone::kC3, Bone::kC2, Bone::kCub};
    case 4:
      return {Bone::kCub, Bone::kC3};
    default:
      return {Bone::kCub};
  }
}

}  // namespace

Tuning mirrorTuning() {
  Tuning t;
  // Twice what would do for mirror images: healthy pairs are not (docs/decisions/reduction.md; first ray, roll alone:
  // 4.3 degrees on average, Duff 2022, FAI 43:790).
  t.prior_turn_rad = {{toRadians(3.0), toRadians(2.4), toRadians(2.6), toRadians(4.0), toRadians(5.0)}};
  t.prior_shift_mm = {{0.7, 0.5, 0.5, 0.8, 1.0}};
  t.even = 1;
  t.between_rays = 0.3;
  t.aside = 0.3;
  t.area_mm2 = 40;
  t.prior_at_mm = 0.3;
  t.borders = true;
  t.norm_spread = 2.5;
  t.widen_shift = t.own_widen_shift = 0.87;
  t.widen_turn = t.own_widen_turn = 0.93;
  t.injury_turn_rad = kInjuryTurnRad;
  t.injury_shift_mm = kInjuryShiftMm;
  return t;
}

Tuning templateTuning() {
  Tuning t;
  t.scale = true;
  t.bone_by_bone = true;
  t.even = 1;
  t.prior_turn_rad = {{toRadians(8), toRadians(8), toRadians(8), toRadians(10), toRadians(10)}};
  t.prior_shift_mm = {{3, 3, 3, 4, 4}};
  t.keep_gain = {{12.5, 9, 9, 10, 12.5}};
  t.injury_turn_rad = kInjuryTurnRad;
  t.injury_shift_mm = kInjuryShiftMm;
  t.between_rays = 0.6;
  t.aside = 0.6;
  t.area_mm2 = 70;
  t.own_above_mm = 0.45;
  t.prior_at_mm = 0.35;
  t.own_rim_mm = 1.6;
  t.norm_spread = 1.5;
  t.widen_shift = 0.4;
  t.widen_turn = 0.55;
  return t;
}

namespace {

/// Everything about one ray's metatarsal that the docking needs.
struct RayModel {
  Ray ray;
  Bone bone = Bone::kM1;
  Vec3 base = Vec3::Zero();    // as scanned
  Vec3 distal = Vec3::Zero();  // as scanned
  bool shows_shaft = true;     // `distal` is its shaft's
  Rigid atlas_pose = Rigid::Identity();
  bool trusted = true;     // an injury could have displaced the ray from its atlas pose
  bool own_faces = false;  // the atlas fits too badly to show which faces meet
};

/// Transfers the atlas pose of a metatarsal: the patient's bone takes the atlas bone's place relative to the tarsus.
Rigid carriedPose(const Patient& patient, const Atlas& atlas, const RayModel& model, const Tuning& tuning) {
  const AtlasMap& own = atlas.maps.at(model.bone);
  const Surface& bone = patient.bones->at(model.bone);
  const double end = proximalEnd(bone, model.distal);
  Points from, to;
  std::vector<double> weights;
  if (tuning.bone_by_bone) {
    // Only the faces: each point of the base goes where the tarsal bone it faces puts it. How the template's bones are
    // arranged, which differs between people, has no influence.
    std::vector<std::pair<RayCaster, const AtlasMap*>> neighbours;
    for (const Bone n : tarsalNeighbours(model.ray))
      if (atlas.maps.contains(n)) neighbours.emplace_back(RayCaster({&atlas.bones.at(n)}), &atlas.maps.at(n));
    for (const auto& s : sampleEvenly(bone, 4000)) {
      if (s.position.dot(model.distal) - end > kBaseRegionMm) continue;
      const Vec3 x = own.inverse(s.position);
      Vec3 there = Vec3::Zero();
      double total = 0;
      for (const auto& [caster, map] : neighbours) {
        const auto near = caster.nearest(x, 12);
        if (!near) continue;
        const double w = std::exp(-near->distance * near->distance / (4.0 * 4.0));
        there += w * (*map)(x);
        total += w;
      }
      if (total < 0.05) continue;
      from.push_back(s.position);
      to.push_back(there / total);
      weights.push_back(total);
    }
    if (from.size() > 10) return fitRigid(from, to, weights);
    from.clear();
    to.clear();
    weights.clear();
  }
  const NearestPoints metatarsal_points(atlas.bones.at(model.bone).vertices);
  std::vector<FitPoint> tarsal;
  for (const Bone n : kMidTarsus) {
    if (!atlas.bones.contains(n) || !patient.fields.contains(n)) continue;
    const double weight = n == tarsalPartner(model.ray) ? tuning.partner_weight : 1;
    for (const auto& s : sampleEvenly(atlas.bones.at(n), 1200)) {
      const double d = metatarsal_points.nearest(s.position).distance / tuning.local_mm;
      const double w = weight * std::exp(-d * d);
      if (w > 0.02) tarsal.push_back({s.position, w, &patient.fields.at(n)});
    }
  }
  FieldFitSettings settings;
  settings.scale = tuning.scale;
  settings.scale_sd = 0.04;  // a part of the tarsus does not show its scale well
  settings.welsch_mm = {2.0, 1.0};
  AtlasMap start = atlas.whole;
  Vec3 middle = Vec3::Zero();
  double total = 0;
  for (const FitPoint& p : tarsal) {
    middle += p.weight * p.position;
    total += p.weight;
  }
  middle /= total;
  start.image = start(middle);
  start.centre = middle;
  const AtlasMap local = fitToFields(tarsal, start, settings).map;

  // Patient's metatarsal points as scanned -> their places on the atlas bone -> where the tarsus says they belong.
  for (const auto& s : sampleEvenly(bone, 800)) {
    const double along = s.position.dot(model.distal) - end;
    from.push_back(s.position);
    to.push_back(local(own.inverse(s.position)));
    weights.push_back(along < tuning.base_mm ? 1 : tuning.lever);
  }
  return fitRigid(from, to, weights);
}

/// The borders of the foot according to `norms`, for rays whose joints are found from the patient's own surfaces.
/// `contacts`: faces as labelled in `poses`. `usual`: gap of the foot's joints, mm.
std::vector<Border> normalBorders(const Patient& patient, const PerRay<RayModel>& models,
                                  const std::map<Bone, std::size_t>& index, const std::vector<Contact>& contacts,
                                  const std::vector<Rigid>& poses, const JointNorms& norms, double usual,
                                  const Frame& frame, const Tuning& tuning) {
  std::vector<Border> out;
  std::map<Bone, std::vector<OrientedPoint>> skins;
  for (const BorderSite& site : borderSites(frame)) {
    const auto norm = norms.borders_mm.find(site.name);
    if (norm == norms.borders_mm.end() || !index.contains(site.from) || !index.contains(site.onto)) continue;
    const auto own = [&](Bone b) {
      return rayOf(b) && models.contains(*rayOf(b)) && (tuning.borders || models.at(*rayOf(b)).own_faces);
    };
    if (!own(site.from) && !own(site.onto)) continue;
    if (!site.outward.isZero() && std::abs(norm->second.mean) > tuning.border_mm) continue;
    // The directions of the foot, in the frame in which the carrier was scanned.
    const std::size_t body = index.at(site.from), onto = index.at(site.onto);
    const Mat3 R = poses[body].linear().transpose();
    const BorderSite there{site.name, site.from, site.onto, R * site.across, R * site.outward, R * site.half};
    Border border{body, onto, {}, 0, norm->second.mean, tuning.norm_spread * norm->second.spread};
    if (site.outward.isZero()) {
      border.places = closenessPlaces(patient.bones->at(site.from), rayOf(site.from).has_value(), R * frame.distal);
      border.closest = kClosePlaces;
      border.distance_mm += usual;
    } else {
      border.spread_mm *= rayOf(site.from) ? 1 : std::numbers::sqrt2;  // the two halves of a wall are nearly redundant
      const auto face = std::find_if(contacts.begin(), contacts.end(),
                                     [&](const Contact& c) { return c.body == body && c.onto == onto; });
      if (face == contacts.end()) continue;
      Points places;
      std::vector<double> weights;
      for (const DockPoint& p : face->points) {
        places.push_back(p.position);
        weights.push_back(p.weight);
      }
      auto& skin = skins[site.from];
      if (skin.empty()) skin = sampleEvenly(patient.bones->at(site.from), 6000);
      border.places = carriedWall(skin, jointPlane(places, weights, there.across), there);
    }
    if (!border.places.empty()) out.push_back(std::move(border));
  }
  return out;
}

/// How the shafts are aligned with each other in healthy feet, for rays whose joints are found from the patient's own
/// surfaces.
std::vector<ShaftAngle> normalShafts(const PerRay<RayModel>& models, const std::map<Bone, std::size_t>& index,
                                     const JointNorms& norms, const Frame& frame, const Tuning& tuning) {
  std::vector<ShaftAngle> out;
  for (const ShaftSite& site : shaftSites(frame)) {
    const auto norm = norms.shafts_rad.find(site.name);
    const auto a = models.find(site.first), b = models.find(site.second);
    if (norm == norms.shafts_rad.end() || a == models.end() || b == models.end()) continue;
    if (!tuning.borders && !a->second.own_faces && !b->second.own_faces) continue;
    if (!a->second.shows_shaft || !b->second.shows_shaft) continue;
    out.push_back({index.at(a->second.bone), index.at(b->second.bone), a->second.distal, b->second.distal, site.way,
                   norm->second.mean, kShaftSpread * norm->second.spread});
  }
  return out;
}

/// A joint between bones of the foot: a metatarsal against a tarsal neighbour or the next metatarsal.
struct Joint {
  Bone ray = Bone::kM1, other = Bone::kC1;
  [[nodiscard]] Ray itsRay() const { return *rayOf(ray); }
  [[nodiscard]] bool betweenRays() const { return rayOf(other).has_value(); }
  [[nodiscard]] bool toPartner() const { return other == tarsalPartner(itsRay()); }
};

/// Weight of a joint's faces.
double weightOf(const Joint& joint, const Tuning& tuning) {
  // The first and second metatarsals have no true joint: their bases just must not overlap.
  if (joint.betweenRays()) return joint.ray == Bone::kM1 || joint.other == Bone::kM1 ? 0 : tuning.between_rays;
  return joint.toPartner() ? 1 : tuning.aside;
}

/// 95 % interval from the covariance. The factors come from the experiments of docs/decisions/reduction.md: they scale
/// the model's covariance so that about nine in ten true errors of displaced rays fall inside (bench_reduction), shift
/// and rotation separately. `axis`: unit, of the ray in its current pose.
Interval intervalOf(const Mat6& covariance, const Vec3& axis, bool own_faces, const Tuning& tuning) {
  // Radius that holds 95 % of a round three-dimensional Gaussian: 2.80 times its spread along one axis.
  const double shift = 2.80 * std::sqrt(covariance.bottomRightCorner<3, 3>().trace() / 3);
  const double turn = 2.80 * std::sqrt(covariance.topLeftCorner<3, 3>().trace() / 3);
  const double roll = 1.96 * std::sqrt(axis.dot(covariance.topLeftCorner<3, 3>() * axis));
  const double widen_turn = own_faces ? tuning.own_widen_turn : tuning.widen_turn;
  return {std::max(kLeastMm, (own_faces ? tuning.own_widen_shift : tuning.widen_shift) * shift),
          std::max(kLeastTurn, widen_turn * turn), std::max(kLeastTurn, widen_turn * roll)};
}

/// What an injury may have done to a ray. `medial`: from the fifth metatarsal to the first, across this one.
PosePrior injuryPrior(const Vec3& distal, const Vec3& medial, const Tuning& tuning) {
  PosePrior as_scanned;
  Mat3 axes;  // dorsal, medial, distal: axes of abduction, plantarflexion, pronation
  axes << distal.cross(medial), medial, distal;
  Mat3 turns = Mat3::Zero(), shifts = Mat3::Zero();
  for (int i = 0; i < 3; ++i) {
    turns += axes.col(i) * axes.col(i).transpose() / std::pow(tuning.injury_turn_rad[static_cast<std::size_t>(i)], 2);
    const int along = i == 0 ? 1 : i == 1 ? 2 : 0;  // lateral, distal, dorsal
    shifts += axes.col(along) * axes.col(along).transpose() /
              std::pow(tuning.injury_shift_mm[static_cast<std::size_t>(i)], 2);
  }
  as_scanned.information.topLeftCorner<3, 3>() = turns;
  as_scanned.information.bottomRightCorner<3, 3>() = shifts;
  return as_scanned;
}

/// Finds where the rays of one foot belong, step by step; solve() shows the order.
class RaySolver {
 public:
  RaySolver(const Patient& patient, const Atlas& atlas, const Tuning& tuning, const JointNorms& norms,
            const RayOverrides& overrides)
      : patient_(patient), atlas_(atlas), tuning_(tuning), norms_(norms), overrides_(overrides) {}

  Result<PerRay<RaySolution>> solve(const Progress& progress);

 private:
  // Read the patient and the atlas.
  void findTarsus();
  void findRays();
  void carryAtlasPoses(const Progress& progress);
  void addRayBodies();
  void findJoints();
  // Which faces meet, first according to the atlas.
  [[nodiscard]] PosePrior atlasPrior(RayModel& model) const;
  [[nodiscard]] double gapsWiderThanAtlas() const;
  [[nodiscard]] std::vector<DockPoint> facesByDirection(const Joint& joint, Bone body) const;
  void labelFaces(const Progress& progress);
  // Where this puts the rays.
  void place(const Docking& docking, const Progress& progress);
  [[nodiscard]] std::vector<Rigid> startsOf(Ray ray) const;
  // Then according to the patient's own surfaces.
  [[nodiscard]] Docking byOwnFaces(Docking docking, const Progress& progress);
  void loosenPriors();
  [[nodiscard]] double wantedGap(const Joint& joint, double labelled) const;
  [[nodiscard]] Contact ownContact(std::size_t i, int pass, const Frame& frame) const;
  // Which rays were never displaced.
  struct Keeping {
    Ray ray;
    std::vector<Rigid> poses;
  };
  [[nodiscard]] std::vector<std::size_t> freeNeighbours(Ray ray) const;
  [[nodiscard]] std::vector<Rigid> withRayKept(const Docking& docking, Ray ray) const;
  [[nodiscard]] double strainOf(const Docking& docking, Ray ray, const std::vector<Rigid>& kept) const;
  [[nodiscard]] std::optional<Keeping> cheapestToKeep(const Docking& docking, PerRay<RaySolution>& out) const;
  void keepUndisplaced(const Docking& docking, PerRay<RaySolution>& out, const Progress& progress);
  // The result.
  [[nodiscard]] PerRay<RaySolution> asFound() const;
  void addIntervals(const Docking& docking, PerRay<RaySolution>& out) const;

  [[nodiscard]] RayOverride given(Ray ray) const {
    const auto it = overrides_.find(ray);
    return it == overrides_.end() ? RayOverride{} : it->second;
  }
  [[nodiscard]] std::size_t bodyOf(Ray ray) const { return index_.at(metatarsal(ray)); }
  [[nodiscard]] bool isFree(std::size_t body) const {
    return std::find(free_.begin(), free_.end(), body) != free_.end();
  }
  /// Whether `so` holds for any ray of the joint.
  template <class So>
  [[nodiscard]] bool anyRayOf(const Joint& joint, const So& so) const {
    return so(models_.at(joint.itsRay())) || (joint.betweenRays() && so(models_.at(*rayOf(joint.other))));
  }
  /// Contact `i` is that of joint i / 2, seen from its ray (even) or from the other bone (odd).
  [[nodiscard]] std::pair<Bone, Bone> sidesOf(std::size_t i) const {
    const Joint& joint = joints_[i / 2];
    return i % 2 == 0 ? std::pair{joint.ray, joint.other} : std::pair{joint.other, joint.ray};
  }

  const Patient& patient_;
  const Atlas& atlas_;
  const Tuning& tuning_;
  const JointNorms& norms_;
  const RayOverrides& overrides_;

  std::vector<DockBody> bodies_;  // the tarsus first (fixed), then the rays that can be placed
  std::map<Bone, std::size_t> index_;
  PerRay<RayModel> models_;
  std::vector<Joint> joints_;
  std::vector<Contact> contacts_;    // two per joint, as the atlas labels them
  std::optional<double> usual_gap_;  // of joints that the injury spared
  std::vector<bool> active_;         // by body: whether it takes part
  std::vector<std::size_t> free_;    // bodies whose pose is solved for
  std::vector<Rigid> poses_;         // by body
};

Result<PerRay<RaySolution>> RaySolver::solve(const Progress& progress) {
  findTarsus();
  findRays();
  if (models_.empty()) return PerRay<RaySolution>{};
  carryAtlasPoses(progress);
  if (progress.cancelled()) return cancelledError();
  addRayBodies();
  findJoints();
  labelFaces(progress);
  if (progress.cancelled()) return cancelledError();

  Docking docking(bodies_, contacts_, tuning_.dock);
  place(docking, progress);
  if (progress.cancelled()) return cancelledError();
  docking = byOwnFaces(std::move(docking), progress);
  if (progress.cancelled()) return cancelledError();
  PerRay<RaySolution> out = asFound();
  keepUndisplaced(docking, out, progress);
  if (progress.cancelled()) return cancelledError();
  addIntervals(docking, out);
  return out;
}

void RaySolver::findTarsus() {
  for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub}) {
    if (!patient_.fields.contains(b) || !atlas_.maps.contains(b)) continue;
    index_[b] = bodies_.size();
    bodies_.push_back({&patient_.fields.at(b), Vec3::Zero(), {}});
  }
}

void RaySolver::findRays() {
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray), partner = tarsalPartner(ray);
    if (!patient_.fields.contains(m) || !atlas_.maps.contains(m) || !index_.contains(partner)) continue;
    RayModel model;
    model.ray = ray;
    model.bone = m;
    // Which end is the head: as in the atlas, whose metatarsal points away from its tarsal partner.
    const Vec3 away = atlas_.maps.at(m).R * (centroid(atlas_.bones.at(m)) - centroid(atlas_.bones.at(partner)));
    const MetatarsalAxis axis = metatarsalAxis(patient_.bones->at(m), away);
    model.base = given(ray).base_point.value_or(axis.base_point);
    model.distal = given(ray).distal.value_or(axis.distal);
    model.shows_shaft = showsShaft(patient_.bones->at(m), model.distal);
    models_[ray] = model;
  }
}

void RaySolver::carryAtlasPoses(const Progress& progress) {
  std::vector<RayModel*> rays;
  for (auto& [ray, model] : models_) rays.push_back(&model);
  tbb::parallel_for(std::size_t{0}, rays.size(), [&](std::size_t i) {
    if (!progress.cancelled()) rays[i]->atlas_pose = carriedPose(patient_, atlas_, *rays[i], tuning_);
  });
}

/// Also records in the model how far its atlas pose can be trusted.
PosePrior RaySolver::atlasPrior(RayModel& model) const {
  const Vec6 off = poseDifference(Rigid::Identity(), model.atlas_pose, model.base);
  model.trusted = off.head<3>().norm() < kTrustedTurn && off.tail<3>().norm() < kTrustedShiftMm;
  const double misfit = 0.5 * (atlas_.residual_mm.at(model.bone) + atlas_.residual_mm.at(tarsalPartner(model.ray)));
  model.own_faces = misfit > tuning_.own_above_mm;
  const double fit = tuning_.prior_at_mm > 0 ? std::max(kSurestPrior, misfit / tuning_.prior_at_mm) : 1;
  const double widen = (model.trusted ? 1 : 3) * fit;
  const double turn = 1 / std::pow(widen * tuning_.prior_turn_rad[model.ray], 2);
  const double shift = 1 / std::pow(widen * tuning_.prior_shift_mm[model.ray], 2);
  PosePrior prior;
  prior.pose = model.atlas_pose;
  prior.information.diagonal() << turn, turn, turn, shift, shift, shift;
  return prior;
}

void RaySolver::addRayBodies() {
  for (auto& [ray, model] : models_) {
    index_[model.bone] = bodies_.size();
    DockBody body{&patient_.fields.at(model.bone), model.base, {}};
    body.priors.push_back(atlasPrior(model));
    if (tuning_.injury_shift_mm[0] > 0 && models_.size() > 1) {
      Vec3 medial = models_.begin()->second.base - models_.rbegin()->second.base;
      medial = (medial - medial.dot(model.distal) * model.distal).normalized();
      if (medial.allFinite()) body.priors.push_back(injuryPrior(model.distal, medial, tuning_));
    }
    bodies_.push_back(std::move(body));
  }
}

void RaySolver::findJoints() {
  for (const auto& [ray, model] : models_) {
    for (const Bone n : tarsalNeighbours(ray))
      if (index_.contains(n)) joints_.push_back({model.bone, n});
    if (const auto next = ray.lateral(); next && models_.contains(*next))
      joints_.push_back({model.bone, metatarsal(*next)});
  }
  if (patient_.fields.contains(Bone::kNav))
    usual_gap_ = cuneonavicularGap(*patient_.bones, patient_.fields.at(Bone::kNav));
}

/// Another person's gaps differ from the patient's: joints that the injury spared show by how much.
double RaySolver::gapsWiderThanAtlas() const {
  if (!tuning_.scale || !usual_gap_ || !atlas_.bones.contains(Bone::kNav)) return 0;
  const auto there = cuneonavicularGap(atlas_.bones, boneField(atlas_.bones.at(Bone::kNav)));
  return there ? *usual_gap_ - std::exp(atlas_.whole.log_scale.mean()) * *there : 0;
}

/// If the atlas pose cannot be trusted: whatever faces the joint.
std::vector<DockPoint> RaySolver::facesByDirection(const Joint& joint, Bone body) const {
  const RayModel& model = models_.at(joint.itsRay());
  const Vec3& along = models_.at(rayOf(body).value_or(model.ray)).distal;
  const bool from_ray = body == joint.ray;
  // To the partner: along the ray. Between rays: across, from the medial one to the lateral one.
  Vec3 toward = from_ray ? Vec3(-model.distal) : model.distal;
  if (joint.betweenRays()) {
    toward = models_.at(*rayOf(joint.other)).base - model.base;
    toward -= along * along.dot(toward);
    toward = toward.normalized() * (from_ray ? 1 : -1);
  }
  return ownFacePoints(patient_, body, toward, along, tuning_);
}

void RaySolver::labelFaces(const Progress& progress) {
  const double wider = gapsWiderThanAtlas();
  contacts_.resize(2 * joints_.size());
  tbb::parallel_for(std::size_t{0}, contacts_.size(), [&](std::size_t i) {
    if (progress.cancelled()) return;
    const Joint& joint = joints_[i / 2];
    const auto [body, onto] = sidesOf(i);
    const bool doubted = anyRayOf(joint, [](const RayModel& m) { return !m.trusted; });
    Contact& c = contacts_[i];
    c.body = index_.at(body);
    c.onto = index_.at(onto);
    if (doubted && (joint.betweenRays() || joint.toPartner()))
      c.points = facesByDirection(joint, body);
    else
      c.points =
          facePoints(patient_, atlas_, body, onto, rayOf(body) ? &models_.at(*rayOf(body)).distal : nullptr, tuning_);
    for (DockPoint& p : c.points) {
      p.weight *= weightOf(joint, tuning_);
      p.gap = std::max(kNarrowestMm, p.gap + wider);
    }
  });
}

std::vector<Rigid> RaySolver::startsOf(Ray ray) const {
  std::vector<Rigid> starts{models_.at(ray).atlas_pose, Rigid::Identity()};
  // One force displaces several rays: what brought a neighbour back is tried too.
  for (const auto next : {ray.medial(), ray.lateral()})
    if (next && models_.contains(*next) && active_[bodyOf(*next)]) starts.push_back(poses_[bodyOf(*next)]);
  if (const auto start = given(ray).start) starts.push_back(*start);
  if (!tuning_.start_scanned) std::erase_if(starts, [](const Rigid& s) { return s.isApprox(Rigid::Identity()); });
  return starts;
}

/// Second ray first into its recess, then 1, 3, 4, 5, each against what is already in place; then all together.
void RaySolver::place(const Docking& docking, const Progress& progress) {
  poses_.assign(bodies_.size(), Rigid::Identity());
  active_.assign(bodies_.size(), false);
  for (const auto& [bone, i] : index_)
    if (!rayOf(bone)) active_[i] = true;
  for (const auto& [ray, model] : models_) {
    const auto pose = given(ray).pose;
    if (!pose) {
      free_.push_back(bodyOf(ray));
      continue;
    }
    poses_[bodyOf(ray)] = *pose;
    active_[bodyOf(ray)] = true;
  }
  for (const Ray ray : kPlacingOrder) {
    if (!models_.contains(ray) || given(ray).pose) continue;
    if (progress.cancelled()) return;
    const std::size_t i = bodyOf(ray);
    active_[i] = true;
    Docking::State best;
    best.cost = 1e300;
    for (const Rigid& start : startsOf(ray)) {
      std::vector<Rigid> from = poses_;
      from[i] = start;
      Docking::State state = docking.minimise(from, {i}, active_);
      if (state.cost < best.cost) best = std::move(state);
    }
    poses_ = best.poses;
  }
  if (!free_.empty()) poses_ = docking.minimise(poses_, free_, active_).poses;
}

/// If the atlas fits badly, its labels were only a start: the joints of such rays are found again and again from the
/// patient's own surfaces in their current poses. Returns the docking that `poses_` minimise.
Docking RaySolver::byOwnFaces(Docking docking, const Progress& progress) {
  const bool any_own = std::any_of(models_.begin(), models_.end(), [](const auto& m) { return m.second.own_faces; });
  if (!any_own && !tuning_.borders) return docking;
  loosenPriors();
  const Frame frame = coarseFootFrame(*patient_.bones, patient_.side);
  for (int pass = 1; pass <= tuning_.own_passes; ++pass) {
    std::vector<Contact> fresh = contacts_;
    tbb::parallel_for(std::size_t{0}, contacts_.size(), [&](std::size_t i) {
      if (!progress.cancelled()) fresh[i] = ownContact(i, pass, frame);
    });
    if (progress.cancelled()) break;
    std::vector<Border> borders = normalBorders(patient_, models_, index_, fresh, poses_, norms_,
                                                usual_gap_.value_or(kUsualGapMm), frame, tuning_);
    docking = Docking(bodies_, std::move(fresh), tuning_.dock, std::move(borders),
                      normalShafts(models_, index_, norms_, frame, tuning_));
    if (!free_.empty()) poses_ = docking.minimise(poses_, free_, active_).poses;
  }
  return docking;
}

/// For rays that are placed by their own faces.
void RaySolver::loosenPriors() {
  for (const auto& [ray, model] : models_) {
    if (!model.own_faces) continue;
    DockBody& body = bodies_[bodyOf(ray)];
    body.priors[0].information /= tuning_.own_atlas * tuning_.own_atlas;
    if (body.priors.size() > 1) body.priors[1].information /= tuning_.own_injury * tuning_.own_injury;
  }
}

/// As wide as this patient's neighbouring joints, plus how much wider this ray's joint is in people. `labelled`: in the
/// atlas.
double RaySolver::wantedGap(const Joint& joint, double labelled) const {
  if (!usual_gap_) return labelled;
  const Norm* over = find(norms_.gap_mm, joint.itsRay());
  if (over != nullptr && joint.toPartner()) return std::max(0.3, *usual_gap_ + over->mean);
  return 0.5 * (labelled + std::clamp(*usual_gap_, 0.3, 2.6));
}

/// Contact `i` from the patient's own surfaces in their current poses; the atlas's if these do not meet.
Contact RaySolver::ownContact(std::size_t i, int pass, const Frame& frame) const {
  const Contact& labelled = contacts_[i];
  const Joint& joint = joints_[i / 2];
  if (!anyRayOf(joint, [](const RayModel& m) { return m.own_faces; })) return labelled;
  double gap = 0, total = 0;
  for (const DockPoint& p : labelled.points) {
    gap += p.weight * p.gap;
    total += p.weight;
  }
  if (total <= 0) return labelled;
  gap = wantedGap(joint, gap / total);
  const auto [body, onto] = sidesOf(i);
  Contact own = labelled;
  own.points = facingPoints(patient_, body, onto, poses_[own.body], poses_[own.onto],
                            rayOf(body) ? &models_.at(*rayOf(body)).distal : nullptr, tuning_, gap);
  own.plane = gapPlane(own.points, poses_[own.body], frame, joint.ray, joint.other, gap, norms_, tuning_);
  const double base_weight = weightOf(joint, tuning_);
  double facing = 0;
  for (const DockPoint& p : own.points) facing += base_weight * p.weight;
  // A ray that has slid off its joint finds no face there, and with none it would float away.
  if (facing < 0.4 * total) return labelled;
  const double weight = base_weight * std::pow(tuning_.own_weight, static_cast<double>(pass) / tuning_.own_passes);
  for (DockPoint& p : own.points) p.weight *= weight;
  return own;
}

/// The rays as they were found, before it is known where they belong.
PerRay<RaySolution> RaySolver::asFound() const {
  PerRay<RaySolution> out;
  for (const auto& [ray, model] : models_) {
    RaySolution& s = out[ray];
    s.base = model.base;
    s.distal = model.distal;
    s.atlas_pose = model.atlas_pose;
    s.own_faces = model.own_faces;
  }
  return out;
}

std::vector<std::size_t> RaySolver::freeNeighbours(Ray ray) const {
  std::vector<std::size_t> out;
  for (const auto next : {ray.medial(), ray.lateral()})
    if (next && models_.contains(*next) && isFree(bodyOf(*next))) out.push_back(bodyOf(*next));
  return out;
}

/// All poses with this ray as scanned. Its neighbours may follow: they were fitted around a pose that is about to be
/// given up.
std::vector<Rigid> RaySolver::withRayKept(const Docking& docking, Ray ray) const {
  std::vector<Rigid> poses = poses_;
  poses[bodyOf(ray)] = Rigid::Identity();
  const std::vector<std::size_t> followers = freeNeighbours(ray);
  return followers.empty() ? poses : docking.minimise(poses, followers, active_).poses;
}

/// Standing::strain of a ray, `kept`: withRayKept(). Once a joint is so far apart that its faces no longer hold the
/// ray, distance costs little more: no reason to keep it there.
double RaySolver::strainOf(const Docking& docking, Ray ray, const std::vector<Rigid>& kept) const {
  const std::size_t i = bodyOf(ray);
  std::vector<std::size_t> touched = freeNeighbours(ray);
  touched.push_back(i);
  const double gain = docking.cost(kept, touched, active_) - docking.cost(poses_, touched, active_);
  const double limit = (models_.at(ray).own_faces ? tuning_.own_keep : 1) * tuning_.keep_gain[ray];
  if (limit <= 0) return kFarFromHome;
  const Eigen::MatrixXd c = docking.covariance(kept, {i}, active_);
  const bool held = std::sqrt(c.block<3, 3>(3, 3).trace() / 3) < kHeldMm;
  return held ? gain / limit : kFarFromHome;
}

/// Given the rays already kept.
std::optional<RaySolver::Keeping> RaySolver::cheapestToKeep(const Docking& docking, PerRay<RaySolution>& out) const {
  std::optional<Keeping> cheapest;
  double least = kFarFromHome;
  for (const auto& [ray, model] : models_) {
    const std::size_t i = bodyOf(ray);
    if (!isFree(i)) continue;
    std::vector<Rigid> kept = withRayKept(docking, ray);
    const double strain = out.at(ray).strain = strainOf(docking, ray, kept);
    if (strain >= least) continue;
    const Standing standing{
        strain, (poses_[i] * model.base - model.base).norm(),
        intervalOf(docking.covariance(poses_, {i}, active_), model.distal, model.own_faces, tuning_).mm};
    if (!stays(standing)) continue;
    least = strain;
    cheapest = Keeping{ray, std::move(kept)};
  }
  return cheapest;
}

/// Rays that were never displaced belong where they were scanned: each is fixed in turn, and the others settle around
/// it.
void RaySolver::keepUndisplaced(const Docking& docking, PerRay<RaySolution>& out, const Progress& progress) {
  while (!progress.cancelled()) {
    std::optional<Keeping> keeping = cheapestToKeep(docking, out);
    if (!keeping) return;
    const std::size_t i = bodyOf(keeping->ray);
    out.at(keeping->ray).kept = true;
    out.at(keeping->ray).alternative = poses_[i];
    std::erase(free_, i);
    poses_ = free_.empty() ? std::move(keeping->poses) : docking.minimise(keeping->poses, free_, active_).poses;
  }
}

void RaySolver::addIntervals(const Docking& docking, PerRay<RaySolution>& out) const {
  std::vector<std::size_t> all;
  for (const auto& [ray, model] : models_) all.push_back(bodyOf(ray));
  const Eigen::MatrixXd covariance = docking.covariance(poses_, all, active_);
  int at = 0;
  for (auto& [ray, solution] : out) {
    solution.injured_to_reduced = poses_[bodyOf(ray)];
    const Mat6 own = covariance.block<6, 6>(at, at);
    solution.interval =
        intervalOf(own, solution.injured_to_reduced.linear() * solution.distal, solution.own_faces, tuning_);
    at += 6;
  }
}

}  // namespace

Result<PerRay<RaySolution>> solveRays(const Patient& patient, const Atlas& atlas, const Tuning& tuning,
                                      const JointNorms& norms, const Progress& progress,
                                      const RayOverrides& overrides) {
  return RaySolver(patient, atlas, tuning, norms, overrides).solve(progress);
}

}  // namespace rayset::reduction
