#include "bones/articulate.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "base/units.h"

namespace rayset::bones {
namespace {

constexpr std::array<Bone, 7> kTarsus{Bone::kNav, Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub, Bone::kTal, Bone::kCal};

/// The same pose expressed about another bone's centre and axes (uniform scales only).
BonePose carried(const BonePose& group, const TemplateBone& bone) {
  BonePose out;
  out.centre = bone.centre;
  out.axes = bone.axes;
  out.log_scale = group.log_scale;
  out.X.linear() = group.X.linear();
  out.X.translation() = group.apply(bone.centre) - group.X.linear() * bone.centre;
  return out;
}

std::vector<OrientedPoint> groupSamples(const TemplateFoot& foot, const std::vector<Bone>& bones) {
  std::vector<OrientedPoint> out;
  for (const Bone id : bones)
    if (const auto* b = foot.find(id)) out.insert(out.end(), b->few.begin(), b->few.end());
  return out;
}

/// Fraction of the posed samples of `a` that lie more than 1.5 mm inside the posed `b`.
double sunkInto(const TemplateBone& a, const BonePose& pose_a, const TemplateBone& b, const BonePose& pose_b) {
  std::vector<Vec3> at, normal;
  for (const auto& s : b.samples) {
    at.push_back(pose_b.apply(s.position));
    normal.push_back(pose_b.normal(s.normal));
  }
  std::size_t inside = 0;
  for (const auto& s : a.samples) {
    const Vec3 p = pose_a.apply(s.position);
    std::size_t nearest = 0;
    double least = 1e18;
    for (std::size_t n = 0; n < at.size(); ++n) {
      const double d = (at[n] - p).squaredNorm();
      if (d < least) least = d, nearest = n;
    }
    if (normal[nearest].dot(p - at[nearest]) < -1.5) ++inside;
  }
  return static_cast<double>(inside) / static_cast<double>(std::max<std::size_t>(1, a.samples.size()));
}

/// Direction of a ray's long axis, and its base, template frame.
Vec3 alongRay(const TemplateFoot& foot, const TemplateBone& bone) {
  const Vec3 axis = bone.axes.col(0);
  return axis.dot(foot.distal) < 0 ? Vec3(-axis) : axis;
}
Vec3 baseOf(const TemplateFoot& foot, const TemplateBone& bone) {
  return bone.centre - 0.45 * bone.length_mm * alongRay(foot, bone);
}

struct RayCandidate {
  BonePose pose;
  BonePose start;  // where its fit began; pulls it back
  FitResult fit;
  double shift = 0;  // of the base from its expected place
  Vec3 middle;       // of the shaft
  double value = 0;
};

/// All places where the metatarsal could lie, best first.
/// `also`: further poses to start from.
std::vector<RayCandidate> rayCandidates(const TemplateFoot& foot, const TemplateBone& bone, const BonePose& tarsus,
                                        const EdgeField& edges, const ScanImage& scan,
                                        const std::vector<BonePose>& also) {
  const BonePose nominal = carried(tarsus, bone);
  const Vec3 distal = tarsus.X.linear() * foot.distal, medial = tarsus.X.linear() * foot.medial,
             dorsal = tarsus.X.linear() * foot.dorsal;
  const Vec3 along = alongRay(foot, bone), base = baseOf(foot, bone);

  // Shaft samples decide where a tube is; base and head join in the fit.
  std::vector<OrientedPoint> shaft;
  for (const auto& s : bone.few) {
    const double t = along.dot(s.position - bone.centre) / bone.length_mm;
    if (t > -0.4 && t < 0.35) shaft.push_back(s);
  }
  if (shaft.size() > 70) shaft.resize(70);
  const auto posed = [&](double lateral, double dorsally, double distally, double abduction, double flexion) {
    BonePose p = nominal;
    const Vec3 pivot = nominal.apply(base);
    const Vec3 turn = abduction * dorsal + flexion * medial;
    p.X = turnAbout(pivot, turn, -lateral * medial + dorsally * dorsal + distally * distal) * p.X;
    return p;
  };
  std::vector<RayCandidate> starts;
  if (also.empty())
    for (const double lateral : {0.0, 5.0, -5.0, 10.0, -10.0, 15.0, -15.0})
      for (const double dorsally : {0.0, 5.0, -5.0, 10.0})
        for (const double abduction : {0.0, 9.0, -9.0, 18.0, -18.0, 27.0, -27.0})
          for (const double flexion : {0.0, 11.0, -11.0}) {
            RayCandidate c;
            c.pose = posed(lateral, dorsally, 0, toRadians(abduction), toRadians(flexion));
            starts.push_back(c);
          }
  for (const auto& pose : also) {
    RayCandidate c;
    c.pose = pose;
    starts.push_back(c);
  }
  tbb::parallel_for(std::size_t{0}, starts.size(), [&](std::size_t n) {
    starts[n].fit = scorePose(shaft, edges, scan, starts[n].pose);
    starts[n].value = starts[n].fit.rank();
  });
  std::vector<std::size_t> order(starts.size());
  for (std::size_t n = 0; n < order.size(); ++n) order[n] = n;
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return starts[a].value > starts[b].value; });
  const auto middleOf = [&](const BonePose& p) { return p.apply(bone.centre); };
  std::vector<RayCandidate> chosen;
  for (const std::size_t n : order) {
    const Vec3 m = middleOf(starts[n].pose), b = starts[n].pose.apply(base);
    const bool known = std::any_of(chosen.begin(), chosen.end(), [&](const RayCandidate& c) {
      return (middleOf(c.pose) - m).norm() < 4 && (c.pose.apply(base) - b).norm() < 4;
    });
    if (!known) chosen.push_back(starts[n]);
    if (chosen.size() == 40) break;
  }
  if (also.empty()) chosen.push_back(starts.front());  // the expected place always takes part
  // A quick fit of all, then a careful one of the good ones.
  FitSettings s;
  s.iterations = 14;
  s.prior_shift_mm = 8;
  s.prior_turn_rad = 0.3;
  const auto fitAll = [&](const std::vector<OrientedPoint>& samples) {
    tbb::parallel_for(std::size_t{0}, chosen.size(), [&](std::size_t n) {
      auto& c = chosen[n];
      FitSettings own = s;
      const BonePose prior = c.start;
      own.prior = &prior;
      c.fit = fitPose(samples, edges, scan, c.pose, own);
      c.pose = c.fit.pose;
      c.value = c.fit.rank();
    });
    std::stable_sort(chosen.begin(), chosen.end(),
                     [](const RayCandidate& a, const RayCandidate& b) { return a.value > b.value; });
  };
  for (auto& c : chosen) c.start = c.pose;
  s.start_reach_mm = 7;
  s.end_reach_mm = 2.5;
  fitAll(bone.few);
  constexpr std::size_t kCareful = 20;
  if (chosen.size() > kCareful) chosen.resize(kCareful);
  s.start_reach_mm = 3.5;
  s.end_reach_mm = 1.8;
  s.scaling = Scaling::kAxes;
  s.prior_log_scale = 0.08;
  fitAll(bone.samples);
  for (auto& c : chosen) {
    c.shift = (c.pose.apply(base) - nominal.apply(base)).norm();
    c.middle = middleOf(c.pose);
  }
  std::vector<RayCandidate> out;
  for (const auto& c : chosen) {
    if (c.value < 0.2) break;
    const bool known = std::any_of(out.begin(), out.end(), [&](const RayCandidate& o) {
      return (o.middle - c.middle).norm() < 4 && (o.pose.apply(base) - c.pose.apply(base)).norm() < 4;
    });
    if (!known) out.push_back(c);
    if (out.size() == 7) break;
  }
  return out;
}

/// The candidate's fit with the length that suits best. An ordinary fit cannot reach a head 7 mm beyond the template's,
/// so several lengths are tried with the base held.
FitResult withLength(const TemplateFoot& foot, const TemplateBone& bone, const RayCandidate& candidate,
                     const EdgeField& edges, const ScanImage& scan) {
  const Vec3 base = baseOf(foot, bone);
  std::vector<FitResult> tries(7);  // 12 % shorter to 24 % longer
  tbb::parallel_for(std::size_t{0}, tries.size(), [&](std::size_t t) {
    BonePose start = candidate.pose;
    start.log_scale[0] += 0.06 * (static_cast<double>(t) - 2);
    start.X.translation() += candidate.pose.apply(base) - start.apply(base);
    const BonePose prior = start;
    FitSettings s;
    s.iterations = 14;
    s.start_reach_mm = 3.5;
    s.end_reach_mm = 1.8;
    s.scaling = Scaling::kAxes;
    s.prior = &prior;
    s.prior_shift_mm = 5;
    s.prior_turn_rad = 0.2;
    s.prior_log_scale = 0.08;
    tries[t] = fitPose(bone.samples, edges, scan, start, s);
  });
  const FitResult* best = &candidate.fit;
  for (const auto& fit : tries)
    if (fit.rank() > best->rank() + 0.005) best = &fit;
  return *best;
}

/// A combination of candidates, one per ray (-1: none).
struct RayChoice {
  std::array<int, 5> pick{-1, -1, -1, -1, -1};
  double value = 0;  ///< of its candidates, each by itself
};

/// The combination that is best when every edge counts once. A candidate may lie between two tubes and fit the inner
/// walls of both; alone it fits as well as one on an oddly shaped tube, but it leaves half of a tube unexplained.
/// `tarsus`: its edges are not for the rays.
std::array<int, 5> mostExplained(const TemplateFoot& foot, const std::array<int, 5>& ray_index,
                                 const std::array<std::vector<RayCandidate>, 5>& candidates, const EdgeField& edges,
                                 const Articulation& tarsus, std::vector<RayChoice> choices) {
  constexpr std::size_t kJudged = 60, kProbes = 6000;
  if (choices.empty()) return RayChoice{}.pick;
  std::stable_sort(choices.begin(), choices.end(),
                   [](const RayChoice& a, const RayChoice& b) { return a.value > b.value; });
  if (choices.size() > kJudged) choices.resize(kJudged);
  std::vector<std::size_t> probes;
  const std::size_t stride = std::max<std::size_t>(1, edges.points().size() / kProbes);
  for (std::size_t n = stride / 2; n < edges.points().size(); n += stride)
    if (tarsus.owner[n] < 0) probes.push_back(n);
  // How well each candidate explains each probe, 0 to 1.
  std::array<std::vector<std::vector<float>>, 5> explains;
  for (std::size_t r = 0; r < 5; ++r) {
    explains[r].resize(candidates[r].size());
    tbb::parallel_for(std::size_t{0}, candidates[r].size(), [&](std::size_t c) {
      const BonePose& pose = candidates[r][c].pose;
      std::vector<EdgePoint> surface;
      for (const auto& s : foot.bones[static_cast<std::size_t>(ray_index[r])].samples)
        surface.push_back({pose.apply(s.position), pose.normal(s.normal), 1.0F, false});
      const EdgeField posed(std::move(surface));
      auto& out = explains[r][c];
      out.assign(probes.size(), 0.0F);
      for (std::size_t n = 0; n < probes.size(); ++n) {
        const EdgePoint& e = edges.points()[probes[n]];
        EdgeField::Match m{};
        if (posed.nearest(e.position, e.normal, 1, &m, EdgeField::cost(3.5, 0.4)) == 0) continue;
        const EdgePoint& s = posed.points()[m.index];
        const double across = s.normal.dot(s.position - e.position), cosine = s.normal.dot(e.normal);
        if (cosine > 0.4) out[n] = static_cast<float>(std::max(0.0, 1 - across * across / 9.0) * cosine);
      }
    });
  }
  std::vector<float> any(probes.size(), 0.0F), covered(probes.size());
  for (const auto& ray : explains)
    for (const auto& one : ray)
      for (std::size_t n = 0; n < probes.size(); ++n) any[n] = std::max(any[n], one[n]);
  double all = 0;
  for (const float f : any) all += static_cast<double>(f);
  const RayChoice* best = &choices.front();
  double most = -1e9;
  for (const RayChoice& choice : choices) {
    std::fill(covered.begin(), covered.end(), 0.0F);
    for (std::size_t r = 0; r < 5; ++r) {
      if (choice.pick[r] < 0) continue;
      const auto& one = explains[r][static_cast<std::size_t>(choice.pick[r])];
      for (std::size_t n = 0; n < probes.size(); ++n) covered[n] = std::max(covered[n], one[n]);
    }
    double sum = 0;
    for (const float f : covered) sum += static_cast<double>(f);
    // Five bones' worth of edges against five bones' worth of samples.
    const double value = choice.value + 5 * sum / std::max(1.0, all);
    if (value > most) most = value, best = &choice;
  }
  return best->pick;
}

}  // namespace

std::vector<std::int16_t> ownersOf(const TemplateFoot& foot, const std::vector<BoneFit>& fits, const EdgeField& edges,
                                   double reach_mm) {
  std::vector<EdgePoint> surface;
  std::vector<std::int16_t> bone;
  for (std::size_t b = 0; b < fits.size(); ++b) {
    if (!fits[b].found) continue;
    for (const auto& s : foot.bones[b].samples) {
      surface.push_back({fits[b].pose.apply(s.position), fits[b].pose.normal(s.normal), 1.0F, false});
      bone.push_back(static_cast<std::int16_t>(b));
    }
  }
  return nearestOwners(edges, std::move(surface), bone, reach_mm, 0.3);
}

namespace {

/// Fits the bones of one foot to the scan, step by step; articulated() shows the order.
class Articulator {
 public:
  Articulator(const TemplateFoot& foot, const EdgeField& edges, const ScanImage& scan)
      : foot_(foot), edges_(edges), scan_(scan) {
    out_.bones.resize(foot.bones.size());
    for (std::size_t n = 0; n < foot.bones.size(); ++n) out_.bones[n].id = foot.bones[n].id;
    for (const Ray ray : kRays) ray_index_[ray.index()] = foot.index(metatarsal(ray));
  }

  Articulation articulated(const Placement& placement);

 private:
  void layTarsus(const Placement& placement);
  void layTarsalBones();
  void findRays();
  void tryFollowers();
  void layRays(const std::array<int, 5>& picks);
  void layLegBone(Bone id);
  void settleTogether();
  void laySesamoids();
  void dropPoorOnes();

  struct Reach {
    double start_mm, end_mm;
  };
  struct Hold {
    double shift_mm, turn_rad;
  };
  template <class Wanted>
  void fitBones(const Wanted& wanted, const Reach& reach, const Hold& hold, bool owned);
  [[nodiscard]] std::vector<BonePose> withOthers(std::size_t r) const;
  [[nodiscard]] std::vector<RayChoice> ordered() const;

  void own(double reach_mm) { out_.owner = ownersOf(foot_, out_.bones, edges_, reach_mm); }
  [[nodiscard]] bool isTarsal(std::size_t n) const {
    return std::find(kTarsus.begin(), kTarsus.end(), foot_.bones[n].id) != kTarsus.end();
  }
  [[nodiscard]] const TemplateBone& rayBone(std::size_t r) const {
    return foot_.bones[static_cast<std::size_t>(ray_index_[r])];
  }

  const TemplateFoot& foot_;
  const EdgeField& edges_;
  const ScanImage& scan_;
  std::array<int, 5> ray_index_{};                         // of the metatarsals among the template's bones, -1 none
  std::array<std::vector<RayCandidate>, 5> candidates_{};  // places of each ray, best first
  BonePose whole_tarsus_;                                  // with the hindfoot; out_.tarsus is the midfoot's
  std::vector<BonePose> expected_;                         // of each bone, which holds its fit
  Articulation out_;
};

Articulation Articulator::articulated(const Placement& placement) {
  layTarsus(placement);
  layTarsalBones();
  // Everywhere an injury could have taken the rays, then the combination that fits best as a whole.
  findRays();
  tryFollowers();
  layRays(mostExplained(foot_, ray_index_, candidates_, edges_, out_, ordered()));
  // Only edges that no bone of the foot explains speak for a leg bone: in a scan without a leg its template would
  // settle inside the talus.
  own(2.5);
  for (const Bone id : {Bone::kTibia, Bone::kFibula}) layLegBone(id);
  settleTogether();
  own(2.0);
  laySesamoids();
  dropPoorOnes();
  own(3.5);
  return std::move(out_);
}

/// As one body, then hindfoot and midfoot each.
void Articulator::layTarsus(const Placement& placement) {
  FitSettings s;
  s.iterations = 30;
  s.start_reach_mm = 10;
  s.end_reach_mm = 3;
  s.scaling = Scaling::kUniform;
  s.keep = 0.9;
  s.prior = &placement.pose;
  s.prior_shift_mm = 15;
  s.prior_turn_rad = 0.4;
  s.prior_log_scale = 0.1;
  whole_tarsus_ = fitPose(groupSamples(foot_, {kTarsus.begin(), kTarsus.end()}), edges_, scan_, placement.pose, s).pose;
  s.start_reach_mm = 6;
  s.end_reach_mm = 2.5;
  s.prior = &whole_tarsus_;
  s.prior_shift_mm = 6;
  s.prior_turn_rad = 0.25;
  s.prior_log_scale = 0.06;
  out_.tarsus = fitPose(groupSamples(foot_, {Bone::kNav, Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub}), edges_, scan_,
                        whole_tarsus_, s)
                    .pose;
  for (const TemplateBone& bone : foot_.bones) {
    const bool hind = bone.id == Bone::kTal || bone.id == Bone::kCal;
    expected_.push_back(carried(hind ? whole_tarsus_ : out_.tarsus, bone));
    out_.bones[expected_.size() - 1].pose = expected_.back();
  }
}

/// Fits the bones that are wanted(n) in parallel, each from its current pose and held to the expected one. `owned`:
/// only to edges that are not nearer to another bone.
template <class Wanted>
void Articulator::fitBones(const Wanted& wanted, const Reach& reach, const Hold& hold, bool owned) {
  tbb::parallel_for(std::size_t{0}, foot_.bones.size(), [&](std::size_t n) {
    if (!wanted(n)) return;
    FitSettings f;
    f.iterations = 22;
    f.start_reach_mm = reach.start_mm;
    f.end_reach_mm = reach.end_mm;
    f.scaling = Scaling::kAxes;
    f.prior = &expected_[n];
    f.prior_shift_mm = hold.shift_mm;
    f.prior_turn_rad = hold.turn_rad;
    f.prior_log_scale = 0.1;
    if (owned) {
      f.owner = &out_.owner;
      f.self = static_cast<std::int16_t>(n);
    }
    BoneFit& fit = out_.bones[n];
    fit.quality = fitPose(foot_.bones[n].samples, edges_, scan_, fit.pose, f);
    fit.pose = fit.quality.pose;
    fit.found = true;
  });
}

/// Each separately, held loosely by the group; first on all edges, then on those not nearer to another bone.
void Articulator::layTarsalBones() {
  const auto tarsal = [&](std::size_t n) { return isTarsal(n); };
  fitBones(tarsal, {5, 2}, {4, 0.2}, false);
  own(4);
  fitBones(tarsal, {3.5, 1.6}, {5, 0.25}, true);
}

void Articulator::findRays() {
  for (std::size_t r = 0; r < 5; ++r)
    if (ray_index_[r] >= 0) candidates_[r] = rayCandidates(foot_, rayBone(r), out_.tarsus, edges_, scan_, {});
}

/// Where a ray would be if it had moved as others may have.
std::vector<BonePose> Articulator::withOthers(std::size_t r) const {
  const BonePose nominal = carried(out_.tarsus, rayBone(r));
  std::vector<BonePose> also;
  for (std::size_t q = 0; q < 5; ++q) {
    if (q == r || ray_index_[q] < 0) continue;
    const BonePose other = carried(out_.tarsus, rayBone(q));
    for (std::size_t c = 0; c < std::min<std::size_t>(4, candidates_[q].size()); ++c) {
      BonePose p = nominal;
      p.X = candidates_[q][c].pose.X * other.X.inverse() * nominal.X;
      also.push_back(p);
    }
  }
  return also;
}

/// Rays often move together: the movement of one is tried on the others.
void Articulator::tryFollowers() {
  std::array<std::vector<RayCandidate>, 5> followers;
  for (std::size_t r = 0; r < 5; ++r) {
    if (ray_index_[r] < 0) continue;
    const std::vector<BonePose> also = withOthers(r);
    if (!also.empty()) followers[r] = rayCandidates(foot_, rayBone(r), out_.tarsus, edges_, scan_, also);
  }
  constexpr std::size_t kMost = 9;
  for (std::size_t r = 0; r < 5; ++r) {
    auto& all = candidates_[r];
    for (const auto& c : followers[r])
      if (std::none_of(all.begin(), all.end(), [&](const RayCandidate& o) {
            return (o.middle - c.middle).norm() < 4 && std::abs(o.value - c.value) < 0.03;
          }))
        all.push_back(c);
    std::stable_sort(all.begin(), all.end(),
                     [](const RayCandidate& a, const RayCandidate& b) { return a.value > b.value; });
    if (all.size() > kMost) all.resize(kMost);
  }
}

/// Every combination of places that are five different tubes in order from medial to lateral.
std::vector<RayChoice> Articulator::ordered() const {
  const Vec3 lateral = -(out_.tarsus.X.linear() * foot_.medial);
  const auto clash = [&](const RayCandidate& a, const RayCandidate& b) {
    const double apart = (a.middle - b.middle).norm(), order = lateral.dot(b.middle - a.middle);
    return apart < 6 || order < 2;
  };
  std::vector<RayChoice> choices;
  RayChoice choice;
  const auto fits = [&](std::size_t r, const RayCandidate& one) {
    for (std::size_t q = 0; q < r; ++q)
      if (choice.pick[q] >= 0 && clash(candidates_[q][static_cast<std::size_t>(choice.pick[q])], one)) return false;
    return true;
  };
  const auto choose = [&](const auto& self, std::size_t r, double value) -> void {
    if (r == 5) {
      choice.value = value;
      choices.push_back(choice);
      return;
    }
    for (std::size_t c = 0; c < candidates_[r].size(); ++c) {
      const RayCandidate& one = candidates_[r][c];
      if (!fits(r, one)) continue;
      choice.pick[r] = static_cast<int>(c);
      // Small displacements are likelier than large ones, but weakly: a millimetre is worth 0.4 % of a bone's surface.
      self(self, r + 1, value + one.value - 0.004 * one.shift);
    }
    choice.pick[r] = -1;
    self(self, r + 1, value);
  };
  choose(choose, 0, 0);
  return choices;
}

void Articulator::layRays(const std::array<int, 5>& picks) {
  for (std::size_t r = 0; r < 5; ++r) {
    if (ray_index_[r] < 0 || picks[r] < 0) continue;
    const RayCandidate& c = candidates_[r][static_cast<std::size_t>(picks[r])];
    const auto n = static_cast<std::size_t>(ray_index_[r]);
    BoneFit& fit = out_.bones[n];
    fit.quality = withLength(foot_, foot_.bones[n], c, edges_, scan_);
    fit.pose = fit.quality.pose;
    fit.shift_mm = c.shift;
    fit.found = true;
    expected_[n] = fit.pose;
    // Thickness follows the midfoot; length is the ray's own.
    for (int a = 1; a < 3; ++a) expected_[n].log_scale[a] = out_.tarsus.log_scale[a];
  }
}

/// Loosely about the talus. The ankle may be at any angle, hence several starts.
void Articulator::layLegBone(Bone id) {
  const int index = foot_.index(id), talus_index = foot_.index(Bone::kTal);
  if (index < 0 || talus_index < 0) return;
  const auto n = static_cast<std::size_t>(index), talus = static_cast<std::size_t>(talus_index);
  const TemplateBone& bone = foot_.bones[n];
  const BonePose& ankle = out_.bones[talus].pose;
  const Vec3 medial = out_.tarsus.X.linear() * foot_.medial;
  std::vector<FitResult> tries(5);
  tbb::parallel_for(std::size_t{0}, tries.size(), [&](std::size_t t) {
    BonePose start = expected_[n];
    start.X =
        turnAbout(ankle.posedCentre(), toRadians(20.0 * (static_cast<double>(t) - 2)) * medial, Vec3::Zero()) * start.X;
    FitSettings f;
    f.iterations = 30;
    f.start_reach_mm = 9;
    f.end_reach_mm = 2;
    f.scaling = Scaling::kUniform;
    f.prior = &start;
    f.prior_shift_mm = 8;
    f.prior_turn_rad = 0.3;
    f.owner = &out_.owner;
    f.self = static_cast<std::int16_t>(n);
    tries[t] = fitPose(bone.samples, edges_, scan_, start, f);
    if (sunkInto(bone, tries[t].pose, foot_.bones[talus], ankle) > 0.1) tries[t].score = 0;
  });
  BoneFit& fit = out_.bones[n];
  fit.quality = *std::max_element(tries.begin(), tries.end(),
                                  [](const FitResult& x, const FitResult& y) { return x.rank() < y.rank(); });
  fit.pose = fit.quality.pose;
  fit.found = fit.quality.visible > 0.1 && fit.quality.score > 0.3;
}

/// Tarsal bones and rays, each on its own edges.
void Articulator::settleTogether() {
  const auto found = [&](std::size_t n) { return out_.bones[n].found && (isTarsal(n) || rayOf(foot_.bones[n].id)); };
  for (const Reach& reach : {Reach{3.0, 1.6}, Reach{2.2, 1.2}}) {
    own(4);
    fitBones(found, reach, {5, 0.25}, true);
  }
}

/// They move with the first metatarsal, whose head they touch; from there they are fitted to edges it does not explain.
void Articulator::laySesamoids() {
  const int first = foot_.index(Bone::kM1), index = foot_.index(Bone::kSesamoids);
  if (first < 0 || index < 0 || !out_.bones[static_cast<std::size_t>(first)].found) return;
  const TemplateBone& bone = foot_.bones[static_cast<std::size_t>(index)];
  const BonePose& head = out_.bones[static_cast<std::size_t>(first)].pose;
  BonePose start = carried(out_.tarsus, bone);
  start.X.linear() = head.X.linear();
  start.X.translation() += head.apply(bone.centre) - start.posedCentre();
  FitSettings f;
  f.iterations = 20;
  f.start_reach_mm = 4;
  f.end_reach_mm = 1.6;
  f.scaling = Scaling::kUniform;
  f.prior = &start;
  f.prior_shift_mm = 3;
  f.prior_turn_rad = 0.2;
  f.prior_log_scale = 0.1;
  f.owner = &out_.owner;
  f.self = static_cast<std::int16_t>(index);
  BoneFit& fit = out_.bones[static_cast<std::size_t>(index)];
  fit.quality = fitPose(bone.samples, edges_, scan_, start, f);
  fit.pose = fit.quality.pose;
  fit.found = fit.quality.score > 0.45;
}

/// And scores the others.
void Articulator::dropPoorOnes() {
  double sum = 0;
  for (std::size_t n = 0; n < out_.bones.size(); ++n) {
    BoneFit& b = out_.bones[n];
    if (b.quality.visible < 0.15 || b.quality.score < 0.25) b.found = false;
    if (b.found && (isTarsal(n) || rayOf(b.id))) sum += b.quality.score * std::min(1.0, b.quality.visible);
  }
  out_.tarsus_score = sum / 12;
}

}  // namespace

Articulation articulate(const TemplateFoot& foot, const Placement& placement, const EdgeField& edges,
                        const ScanImage& scan) {
  return Articulator(foot, edges, scan).articulated(placement);
}

}  // namespace rayset::bones
