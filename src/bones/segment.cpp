#include "bones/segment.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <cmath>

#include "anatomy/labels.h"
#include "bones/one_foot.h"
#include "geometry/side.h"
#include "image/voxelise.h"

namespace rayset {

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

/// Feet among the clusters of bone: each a big cluster with the small pieces near it (toes, sesamoids).
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

/// One of the clusters, without the bone of the others; it may be of either side.
FootCluster clusterOf(const CtVolume& ct, const Overview& overview, const std::vector<Cluster>& clusters,
                      std::size_t c) {
  std::vector<std::int32_t> others;
  for (const Cluster& o : clusters)
    if (o.component != clusters[c].component) others.push_back(o.component);
  FootCluster out;
  out.scan = cutOut(ct, overview, clusters[c], others);
  out.pixel_mm = std::max(ct.grid.spacing.x(), ct.grid.spacing.y());
  out.slice_mm = ct.grid.spacing.z();
  out.sides = {Side::kRight, Side::kLeft};
  return out;
}

/// On the CT's own grid: the voxels inside the final surfaces.
void labelVoxels(const FootResult& foot, std::size_t before, LabelVolume& labels) {
  for (const auto& [id, bone] : foot.foot.bones) fillInside(labels, bone.surface, labelInScan(label(id), before));
  for (const auto& [id, piece] : foot.foot.fragments)
    fillInside(labels, piece.surface, labelInScan(fragmentLabel(id), before));
}

/// `which`: " of the right foot" if there are two.
void addBoneCautions(const FootResult& found, const Message& which, std::vector<Message>& cautions) {
  const SegmentedFoot& foot = found.foot;
  for (const Bone b : kMidfootBones)
    if (!foot.bones.contains(b) && !found.edited.removed.contains(b))
      cautions.push_back(Message("bones.not_found_3", {{"bone", nameOf(b)}, {"which", which}}));
  if (found.doubtful) cautions.push_back(Message("bones.most_bones_fit_shape_foot_poorly", {{"which", which}}));
  std::vector<std::string> pale;
  for (const auto& [id, bone] : foot.bones) {
    if (!isMidfootBone(id) || bone.doubts.empty()) continue;
    if (bone.doubts == std::vector{Doubt::kLowDensity})
      pale.emplace_back(boneId(id));
    else
      cautions.push_back(Message(
          "bones.needs_look", {{"bone", nameOf(id)}, {"bone_2", boneId(id)}, {"which", which}, {"doubt", bone.doubt}}));
  }
  if (!pale.empty())
    cautions.push_back(Message("bones.little_stands_out_soft_tissue_low", {{"pale", all(pale)}, {"which", which}}));
}

void addBreakCautions(const FootResult& found, const Message& which, std::vector<Message>& cautions) {
  for (const auto& [id, piece] : found.foot.fragments)
    cautions.push_back(
        Message("bones.base_second_metatarsal_broken_piece",
                {{"which", which},
                 {"id", id},
                 {"volume", Quantity{piece.volume_mm3, Unit::kMm3, 0}},
                 {"doubt", piece.doubt.empty() ? Message() : Message("bones.in_brackets", {{"doubt", piece.doubt}})}}));
  for (const FoundFragment& f : found.pieces.doubtful)
    cautions.push_back(
        Message("bones.base_second_metatarsal_may_broken_piece", {{"which", which},
                                                                  {"volume", Quantity{f.volume_mm3, Unit::kMm3, 0}},
                                                                  {"rim_bright", percent(100 * (1 - f.rim_bright))}}));
  for (const Fleck& f : found.foot.flecks)
    cautions.push_back(
        Message("bones.fleck_bone_about_3_lies_between", {{"volume", Quantity{f.volume_mm3, Unit::kMm3, 0}},
                                                          {"which", which},
                                                          {"x", number(f.centre.x(), 0)},
                                                          {"y", number(f.centre.y(), 0)},
                                                          {"z", number(f.centre.z(), 0)}}));
}

}  // namespace

Result<BonesResult> segmentWith(const TemplatePair& templates, const CtVolume& ct, const BonesSettings& settings,
                                const Progress& progress, StepTimes* times) {
  Stopwatch watch(times);
  if (ct.grid.size.minCoeff() < 8)
    return fail(Fault::kImages,
                Message("bones.volume_has_only_voxels",
                        {{"x", ct.grid.size.x()}, {"y", ct.grid.size.y()}, {"z", ct.grid.size.z()}}),
                "CT volume", Message("bones.give_ct_series_covers_foot"));
  const Overview overview = surveyScan(ct);
  watch.lap("survey");
  progress("bones", 0.02);
  if (progress.cancelled()) return cancelledError();
  const auto clusters = feetIn(overview, ct.grid);
  if (clusters.empty())
    return fail(Fault::kImages,
                overview.bone_mm3 < 100 ? Message("bones.no_bone_found_nothing_larger_few",
                                                  {{"bone", Quantity{overview.levels.bone, Unit::kHu, 0}},
                                                   {"soft", Quantity{overview.levels.soft, Unit::kHu, 0}}})
                                        : Message("bones.only_bone_found_too_little_foot",
                                                  {{"bone", Quantity{overview.bone_mm3 / 1000, Unit::kMl, 1}}}),
                "CT volume", Message("bones.give_ct_series_covers_midfoot_hounsfield"));
  const Edits* edits = settings.edits != nullptr && settings.edits->editsBones() ? settings.edits : nullptr;
  if (edits != nullptr) {
    if (Status s = checkEdits(*edits, ct.grid); !s) return tl::unexpected(s.error());
    if (clusters.size() > 1 && !edits->side)
      return fail(Fault::kRequest, "bones.two_feet_scan_edits_do_not",
                  edits->file.empty() ? "side" : edits->file + ", side", "Add \"side\": \"right\" or \"left\".");
  }
  BonesResult out;
  out.labels = LabelVolume(ct.grid, 0);
  std::vector<Message> reasons;
  for (std::size_t c = 0; c < clusters.size(); ++c) {
    FootCluster cluster = clusterOf(ct, overview, clusters, c);
    if (settings.side && clusters.size() == 1) cluster.sides = {*settings.side};
    cluster.edits = edits;
    // verbatim: where, in an internal error
    watch.lap("crop and smooth");
    const double n = static_cast<double>(clusters.size());
    auto foot = segmentFoot(templates, std::move(cluster), progress,
                            {static_cast<double>(c) / n, static_cast<double>(c + 1) / n}, watch);
    if (!foot && foot.error().fault != Fault::kImages) return tl::unexpected(foot.error());
    if (progress.cancelled()) return cancelledError();
    if (!foot) {
      reasons.push_back(Message("bones.cluster_bone", {{"bone", Quantity{clusters[c].bone_mm3 / 1000, Unit::kMl, 0}},
                                                       {"what", foot.error().what}}));
      continue;
    }
    labelVoxels(*foot, out.feet.size(), out.labels);
    // verbatim: where, in an internal error
    watch.lap("labels on the CT grid");
    out.edited.insert(out.edited.end(), foot->edited.applied.begin(), foot->edited.applied.end());
    const Message which = clusters.size() > 1 ? Message("bones.foot", {{"side", nameOf(foot->foot.side)}}) : Message();
    addBoneCautions(*foot, which, out.cautions);
    addBreakCautions(*foot, which, out.cautions);
    out.feet.push_back(std::move(foot->foot));
  }
  if (edits != nullptr && edits->side && !out.feet.empty() &&
      std::none_of(out.feet.begin(), out.feet.end(), [&](const SegmentedFoot& f) { return f.side == *edits->side; }))
    return fail(Fault::kRequest, Message("bones.edits_foot_not_images", {{"side", nameOf(*edits->side)}}),
                edits->file.empty() ? "side" : edits->file + ", side", Message("bones.check_side_images"));
  if (out.feet.empty())
    return fail(Fault::kImages, Message("bones.no_foot_found", {{"reasons", each(reasons)}}), "CT volume",
                Message("bones.give_ct_series_least_midfoot_can"));
  for (const auto& r : reasons) out.cautions.push_back(Message("bones.left_out", {{"r", r}}));
  if (out.feet.size() == 2 && out.feet[0].side == out.feet[1].side)
    out.cautions.push_back(Message("bones.both_feet_look_like_same_side"));
  progress("bones", 1.0);
  return out;
}

}  // namespace bones

Result<BonesResult> TemplateSegmenter::segment(const CtVolume& ct, const BonesSettings& settings,
                                               const Progress& progress) const {
  return bones::segmentWith(bones::meanTemplates(), ct, settings, progress);
}

Result<BonesResult> segmentBones(const CtVolume& ct, const BonesSettings& settings, const Progress& progress) {
  return TemplateSegmenter().segment(ct, settings, progress);
}

}  // namespace rayset
