#include "xray/simulate.h"

#include <algorithm>

#include "xray/attenuation.h"

namespace rayset {

namespace {

/// Where metal stands there is no bone: cancellous bone of about 300 HU, in which most of a screw lies.
constexpr double kReplacedHu = 300;

Rigid poseOf(const std::map<std::string, Rigid>& poses, const std::string& id) {
  const auto it = poses.find(id);
  return it == poses.end() ? Rigid::Identity() : it->second;
}

}  // namespace

FootProjector::FootProjector(const FootBodies& bodies) {
  const auto add = [&](const std::string& id, const std::string& pose, const CtVolume& volume) {
    if (volume.voxels.empty()) return;
    bodies_.push_back({id, pose, std::make_shared<const ProjectionVolume>(volume.grid, volume.voxels)});
  };
  add("soft", "", bodies.soft);
  for (const Body& b : bodies.bones) add(b.id, poseId(b.id), b.added);
}

std::vector<float> FootProjector::lineIntegrals(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                                                std::span<const MetalSolid> metal) const {
  std::vector<float> out(static_cast<std::size_t>(view.columns) * static_cast<std::size_t>(view.rows), 0.0F);
  for (const Prepared& b : bodies_)
    addLineIntegrals(*b.volume, view.moved(poseOf(poses, b.pose).inverse()), static_cast<float>(kAttenuationPerUnit),
                     out);
  addMetal(metal, view, static_cast<float>(kSteel316L.perMm() - attenuationOfHu(kReplacedHu)), out);
  for (float& v : out) v = std::max(v, 0.0F);  // fat is thinner than muscle: never less than nothing
  return out;
}

PixelBox FootProjector::shadow(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                               bool midfoot) const {
  PixelBox box;
  for (const Prepared& b : bodies_) {
    if (b.pose.empty()) continue;
    const auto bone = boneFromId(b.id.substr(0, b.id.find('.')));
    const bool of_midfoot =
        bone && (rayOf(*bone) || *bone == Bone::kC1 || *bone == Bone::kC2 || *bone == Bone::kC3 || *bone == Bone::kCub);
    if (midfoot && !of_midfoot) continue;
    box = united(box, rayset::shadow(b.volume->grid(), view.moved(poseOf(poses, b.pose).inverse())));
  }
  return box;
}

}  // namespace rayset
