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
void addBoneCautions(const FootResult& found, const std::string& which, std::vector<std::string>& cautions) {
  const SegmentedFoot& foot = found.foot;
  for (const Bone b : kMidfootBones)
    if (!foot.bones.contains(b) && !found.edited.removed.contains(b))
      cautions.push_back(fmt::format("The {}{} was not found.", boneName(b), which));
  if (found.doubtful)
    cautions.push_back(fmt::format(
        "Most bones{} fit the shape of a foot poorly: names may be wrong. Look at the images first.", which));
  std::string pale;
  for (const auto& [id, bone] : foot.bones) {
    if (!isMidfootBone(id) || bone.doubts.empty()) continue;
    if (bone.doubts == std::vector{Doubt::kLowDensity})
      pale += (pale.empty() ? "" : ", ") + std::string(boneId(id));
    else
      cautions.push_back(fmt::format("The {} ({}){} needs a look: {}.", boneName(id), boneId(id), which, bone.doubt));
  }
  if (!pale.empty())
    cautions.push_back(fmt::format(
        "Little stands out from soft tissue, for low bone density or much noise: {}{}. Screws may hold less well.",
        pale, which));
}

void addBreakCautions(const FootResult& found, const std::string& which, std::vector<std::string>& cautions) {
  for (const auto& [id, piece] : found.foot.fragments)
    cautions.push_back(fmt::format("The base of the second metatarsal{} is broken: {} is a piece of {:.0f} mm3{}.",
                                   which, id, piece.volume_mm3, piece.doubt.empty() ? "" : " (" + piece.doubt + ")"));
  for (const FoundFragment& f : found.pieces.doubtful)
    cautions.push_back(
        fmt::format("The base of the second metatarsal{} may be broken: a piece of about {:.0f} mm3 is parted from it "
                    "along {:.0f} % of its border. It is treated as one with its bone; look at the images.",
                    which, f.volume_mm3, 100 * (1 - f.rim_bright)));
  for (const Fleck& f : found.foot.flecks)
    cautions.push_back(fmt::format(
        "A fleck of bone of about {:.0f} mm3 lies between the medial cuneiform and the second metatarsal{}, at "
        "({:.0f}, {:.0f}, {:.0f}): a sign that the ligament between them has torn off bone.",
        f.volume_mm3, which, f.centre.x(), f.centre.y(), f.centre.z()));
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
  for (std::size_t c = 0; c < clusters.size(); ++c) {
    FootCluster cluster = clusterOf(ct, overview, clusters, c);
    if (settings.side && clusters.size() == 1) cluster.sides = {*settings.side};
    cluster.edits = edits;
    watch.lap("crop and smooth");
    const double n = static_cast<double>(clusters.size());
    auto foot = segmentFoot(templates, std::move(cluster), progress,
                            {static_cast<double>(c) / n, static_cast<double>(c + 1) / n}, watch);
    if (!foot && foot.error().fault != Fault::kImages) return tl::unexpected(foot.error());
    if (progress.cancelled()) return cancelledError();
    if (!foot) {
      reasons.push_back(
          fmt::format("a cluster of {:.0f} ml of bone: {}", clusters[c].bone_mm3 / 1000, foot.error().what));
      continue;
    }
    labelVoxels(*foot, out.feet.size(), out.labels);
    watch.lap("labels on the CT grid");
    out.edited.insert(out.edited.end(), foot->edited.applied.begin(), foot->edited.applied.end());
    const std::string which = clusters.size() > 1 ? fmt::format(" of the {} foot", sideWord(foot->foot.side)) : "";
    addBoneCautions(*foot, which, out.cautions);
    addBreakCautions(*foot, which, out.cautions);
    out.feet.push_back(std::move(foot->foot));
  }
  if (edits != nullptr && edits->side && !out.feet.empty() &&
      std::none_of(out.feet.begin(), out.feet.end(), [&](const SegmentedFoot& f) { return f.side == *edits->side; }))
    return fail(Fault::kRequest,
                fmt::format("the edits are for the {} foot, which is not in the images", sideWord(*edits->side)),
                edits->file.empty() ? "side" : edits->file + ", side", "Check the side and the images.");
  if (out.feet.empty())
    return fail(Fault::kImages, fmt::format("no foot was found: {}", fmt::join(reasons, "; ")), "CT volume",
                "give a CT series in which at least the midfoot can be seen");
  for (const auto& r : reasons) out.cautions.push_back("Left out: " + r + ".");
  if (out.feet.size() == 2 && out.feet[0].side == out.feet[1].side)
    out.cautions.push_back("Both feet look like the same side: check the sides.");
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
