#include "bones/segment.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <optional>
#include <span>

#include "base/units.h"
#include "bones/drawing.h"
#include "bones/evidence.h"
#include "bones/fragments.h"
#include "bones/label_edits.h"
#include "bones/pipeline.h"
#include "image/voxelise.h"

namespace rayset {

BoneSurfaces SegmentedFoot::surfaces() const {
  BoneSurfaces out;
  for (const auto& [id, bone] : bones) out.emplace(id, bone.surface);
  return out;
}

std::uint8_t fragmentLabel(const std::string& id) {
  return static_cast<std::uint8_t>(bones::kFirstFragment - 1 + std::stoi(id.substr(id.find('.') + 1)));
}

namespace bones {

void StepTimes::add(const std::string& step, double s) {
  for (auto& [name, total] : seconds)
    if (name == step) {
      total += s;
      return;
    }
  seconds.emplace_back(step, s);
}

namespace {

class Stopwatch {
 public:
  explicit Stopwatch(StepTimes* times) : times_(times) {}
  void lap(const std::string& step) {
    const auto now = std::chrono::steady_clock::now();
    if (times_ != nullptr) times_->add(step, std::chrono::duration<double>(now - last_).count());
    last_ = now;
  }

 private:
  StepTimes* times_;
  std::chrono::steady_clock::time_point last_ = std::chrono::steady_clock::now();
};

/// Feet among the clusters of bone: a big cluster each, with the small pieces near it (toes, sesamoids).
std::vector<Cluster> feetIn(const Overview& overview, const Grid& grid) {
  const auto extent = [](const Cluster& c) { return (c.high - c.low + Eigen::Vector3i::Ones()).cast<double>().prod(); };
  // Fraction of `a`'s box that lies within `b`'s.
  const auto within = [&](const Cluster& a, const Cluster& b) {
    const Eigen::Vector3i common = a.high.cwiseMin(b.high) - a.low.cwiseMax(b.low) + Eigen::Vector3i::Ones();
    return common.minCoeff() <= 0 ? 0.0 : common.cast<double>().prod() / extent(a);
  };
  std::vector<Cluster> feet;
  for (const auto& c : overview.clusters) {
    const bool big = feet.empty() || c.bone_mm3 > 0.3 * feet.front().bone_mm3;
    if (!big || c.bone_mm3 < 6000) continue;
    // One box inside another is a foot in its cast: the inner one is the foot.
    const auto shell = std::find_if(feet.begin(), feet.end(), [&](const Cluster& f) { return within(c, f) > 0.6; });
    if (shell != feet.end()) {
      *shell = c;
      continue;
    }
    if (std::any_of(feet.begin(), feet.end(), [&](const Cluster& f) { return within(f, c) > 0.6; })) continue;
    if (feet.size() < 2) feet.push_back(c);
  }
  const std::size_t count = feet.size();
  for (const auto& c : overview.clusters) {
    std::size_t nearest = count;
    double distance = 30;  // mm between boxes
    for (std::size_t f = 0; f < count; ++f) {
      double squared = 0;
      bool same = true;
      for (int a = 0; a < 3; ++a) {
        const double apart = std::max({0, feet[f].low[a] - c.high[a], c.low[a] - feet[f].high[a]}) * grid.spacing[a];
        squared += apart * apart;
        same = same && feet[f].low[a] <= c.low[a] && feet[f].high[a] >= c.high[a];
      }
      if (same) {
        nearest = count;
        break;
      }
      if (std::sqrt(squared) < distance) distance = std::sqrt(squared), nearest = f;
    }
    if (nearest == count || c.bone_mm3 > 0.3 * feet.front().bone_mm3) continue;
    feet[nearest].low = feet[nearest].low.cwiseMin(c.low);
    feet[nearest].high = feet[nearest].high.cwiseMax(c.high);
    feet[nearest].bone_mm3 += c.bone_mm3;
  }
  return feet;
}

constexpr double kBreakSearchMm = 1.0;  ///< for edges of a broken bone: its cancellous bone has edges too

struct FootResult {
  SegmentedFoot foot;
  ScanImage scan;
  double quality = 0;
  EditedLabels edited;
  bool doubtful = false;  // as a whole
  FragmentFindings pieces;
};

std::string join(const std::vector<std::string>& words) {
  std::string out;
  for (const auto& w : words) out += (out.empty() ? "" : "; ") + w;
  return out;
}

/// Mean grey value of the voxels of each label; 0 where there are none.
using LabelMeans = std::array<double, 256>;
LabelMeans labelMeans(const Image& grey, const std::vector<std::uint8_t>& labels) {
  LabelMeans sum{};
  std::array<std::size_t, 256> voxels{};
  for (std::size_t v = 0; v < labels.size(); ++v) {
    const std::size_t l = labels[v];
    if (l == 0) continue;
    sum[l] += static_cast<double>(grey.v[v]);
    ++voxels[l];
  }
  for (std::size_t l = 0; l < sum.size(); ++l)
    if (voxels[l] > 0) sum[l] /= static_cast<double>(voxels[l]);
  return sum;
}

/// The fragments by their drawn surfaces, and the flecks in the patient frame.
void addFragments(FootResult& out, std::span<const std::optional<RefinedSurface>> drawn, const LabelMeans& means) {
  std::vector<std::optional<SegmentedBone>> found(out.pieces.fragments.size());
  tbb::parallel_for(std::size_t{0}, found.size(), [&](std::size_t n) {
    const FoundFragment& f = out.pieces.fragments[n];
    if (!drawn[n]) return;
    const RefinedSurface& refined = *drawn[n];
    SegmentedBone& bone = found[n].emplace();
    bone.surface = transformed(refined.surface, out.scan.X_PL);
    bone.volume_mm3 = volume(bone.surface);
    bone.complete = !refined.cut;
    bone.confidence = std::clamp(1 - f.rim_bright, 0.0, 1.0) * std::min(1.0, 0.15 + 0.9 * refined.supported);
    if (f.rim_bright > 0.08)
      bone.doubt = fmt::format("its cortex still meets the bone's along {:.0f} % of the break", 100 * f.rim_bright);
    bone.mean_hu = means[f.label];
  });
  for (std::size_t n = 0; n < found.size(); ++n)
    if (found[n]) out.foot.fragments.emplace(fmt::format("M2.{}", n + 1), std::move(*found[n]));
  for (const FoundFleck& f : out.pieces.flecks) out.foot.flecks.push_back({f.volume_mm3, out.scan.X_PL * f.centre});
}

/// The pose with the template stretched along its longest axis to where these points reach.
BonePose stretchedTo(const Points& points, const TemplateBone& model, BonePose pose) {
  Vec3 low = Vec3::Constant(1e9), high = -low;
  for (const Vec3& v : model.mesh.vertices) {
    const Vec3 u = pose.axes.transpose() * (v - pose.centre);
    low = low.cwiseMin(u);
    high = high.cwiseMax(u);
  }
  Eigen::Index longest = 0;
  (high - low).maxCoeff(&longest);
  const Vec3 axis = pose.X.linear() * pose.axes.col(longest);
  std::vector<double> along;
  for (const Vec3& p : points) along.push_back(axis.dot(p - pose.posedCentre()));
  std::sort(along.begin(), along.end());
  constexpr double kOutliers = 0.01;
  const auto few = static_cast<std::size_t>(kOutliers * static_cast<double>(along.size()));
  const double from = along[few], to = along[along.size() - 1 - few];
  constexpr double kMost = 0.4;  // of the logarithm
  const double scale = std::clamp(std::log((to - from) / (high[longest] - low[longest])),
                                  pose.log_scale[longest] - kMost, pose.log_scale[longest] + kMost);
  pose.log_scale[longest] = scale;
  pose.X.translation() += (0.5 * (from + to) - std::exp(scale) * 0.5 * (low[longest] + high[longest])) * axis;
  return pose;
}

/// Lays the template of a bone onto the edges of its own label, from where it lies, from the label's centre and
/// stretched to its length, and takes the result where it fits clearly better.
void layAfresh(const TemplateBone& model, const EdgeField& edges, const std::vector<std::int16_t>& owner,
               std::int16_t self, const ScanImage& scan, const BonePose& tarsus, BoneFit& fit, DeformedBone& bent) {
  Points own;
  for (std::size_t e = 0; e < owner.size(); ++e)
    if (owner[e] == self) own.push_back(edges.points()[e].position);
  if (own.size() < 100) return;
  // Both ways: samples that lie on edges, and edges that lie on the template. By the first alone a template shrunk onto
  // half of the bone would do.
  const auto both = [&](const FitResult& f) {
    Points posed = model.mesh.vertices;
    for (Vec3& v : posed) v = f.pose.apply(v);
    const NearestPoints near(posed);
    double covered = 0;
    for (const Vec3& p : own) {
      const double d = near.nearest(p).distance / 3.0;
      covered += std::max(0.0, 1 - d * d);
    }
    return f.rank() + covered / static_cast<double>(own.size());
  };
  const FitResult now = scorePose(model.samples, edges, scan, fit.pose, &owner, self);
  FitSettings s;
  s.scaling = Scaling::kAxes;
  s.owner = &owner;
  s.self = self;
  FitResult top = now;
  constexpr double kClearly = 0.1, kClearlyLonger = 0.05;  // by how much better; where the label is seen to be longer
  constexpr double kLonger = 0.08;                         // of the logarithm
  const BonePose stretched = stretchedTo(own, model, fit.pose);
  const bool longer = (stretched.log_scale - fit.pose.log_scale).maxCoeff() > kLonger;
  bool better = false;
  const double at_first = both(now);
  double most = at_first + (longer ? kClearlyLonger : kClearly);
  BonePose moved = fit.pose;
  const Vec3 middle = principalAxes(own).centre;
  moved.X.translation() += middle - principalAxes(bent.mesh.vertices).centre;
  BonePose upright = fit.pose;  // as it stands in the placed foot, if it was turned or shrunk onto something else
  upright.X.linear() = tarsus.X.linear();
  upright.log_scale.setConstant(tarsus.log_scale[0]);
  upright.X.translation() += middle - upright.posedCentre();
  std::vector<BonePose> starts{fit.pose, moved, upright, stretched};
  // One that fits poorly may be turned: it is sought about its label's middle, and taken only where it fits well.
  constexpr double kPoor = 1.15, kTurnDeg = 25, kFits = 0.6, kMostScaled = 0.4;
  const std::size_t usual = starts.size();
  if (at_first < kPoor)
    for (int axis = 0; axis < 3; ++axis)
      for (const double way : {-1.0, 1.0}) {
        BonePose turned = upright;
        turned.X =
            turnAbout(upright.posedCentre(), way * toRadians(kTurnDeg) * Vec3::Unit(axis), Vec3::Zero()) * turned.X;
        starts.push_back(turned);
      }
  for (std::size_t n = 0; n < starts.size(); ++n) {
    s.prior = &starts[n];
    const FitResult found = fitPose(model.samples, edges, scan, starts[n], s);
    if (n >= usual &&
        (found.score < kFits || (found.pose.log_scale.array() - tarsus.log_scale[0]).abs().maxCoeff() > kMostScaled))
      continue;
    if (const double value = both(found); value > most) most = value, top = found, better = true;
  }
  if (!better) return;
  fit.pose = top.pose;
  fit.quality = top;
  layOn(model, fit.pose, bent);
}

/// One foot; nullopt with a reason where the cluster is no foot, or with `refused` where an edit does not fit.
std::optional<FootResult> segmentFoot(const TemplatePair& templates, ScanImage scan, double pixel_mm, double slice_mm,
                                      const std::vector<Side>& sides, const Progress& progress, double from, double to,
                                      const Edits* edits, Stopwatch& watch, std::string& reason,
                                      std::optional<Error>& refused) {
  const auto tell = [&](double f) { progress("bones", from + f * (to - from)); };
  FootResult out;
  out.scan = std::move(scan);
  tell(0.08);
  auto exterior = exteriorMask(out.scan);
  growIntoGaps(out.scan, exterior);
  watch.lap("outside");
  const auto points = edgePoints(out.scan, exterior);
  const EdgeField edges(thinned(points, 1.2));
  watch.lap("edges");
  tell(0.2);
  if (progress.cancelled()) return std::nullopt;
  const auto placements = placeFoot(templates, edges, out.scan, sides);
  watch.lap("placing");
  tell(0.35);
  if (placements.empty()) {
    reason = "too few bone edges";
    return std::nullopt;
  }
  if (progress.cancelled()) return std::nullopt;
  // The side is clear from the placing in most scans; where it is not, both are carried on and the bones decide.
  std::optional<Articulation> best;
  const Placement* chosen = nullptr;
  for (const auto& p : placements) {
    if (chosen != nullptr && p.quality < 0.75 * chosen->quality) break;
    auto a = articulate(templates[p.side == Side::kRight ? 0 : 1], p, edges, out.scan);
    if (!best || a.tarsus_score > best->tarsus_score) best = std::move(a), chosen = &p;
  }
  watch.lap("articulating");
  tell(0.5);
  const TemplateFoot& foot = templates[chosen->side == Side::kRight ? 0 : 1];
  std::size_t found = 0;
  for (const BoneFit& fit : best->bones)
    if (fit.found && label(fit.id) <= 12) ++found;
  out.quality = best->tarsus_score;
  if (found < 4 || best->tarsus_score < 0.2) {
    reason = fmt::format("no arrangement of foot bones fits it (best match {:.0f} %)", 100 * best->tarsus_score);
    return std::nullopt;
  }
  // Small shapes fit anywhere among many edges; no foot of a person is so far from the template's size.
  constexpr double kLogSize = 0.45;
  if (const double size = best->tarsus.log_scale.mean(); std::abs(size) > kLogSize) {
    reason = fmt::format("foot bones fit it only at {:.0f} % of an adult's size", 100 * std::exp(size));
    return std::nullopt;
  }
  if (progress.cancelled()) return std::nullopt;

  // Bend, label, bend to the label's own edges, label again.
  const EdgeField fine(thinned(points, 0.8));
  auto bent = posedMeshes(foot, *best);
  const auto posed = bent;
  Labelling labelling;
  std::vector<std::int16_t> owner = ownersOf(bent, fine, 3.5);
  const auto bend = [&](double reach, int iterations, double stiffness) {
    DeformSettings s;
    s.start_reach_mm = reach;
    s.iterations = iterations;
    s.start_stiffness = stiffness;
    tbb::parallel_for(std::size_t{0}, bent.size(),
                      [&](std::size_t n) { deform(bent[n], fine, owner, static_cast<std::int16_t>(n), out.scan, s); });
  };
  bend(3.5, 7, 40);
  owner = ownersOf(bent, fine, 3.0);
  bend(2.0, 4, 8);
  watch.lap("bending");
  tell(0.6);
  if (progress.cancelled()) return std::nullopt;
  std::vector<double> core(bent.size());
  // Where fewer edges lie on the fitted template its interior is trusted less.
  for (std::size_t n = 0; n < bent.size(); ++n) core[n] = std::clamp(1.3 + 5 * (0.9 - bent[n].supported), 1.3, 3.5);
  std::vector<Marker> markers;
  if (edits != nullptr && edits->side && *edits->side != chosen->side) edits = nullptr;  // meant for the other foot
  if (edits != nullptr) {
    auto marked = seedMarkers(*edits, out.scan, exterior);
    if (!marked) {
      refused = marked.error();
      return std::nullopt;
    }
    markers = *std::move(marked);
  }
  labelling = labelBones(out.scan, exterior, bent, core, markers);
  watch.lap("labelling");
  // The labels say which edge belongs to which bone; templates bend onto the edges of their own label and flood once
  // more.
  tbb::parallel_for(std::size_t{0}, owner.size(), [&](std::size_t e) {
    const auto& point = fine.points()[e];
    const Vec3 inside = (point.position - 0.9 * point.normal) / out.scan.grey.h;
    owner[e] = -1;
    const Eigen::Vector3i q(static_cast<int>(std::lround(inside.x())), static_cast<int>(std::lround(inside.y())),
                            static_cast<int>(std::lround(inside.z())));
    if ((q.array() < 0).any() || (q.array() >= out.scan.grey.size.array()).any()) return;
    const std::uint8_t l = labelling.labels[out.scan.grey.offset(q.x(), q.y(), q.z())];
    if (l == kOther) owner[e] = 999;
    for (std::size_t n = 0; n < bent.size(); ++n)
      if (bent[n].found && label(bent[n].id) == l) owner[e] = static_cast<std::int16_t>(n);
  });
  // Strays brought home may have changed what a bone is by a third: a template that lay badly is laid on afresh.
  tbb::parallel_for(std::size_t{0}, bent.size(), [&](std::size_t n) {
    if (!bent[n].found || label(bent[n].id) > 12) return;
    layAfresh(foot.bones[n], fine, owner, static_cast<std::int16_t>(n), out.scan, best->tarsus, best->bones[n],
              bent[n]);
  });
  bend(6.0, 7, 20);
  for (std::size_t n = 0; n < bent.size(); ++n) core[n] = std::clamp(1.3 + 5 * (0.9 - bent[n].supported), 1.3, 3.0);
  watch.lap("bending");
  labelling = labelBones(out.scan, exterior, bent, core, markers);
  if (edits != nullptr) {
    auto edited = editLabels(*edits, out.scan, exterior, labelling.labels);
    if (!edited) {
      refused = edited.error();
      return std::nullopt;
    }
    out.edited = *std::move(edited);
  }
  watch.lap("labelling");
  tell(0.8);
  if (progress.cancelled()) return std::nullopt;

  out.foot.side = chosen->side;
  out.pieces = findFragments(out.scan, posed, labelling.labels);
  if (edits != nullptr) {
    if (auto merged = mergeFragments(*edits, out.pieces, labelling.labels, out.edited); !merged) {
      refused = merged.error();
      return std::nullopt;
    }
  }
  watch.lap("fragments");
  double squares = 0;
  std::size_t counted = 0;
  std::vector<Part> parts;
  for (const DeformedBone& bone : bent) {
    Part part;
    part.label = label(bone.id);
    part.one_bone = bone.id != Bone::kToes && bone.id != Bone::kSesamoids;
    part.metatarsal = rayOf(bone.id).has_value();
    // A break shows cancellous bone: the model of a cortex does not hold there.
    const bool broken = bone.id == Bone::kM2 && !out.pieces.fragments.empty();
    part.cortex = label(bone.id) <= 12 && !broken;
    if (broken) part.search_mm = kBreakSearchMm;
    parts.push_back(part);
  }
  for (const FoundFragment& f : out.pieces.fragments) {
    Part part;
    part.label = f.label;
    part.cortex = false;
    part.fragment = true;
    part.search_mm = kBreakSearchMm;
    parts.push_back(part);
  }
  auto refined = drawSurfaces(out.scan, labelling.labels, parts, pixel_mm, slice_mm);
  watch.lap("cortex");
  const LabelMeans means = labelMeans(out.scan.grey, labelling.labels);
  watch.lap("surfaces");
  std::optional<NearestPoints> metal;
  if (Points found_metal = metalPoints(out.scan); !found_metal.empty()) metal.emplace(std::move(found_metal));
  // A renamed bone was fitted by the template of its former name.
  const auto formerly = [&](std::size_t n) {
    const auto former = out.edited.former.find(bent[n].id);
    return former == out.edited.former.end() ? n : static_cast<std::size_t>(std::max(0, foot.index(former->second)));
  };
  std::vector<SegmentedBone> measured_bones(bent.size());
  tbb::parallel_for(std::size_t{0}, bent.size(), [&](std::size_t n) {
    if (!refined[n] || refined[n]->surface.empty()) return;
    const std::size_t was = formerly(n);
    SegmentedBone& bone = measured_bones[n];
    bone.surface = transformed(refined[n]->surface, out.scan.X_PL);
    bone.volume_mm3 = volume(bone.surface);
    bone.complete = !refined[n]->cut;
    bone.evidence = surfaceEvidence(out.scan, *refined[n], bent[was].mesh, metal ? &*metal : nullptr);
    if (parts[n].cortex)
      bone.evidence.dense_inside_mm3 =
          denseInside(out.scan, labelling.labels, label(bent[n].id), refined[n]->surface, metal ? &*metal : nullptr);
    // Tarsal bones have processes that no template follows.
    if (!rayOf(bent[n].id)) bone.evidence.stands_off_mm2 = 0;
    bone.evidence.match = best->bones[was].quality.score;
    bone.evidence.touching = static_cast<double>(labelling.touching[was]);
    bone.evidence.volume_ratio = bone.volume_mm3 / (foot.bones[n].volume_mm3 * std::exp(3 * best->tarsus.log_scale[0]));
  });
  std::array<double, 5> lengths{}, usual{};
  for (std::size_t n = 0; n < bent.size(); ++n)
    if (const auto ray = rayOf(bent[n].id); ray && refined[n] && measured_bones[n].complete) {
      lengths[static_cast<std::size_t>(*ray - 1)] = longestExtent(refined[n]->surface);
      usual[static_cast<std::size_t>(*ray - 1)] = longestExtent(foot.bones[n].mesh);
    }
  const std::array<double, 5> ratios = lengthRatios(lengths, usual);
  for (std::size_t n = 0; n < bent.size(); ++n)
    if (const auto ray = rayOf(bent[n].id))
      measured_bones[n].evidence.length_ratio = ratios[static_cast<std::size_t>(*ray - 1)];
  std::map<Bone, Verdict> verdicts;
  for (std::size_t n = 0; n < bent.size(); ++n) {
    if (!refined[n] || refined[n]->surface.empty()) continue;
    const auto& fit = best->bones[formerly(n)];
    SegmentedBone& bone = measured_bones[n];
    verdicts.emplace(bent[n].id, judge(bone.evidence, label(bent[n].id) <= 12));
    bone.by_hand = out.edited.by_hand.contains(bent[n].id);
    bone.mean_hu = means[label(bent[n].id)];
    if (label(bent[n].id) <= 12) squares += fit.quality.rms_mm * fit.quality.rms_mm, ++counted;
    out.foot.bones.emplace(bent[n].id, std::move(bone));
  }
  std::vector<Verdict*> midfoot;
  for (auto& [id, verdict] : verdicts)
    if (label(id) <= 12) midfoot.push_back(&verdict);
  out.doubtful = judgeTogether(midfoot);
  for (auto& [id, bone] : out.foot.bones) {
    bone.confidence = verdicts.at(id).confidence;
    bone.doubts = verdicts.at(id).doubts;
    bone.doubt = join(verdicts.at(id).texts);
  }
  addFragments(out, std::span(refined).subspan(bent.size()), means);
  out.foot.template_rms_mm = counted > 0 ? std::sqrt(squares / static_cast<double>(counted)) : 0;
  tell(1.0);
  return out;
}

}  // namespace

Result<BonesResult> segmentWith(const TemplatePair& templates, const CtVolume& ct, const BonesSettings& settings,
                                const Progress& progress, StepTimes* times) {
  Stopwatch watch(times);
  if (ct.grid.size.minCoeff() < 8)
    return fail(
        Fault::kImages,
        fmt::format("the volume has only {} x {} x {} voxels", ct.grid.size.x(), ct.grid.size.y(), ct.grid.size.z()),
        "CT volume", "give a CT series that covers the foot");
  const Overview overview = surveyScan(ct);
  watch.lap("survey");
  progress("bones", 0.02);
  if (progress.cancelled()) return cancelledError();
  const auto clusters = feetIn(overview, ct.grid);
  if (clusters.empty())
    return fail(Fault::kImages,
                overview.bone_mm3 < 100
                    ? fmt::format("no bone was found: nothing larger than a few voxels is brighter than {:.0f} HU "
                                  "(soft tissue lies at {:.0f} HU)",
                                  overview.levels.bone, overview.levels.soft)
                    : fmt::format("only {:.1f} ml of bone was found, too little for a foot", overview.bone_mm3 / 1000),
                "CT volume", "give a CT series that covers the midfoot, in Hounsfield units");
  const Edits* edits = settings.edits != nullptr && settings.edits->editsBones() ? settings.edits : nullptr;
  if (edits != nullptr) {
    if (Status s = checkEdits(*edits, ct.grid); !s) return tl::unexpected(s.error());
    if (clusters.size() > 1 && !edits->side)
      return fail(Fault::kRequest, "two feet are in the scan, and the edits do not say which of them they are for",
                  edits->file.empty() ? "side" : edits->file + ", side", "Add \"side\": \"right\" or \"left\".");
  }
  BonesResult out;
  out.labels = LabelVolume(ct.grid, 0);
  std::vector<std::string> reasons;
  std::vector<FootResult> feet;
  for (std::size_t c = 0; c < clusters.size(); ++c) {
    std::vector<Side> sides{Side::kRight, Side::kLeft};
    if (settings.side && clusters.size() == 1) sides = {*settings.side};
    std::string reason;
    std::optional<Error> refused;
    const double n = static_cast<double>(clusters.size());
    std::vector<std::int32_t> others;
    for (const Cluster& o : clusters)
      if (o.component != clusters[c].component) others.push_back(o.component);
    ScanImage scan = cutOut(ct, overview, clusters[c], others);
    watch.lap("crop and smooth");
    auto foot = segmentFoot(templates, std::move(scan), std::max(ct.grid.spacing.x(), ct.grid.spacing.y()),
                            ct.grid.spacing.z(), sides, progress, static_cast<double>(c) / n,
                            static_cast<double>(c + 1) / n, edits, watch, reason, refused);
    if (refused) return tl::unexpected(*std::move(refused));
    if (progress.cancelled()) return cancelledError();
    if (!foot) {
      reasons.push_back(fmt::format("a cluster of {:.0f} ml of bone: {}", clusters[c].bone_mm3 / 1000, reason));
      continue;
    }
    // Labels on the CT's own grid: the voxels inside the final surfaces.
    const auto k = static_cast<std::uint8_t>(32 * out.feet.size());
    for (const auto& [id, bone] : foot->foot.bones)
      fillInside(out.labels, bone.surface, static_cast<std::uint8_t>(label(id) + k));
    for (const auto& [id, piece] : foot->foot.fragments)
      fillInside(out.labels, piece.surface, static_cast<std::uint8_t>(fragmentLabel(id) + k));
    watch.lap("labels on the CT grid");
    std::vector<std::string> missing;
    for (const Bone b : kMidfootBones)
      if (!foot->foot.bones.contains(b) && !foot->edited.removed.contains(b)) missing.emplace_back(boneName(b));
    out.edited.insert(out.edited.end(), foot->edited.applied.begin(), foot->edited.applied.end());
    const std::string which =
        clusters.size() > 1 ? fmt::format(" of the {} foot", foot->foot.side == Side::kRight ? "right" : "left") : "";
    for (const auto& m : missing) out.cautions.push_back(fmt::format("The {}{} was not found.", m, which));
    if (foot->doubtful)
      out.cautions.push_back(fmt::format(
          "Most bones{} fit the shape of a foot poorly: names may be wrong. Look at the images first.", which));
    std::string pale;
    for (const auto& [id, bone] : foot->foot.bones) {
      if (label(id) > 12 || bone.doubts.empty()) continue;
      if (bone.doubts == std::vector{Doubt::kLowDensity}) {
        pale += (pale.empty() ? "" : ", ") + std::string(boneId(id));
      } else {
        out.cautions.push_back(
            fmt::format("The {} ({}){} needs a look: {}.", boneName(id), boneId(id), which, bone.doubt));
      }
    }
    if (!pale.empty())
      out.cautions.push_back(fmt::format(
          "Little stands out from soft tissue, for low bone density or much noise: {}{}. Screws may hold less well.",
          pale, which));
    for (const auto& [id, piece] : foot->foot.fragments)
      out.cautions.push_back(
          fmt::format("The base of the second metatarsal{} is broken: {} is a piece of {:.0f} mm3{}.", which, id,
                      piece.volume_mm3, piece.doubt.empty() ? "" : " (" + piece.doubt + ")"));
    for (const FoundFragment& f : foot->pieces.doubtful)
      out.cautions.push_back(fmt::format(
          "The base of the second metatarsal{} may be broken: a piece of about {:.0f} mm3 is parted from it "
          "along {:.0f} % of its border. It is treated as one with its bone; look at the images.",
          which, f.volume_mm3, 100 * (1 - f.rim_bright)));
    for (const Fleck& f : foot->foot.flecks)
      out.cautions.push_back(fmt::format(
          "A fleck of bone of about {:.0f} mm3 lies between the medial cuneiform and the second metatarsal{}, at "
          "({:.0f}, {:.0f}, {:.0f}): a sign that the ligament between them has torn off bone.",
          f.volume_mm3, which, f.centre.x(), f.centre.y(), f.centre.z()));
    out.feet.push_back(std::move(foot->foot));
  }
  if (edits != nullptr && edits->side && !out.feet.empty() &&
      std::none_of(out.feet.begin(), out.feet.end(), [&](const SegmentedFoot& f) { return f.side == *edits->side; }))
    return fail(Fault::kRequest,
                fmt::format("the edits are for the {} foot, which is not in the images",
                            *edits->side == Side::kRight ? "right" : "left"),
                edits->file.empty() ? "side" : edits->file + ", side", "Check the side and the images.");
  if (out.feet.empty())
    return fail(Fault::kImages, "no foot was found: " + join(reasons), "CT volume",
                "give a CT series in which at least the midfoot can be seen");
  for (const auto& r : reasons) out.cautions.push_back("Left out: " + r + ".");
  if (out.feet.size() == 2 && out.feet[0].side == out.feet[1].side)
    out.cautions.push_back("Both feet look like the same side: check the sides.");
  progress("bones", 1.0);
  return out;
}

}  // namespace bones

Result<BonesResult> segmentBones(const CtVolume& ct, const BonesSettings& settings, const Progress& progress) {
  return bones::segmentWith(bones::meanTemplates(), ct, settings, progress);
}

}  // namespace rayset
