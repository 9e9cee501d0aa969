#include "xray/simulate.h"

#include <tbb/task_arena.h>

#include <algorithm>
#include <deque>
#include <mutex>
#include <utility>

#include "anatomy/part_id.h"
#include "xray/attenuation.h"

namespace rayset {

namespace {

/// Metal replaces bone: cancellous bone of about 300 HU, in which most of a screw lies.
constexpr double kReplacedHu = 300;

}  // namespace

/// The latest first.
struct FootProjector::Carried {
  std::mutex mutex;
  std::deque<std::pair<std::map<std::string, Rigid>, std::shared_ptr<const ProjectionVolume>>> kept;
};

FootProjector::FootProjector(const FootBodies& bodies) : soft_(bodies), carried_(std::make_shared<Carried>()) {
  for (const Body& b : bodies.bones)
    if (!b.added.voxels.empty())
      bodies_.push_back({b.id, poseId(b.id), std::make_shared<const ProjectionVolume>(b.added.grid, b.added.voxels)});
}

std::shared_ptr<const ProjectionVolume> FootProjector::softAt(const std::map<std::string, Rigid>& poses) const {
  constexpr std::size_t kKept = 2;  // injured and reduced
  const std::scoped_lock lock(carried_->mutex);
  const auto same = [&](const auto& kept) {
    return std::ranges::equal(kept.first, poses, [](const auto& a, const auto& b) {
      return a.first == b.first && a.second.matrix() == b.second.matrix();
    });
  };
  if (const auto it = std::ranges::find_if(carried_->kept, same); it != carried_->kept.end()) return it->second;
  // Isolated: a thread that waits for its own tasks must not take up another film, which would wait for this lock.
  std::shared_ptr<const ProjectionVolume> made;
  tbb::this_task_arena::isolate([&] {
    const CtVolume soft = soft_.carried(poses);
    if (!soft.voxels.empty()) made = std::make_shared<const ProjectionVolume>(soft.grid, soft.voxels);
  });
  carried_->kept.emplace_front(poses, std::move(made));
  if (carried_->kept.size() > kKept) carried_->kept.pop_back();
  return carried_->kept.front().second;
}

std::vector<float> FootProjector::lineIntegrals(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                                                std::span<const MetalSolid> metal) const {
  std::vector<float> out(static_cast<std::size_t>(view.columns) * static_cast<std::size_t>(view.rows), 0.0F);
  if (const auto soft = softAt(poses)) addLineIntegrals(*soft, view, static_cast<float>(kAttenuationPerUnit), out);
  for (const Prepared& b : bodies_)
    addLineIntegrals(*b.volume, view.moved(poseOf(poses, b.pose).inverse()), static_cast<float>(kAttenuationPerUnit),
                     out);
  addMetal(metal, view, static_cast<float>(kSteel316L.perMm() - attenuationOfHu(kReplacedHu)), out);
  for (float& v : out) v = std::max(v, 0.0F);  // fat attenuates less than muscle: never negative
  return out;
}

PixelBox FootProjector::shadow(const ProjectionView& view, const std::map<std::string, Rigid>& poses,
                               bool midfoot) const {
  PixelBox box;
  for (const Prepared& b : bodies_) {
    const auto bone = boneFromId(parentId(b.id));
    const bool of_midfoot =
        bone && (rayOf(*bone) || *bone == Bone::kC1 || *bone == Bone::kC2 || *bone == Bone::kC3 || *bone == Bone::kCub);
    if (midfoot && !of_midfoot) continue;
    box = united(box, rayset::shadow(b.volume->grid(), view.moved(poseOf(poses, b.pose).inverse())));
  }
  return box;
}

}  // namespace rayset
