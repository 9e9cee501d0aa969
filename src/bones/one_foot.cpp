#include "bones/one_foot.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <span>

#include "base/units.h"
#include "bones/drawing.h"
#include "bones/evidence.h"

namespace rayset::bones {

void Stopwatch::lap(const std::string& step) {
  const auto now = std::chrono::steady_clock::now();
  if (times_ != nullptr) times_->add(step, std::chrono::duration<double>(now - last_).count());
  last_ = now;
}

namespace {

constexpr double kBreakSearchMm = 1.0;  ///< for edges of a broken bone: its cancellous bone has edges too

/// Mean grey value of the voxels of each label; 0 if there are none.
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
    if (f.rim_bright > 0.08) {
      bone.doubts = {Doubt::kTouching};
      bone.doubt = Message("bones.cortex_still_meets_bones_along_break", {{"rim_bright", percent(100 * f.rim_bright)}});
    }
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

/// The edges of a bone's own label.
struct OwnEdges {
  const EdgeField& edges;
  const std::vector<std::int16_t>& owner;  // of each edge
  std::int16_t self;                       // the bone itself
  Points points;

  OwnEdges(const EdgeField& field, const std::vector<std::int16_t>& owners, std::size_t bone)
      : edges(field), owner(owners), self(static_cast<std::int16_t>(bone)) {
    for (std::size_t e = 0; e < owner.size(); ++e)
      if (owner[e] == self) points.push_back(edges.points()[e].position);
  }
};

/// How well template and own edges fit, both ways: samples that lie on edges, and edges that lie on the template. The
/// first alone would accept a template shrunk onto half of the bone.
double bothWays(const FitResult& fit, const TemplateBone& model, const Points& own) {
  Points posed = model.mesh.vertices;
  for (Vec3& v : posed) v = fit.pose.apply(v);
  const NearestPoints near(posed);
  double covered = 0;
  for (const Vec3& p : own) {
    const double d = near.nearest(p).distance / 3.0;
    covered += std::max(0.0, 1 - d * d);
  }
  return fit.rank() + covered / static_cast<double>(own.size());
}

/// Rotated both ways about each axis.
std::vector<BonePose> turnedAbout(const BonePose& pose, double angle_rad) {
  std::vector<BonePose> out;
  for (int axis = 0; axis < 3; ++axis)
    for (const double way : {-1.0, 1.0}) {
      BonePose turned = pose;
      turned.X = turnAbout(pose.posedCentre(), way * angle_rad * Vec3::Unit(axis), Vec3::Zero()) * turned.X;
      out.push_back(turned);
    }
  return out;
}

/// Refits the template of a bone to the edges of its own label: from its pose, from the label's centre and stretched to
/// its length. Takes the result if it fits clearly better.
void layAfresh(const TemplateBone& model, const OwnEdges& own, const ScanImage& scan, const BonePose& tarsus,
               BoneFit& fit, DeformedBone& bent) {
  if (own.points.size() < 100) return;
  const FitResult now = scorePose(model.samples, own.edges, scan, fit.pose, &own.owner, own.self);
  constexpr double kClearly = 0.1, kClearlyLonger = 0.05;  // by how much better; if the label is clearly longer
  constexpr double kLonger = 0.08;                         // of the logarithm
  const BonePose stretched = stretchedTo(own.points, model, fit.pose);
  const bool longer = (stretched.log_scale - fit.pose.log_scale).maxCoeff() > kLonger;
  const double at_first = bothWays(now, model, own.points);
  double most = at_first + (longer ? kClearlyLonger : kClearly);
  BonePose moved = fit.pose;
  const Vec3 middle = principalAxes(own.points).centre;
  moved.X.translation() += middle - principalAxes(bent.mesh.vertices).centre;
  BonePose upright = fit.pose;  // as in the placed foot, in case it was rotated or shrunk onto something else
  upright.X.linear() = tarsus.X.linear();
  upright.log_scale.setConstant(tarsus.log_scale[0]);
  upright.X.translation() += middle - upright.posedCentre();
  std::vector<BonePose> starts{fit.pose, moved, upright, stretched};
  // One that fits poorly may be rotated: poses about its label's centre are tried, and taken only if they fit well.
  constexpr double kPoor = 1.15, kTurnDeg = 25, kFits = 0.6, kMostScaled = 0.4;
  const std::size_t usual = starts.size();
  if (at_first < kPoor)
    for (const BonePose& turned : turnedAbout(upright, toRadians(kTurnDeg))) starts.push_back(turned);
  std::optional<FitResult> top;
  for (std::size_t n = 0; n < starts.size(); ++n) {
    FitSettings s;
    s.scaling = Scaling::kAxes;
    s.owner = &own.owner;
    s.self = own.self;
    s.prior = &starts[n];
    const FitResult found = fitPose(model.samples, own.edges, scan, starts[n], s);
    if (n >= usual &&
        (found.score < kFits || (found.pose.log_scale.array() - tarsus.log_scale[0]).abs().maxCoeff() > kMostScaled))
      continue;
    if (const double value = bothWays(found, model, own.points); value > most) most = value, top = found;
  }
  if (!top) return;
  fit.pose = top->pose;
  fit.quality = *top;
  layOn(model, fit.pose, bent);
}

/// A drawn bone, with the evidence for and against it.
struct MeasuredBone {
  SegmentedBone bone;
  TemplateEvidence evidence;
};

/// Segments one foot step by step; segmented() shows the order.
class FootSegmenter {
 public:
  FootSegmenter(const TemplatePair& templates, FootCluster cluster, const Progress& progress, const Span& span,
                Stopwatch& watch)
      : templates_(templates), cluster_(std::move(cluster)), progress_(progress), span_(span), watch_(watch) {
    out_.scan = std::move(cluster_.scan);
  }

  Result<FootResult> segmented();

 private:
  // Each of these fails if the user stopped the run or something does not fit.
  Status findEdges();
  Status layOut();
  [[nodiscard]] Status checkLayout() const;
  Status bendAndLabel();
  Status findPieces();
  void drawAndMeasure();
  // Parts of those.
  void bend(double reach_mm, int iterations, double stiffness);
  void trustCores(double most_mm);
  void ownEdgesByLabel();
  void layPoorOnesAfresh();
  [[nodiscard]] std::vector<Part> partsToDraw() const;
  [[nodiscard]] std::size_t formerly(std::size_t n) const;
  [[nodiscard]] std::vector<MeasuredBone> measured(const std::vector<Part>& parts,
                                                   const std::vector<std::optional<RefinedSurface>>& drawn) const;
  void compareLengths(std::vector<MeasuredBone>& bones, const std::vector<std::optional<RefinedSurface>>& drawn) const;
  void decide(std::vector<MeasuredBone> bones, const LabelMeans& means);

  Status tell(double part) const {
    progress_("bones", span_.from + part * (span_.to - span_.from));
    if (progress_.cancelled()) return cancelledError();
    return {};
  }
  [[nodiscard]] const Edits* edits() const {
    const Edits* e = cluster_.edits;
    return e != nullptr && e->side && *e->side != side_ ? nullptr : e;  // otherwise they are meant for the other foot
  }
  [[nodiscard]] const TemplateFoot& templateOf(Side side) const { return templates_[side == Side::kRight ? 0 : 1]; }
  [[nodiscard]] const TemplateFoot& foot() const { return templateOf(side_); }
  [[nodiscard]] const EdgeField& edges() const { return *fine_; }

  const TemplatePair& templates_;
  FootCluster cluster_;
  const Progress& progress_;
  Span span_;
  Stopwatch& watch_;
  FootResult out_;

  std::vector<std::uint8_t> exterior_;
  std::vector<EdgePoint> edge_points_;
  Side side_ = Side::kRight;
  Articulation rigid_;               // the template's bones, placed rigidly
  std::vector<DeformedBone> posed_;  // the same as surfaces
  std::vector<DeformedBone> bent_;   // and bent onto the edges
  std::optional<EdgeField> fine_;    // what they are bent onto
  std::vector<std::int16_t> owner_;  // of each of those edges
  std::vector<double> core_mm_;      // how deep in each bent template its core begins
  Labelling labelling_;
};

Result<FootResult> FootSegmenter::segmented() {
  if (Status s = findEdges(); !s) return tl::unexpected(s.error());
  if (Status s = layOut(); !s) return tl::unexpected(s.error());
  if (Status s = checkLayout(); !s) return tl::unexpected(s.error());
  if (Status s = bendAndLabel(); !s) return tl::unexpected(s.error());
  if (Status s = findPieces(); !s) return tl::unexpected(s.error());
  drawAndMeasure();
  (void)tell(1.0);
  return std::move(out_);
}

Status FootSegmenter::findEdges() {
  if (Status s = tell(0.08); !s) return s;
  exterior_ = exteriorMask(out_.scan);
  growIntoGaps(out_.scan, exterior_);
  watch_.lap("outside");
  edge_points_ = edgePoints(out_.scan, exterior_);
  return {};
}

/// In most scans placement decides the side; if not, both are pursued and the bones decide.
Status FootSegmenter::layOut() {
  const EdgeField edges(thinned(edge_points_, 1.2));
  watch_.lap("edges");
  if (Status s = tell(0.2); !s) return s;
  const auto placements = placeFoot(templates_, edges, out_.scan, cluster_.sides);
  watch_.lap("placing");
  if (placements.empty()) return fail(Fault::kImages, "bones.too_few_bone_edges");
  if (Status s = tell(0.35); !s) return s;
  const Placement* chosen = nullptr;
  for (const auto& p : placements) {
    if (chosen != nullptr && p.quality < 0.75 * chosen->quality) break;
    auto a = articulate(templateOf(p.side), p, edges, out_.scan);
    if (chosen == nullptr || a.tarsus_score > rigid_.tarsus_score) rigid_ = std::move(a), chosen = &p;
  }
  side_ = chosen->side;
  watch_.lap("articulating");
  return tell(0.5);
}

Status FootSegmenter::checkLayout() const {
  const auto found = std::count_if(rigid_.bones.begin(), rigid_.bones.end(),
                                   [](const BoneFit& fit) { return fit.found && isMidfootBone(fit.id); });
  if (found < 4 || rigid_.tarsus_score < 0.2)
    return fail(Fault::kImages, Message("bones.no_arrangement_foot_bones_fits_best",
                                        {{"tarsus_score", percent(100 * rigid_.tarsus_score)}}));
  // Small shapes fit anywhere among many edges; no human foot is that far from the template's size.
  constexpr double kLogSize = 0.45;
  if (const double size = rigid_.tarsus.log_scale.mean(); std::abs(size) > kLogSize)
    return fail(Fault::kImages,
                Message("bones.foot_bones_fit_only_adults_size", {{"exp", percent(100 * std::exp(size))}}));
  return {};
}

void FootSegmenter::bend(double reach_mm, int iterations, double stiffness) {
  DeformSettings s;
  s.start_reach_mm = reach_mm;
  s.iterations = iterations;
  s.start_stiffness = stiffness;
  tbb::parallel_for(std::size_t{0}, bent_.size(), [&](std::size_t n) {
    deform(bent_[n], edges(), owner_, static_cast<std::int16_t>(n), out_.scan, s);
  });
}

/// The fewer edges lie on the fitted template, the less its interior is trusted.
void FootSegmenter::trustCores(double most_mm) {
  core_mm_.clear();
  for (const DeformedBone& bone : bent_) core_mm_.push_back(std::clamp(1.3 + 5 * (0.9 - bone.supported), 1.3, most_mm));
}

/// Bends, labels, bends to the labels' own edges, labels again.
Status FootSegmenter::bendAndLabel() {
  fine_.emplace(thinned(edge_points_, 0.8));
  posed_ = bent_ = posedMeshes(foot(), rigid_);
  owner_ = ownersOf(bent_, edges(), 3.5);
  bend(3.5, 7, 40);
  owner_ = ownersOf(bent_, edges(), 3.0);
  bend(2.0, 4, 8);
  watch_.lap("bending");
  if (Status s = tell(0.6); !s) return s;
  std::vector<Marker> markers;
  if (edits() != nullptr) {
    auto marked = seedMarkers(*edits(), out_.scan, exterior_);
    if (!marked) return tl::unexpected(marked.error());
    markers = *std::move(marked);
  }
  trustCores(3.5);
  labelling_ = labelBones(out_.scan, exterior_, bent_, core_mm_, markers);
  watch_.lap("labelling");
  ownEdgesByLabel();
  layPoorOnesAfresh();
  bend(6.0, 7, 20);
  trustCores(3.0);
  watch_.lap("bending");
  labelling_ = labelBones(out_.scan, exterior_, bent_, core_mm_, markers);
  if (edits() != nullptr) {
    auto edited = editLabels(*edits(), out_.scan, exterior_, labelling_.labels);
    if (!edited) return tl::unexpected(edited.error());
    out_.edited = *std::move(edited);
  }
  watch_.lap("labelling");
  return tell(0.8);
}

/// The labels decide which edge belongs to which bone.
void FootSegmenter::ownEdgesByLabel() {
  constexpr double kInsideMm = 0.9;
  const Image& grey = out_.scan.grey;
  tbb::parallel_for(std::size_t{0}, owner_.size(), [&](std::size_t e) {
    const auto& point = edges().points()[e];
    const Vec3 inside = (point.position - kInsideMm * point.normal) / grey.h;
    owner_[e] = -1;
    const Eigen::Vector3i q(static_cast<int>(std::lround(inside.x())), static_cast<int>(std::lround(inside.y())),
                            static_cast<int>(std::lround(inside.z())));
    if ((q.array() < 0).any() || (q.array() >= grey.size.array()).any()) return;
    const std::uint8_t l = labelling_.labels[grey.offset(q.x(), q.y(), q.z())];
    if (l == kOther) owner_[e] = 999;  // of no bone of the template
    for (std::size_t n = 0; n < bent_.size(); ++n)
      if (bent_[n].found && label(bent_[n].id) == l) owner_[e] = static_cast<std::int16_t>(n);
  });
}

/// Returned strays may have changed a bone by a third: a template that fitted badly is fitted again.
void FootSegmenter::layPoorOnesAfresh() {
  tbb::parallel_for(std::size_t{0}, bent_.size(), [&](std::size_t n) {
    if (bent_[n].found && isMidfootBone(bent_[n].id))
      layAfresh(foot().bones[n], OwnEdges(edges(), owner_, n), out_.scan, rigid_.tarsus, rigid_.bones[n], bent_[n]);
  });
}

Status FootSegmenter::findPieces() {
  out_.pieces = findFragments(out_.scan, posed_, labelling_.labels);
  if (edits() != nullptr)
    if (Status merged = mergeFragments(*edits(), out_.pieces, labelling_.labels, out_.edited); !merged) return merged;
  watch_.lap("fragments");
  return {};
}

/// One for every bone of the template, then one for every fragment.
std::vector<Part> FootSegmenter::partsToDraw() const {
  std::vector<Part> parts;
  for (const DeformedBone& bone : bent_) {
    Part part;
    part.label = label(bone.id);
    part.one_bone = bone.id != Bone::kToes && bone.id != Bone::kSesamoids;
    part.metatarsal = rayOf(bone.id).has_value();
    // A break shows cancellous bone: the cortex model does not apply there.
    const bool broken = bone.id == Bone::kM2 && !out_.pieces.fragments.empty();
    part.cortex = isMidfootBone(bone.id) && !broken;
    if (broken) part.search_mm = kBreakSearchMm;
    parts.push_back(part);
  }
  for (const FoundFragment& f : out_.pieces.fragments) {
    Part part;
    part.label = f.label;
    part.cortex = false;
    part.fragment = true;
    part.search_mm = kBreakSearchMm;
    parts.push_back(part);
  }
  return parts;
}

void FootSegmenter::drawAndMeasure() {
  const std::vector<Part> parts = partsToDraw();
  const auto drawn = drawSurfaces(out_.scan, labelling_.labels, parts, cluster_.pixel_mm, cluster_.slice_mm);
  watch_.lap("cortex");
  const LabelMeans means = labelMeans(out_.scan.grey, labelling_.labels);
  watch_.lap("surfaces");
  std::vector<MeasuredBone> bones = measured(parts, drawn);
  compareLengths(bones, drawn);
  out_.foot.side = side_;
  decide(std::move(bones), means);
  addFragments(out_, std::span(drawn).subspan(bent_.size()), means);
}

/// A renamed bone was fitted by the template of its former name.
std::size_t FootSegmenter::formerly(std::size_t n) const {
  const auto former = out_.edited.former.find(bent_[n].id);
  return former == out_.edited.former.end() ? n : static_cast<std::size_t>(std::max(0, foot().index(former->second)));
}

/// Each bone of the template; those that were not drawn stay empty.
std::vector<MeasuredBone> FootSegmenter::measured(const std::vector<Part>& parts,
                                                  const std::vector<std::optional<RefinedSurface>>& drawn) const {
  std::optional<NearestPoints> metal;
  if (Points found = metalPoints(out_.scan); !found.empty()) metal.emplace(std::move(found));
  const NearestPoints* near_metal = metal ? &*metal : nullptr;
  std::vector<MeasuredBone> bones(bent_.size());
  tbb::parallel_for(std::size_t{0}, bent_.size(), [&](std::size_t n) {
    if (!drawn[n] || drawn[n]->surface.empty()) return;
    const std::size_t was = formerly(n);
    auto& [bone, evidence] = bones[n];
    bone.surface = transformed(drawn[n]->surface, out_.scan.X_PL);
    bone.volume_mm3 = volume(bone.surface);
    bone.complete = !drawn[n]->cut;
    evidence = surfaceEvidence(out_.scan, *drawn[n], bent_[was].mesh, near_metal);
    if (parts[n].cortex)
      evidence.dense_inside_mm3 =
          denseInside(out_.scan, labelling_.labels, parts[n].label, drawn[n]->surface, near_metal);
    // Tarsal bones have processes that no template follows.
    if (!parts[n].metatarsal) evidence.stands_off_mm2 = 0;
    evidence.match = rigid_.bones[was].quality.score;
    evidence.touching = static_cast<double>(labelling_.touching[was]);
    evidence.volume_ratio = bone.volume_mm3 / (foot().bones[n].volume_mm3 * std::exp(3 * rigid_.tarsus.log_scale[0]));
  });
  return bones;
}

/// Of each metatarsal, with the others.
void FootSegmenter::compareLengths(std::vector<MeasuredBone>& bones,
                                   const std::vector<std::optional<RefinedSurface>>& drawn) const {
  PerRay<double> lengths, usual;
  for (std::size_t n = 0; n < bent_.size(); ++n)
    if (const auto ray = rayOf(bent_[n].id); ray && drawn[n] && bones[n].bone.complete) {
      lengths[*ray] = longestExtent(drawn[n]->surface);
      usual[*ray] = longestExtent(foot().bones[n].mesh);
    }
  const PerRay<double> ratios = lengthRatios(lengths, usual);
  for (std::size_t n = 0; n < bent_.size(); ++n)
    if (const auto ray = rayOf(bent_[n].id)) {
      const double* ratio = find(ratios, *ray);
      bones[n].evidence.length_ratio = ratio != nullptr ? *ratio : 1;
    }
}

/// How far each bone can be trusted, alone and together with the others.
void FootSegmenter::decide(std::vector<MeasuredBone> bones, const LabelMeans& means) {
  std::map<Bone, Verdict> verdicts;
  for (std::size_t n = 0; n < bent_.size(); ++n) {
    auto& [bone, evidence] = bones[n];
    if (bone.surface.empty()) continue;
    const Bone id = bent_[n].id;
    verdicts.emplace(id, verdictOn(evidence, isMidfootBone(id)));
    bone.evidence = evidence;
    bone.by_hand = out_.edited.by_hand.contains(id);
    bone.mean_hu = means[label(id)];
    out_.foot.bones.emplace(id, std::move(bone));
  }
  std::vector<Verdict*> midfoot;
  for (auto& [id, verdict] : verdicts)
    if (isMidfootBone(id)) midfoot.push_back(&verdict);
  out_.doubtful = judgeTogether(midfoot);
  for (auto& [id, bone] : out_.foot.bones) {
    bone.confidence = verdicts.at(id).confidence;
    bone.doubts = verdicts.at(id).doubts;
    const std::vector<Message>& texts = verdicts.at(id).texts;
    bone.doubt = texts.empty() ? Message() : Message("bones.doubts", {{"doubts", each(texts)}});
  }
}

}  // namespace

Result<FootResult> segmentFoot(const TemplatePair& templates, FootCluster cluster, const Progress& progress,
                               const Span& span, Stopwatch& watch) {
  return FootSegmenter(templates, std::move(cluster), progress, span, watch).segmented();
}

}  // namespace rayset::bones
