// Finds which points of a bone face another, and how wide the gap between them should be. Internal to the reduction.
#pragma once

#include <optional>
#include <vector>

#include "reduction/solver.h"

namespace rayset::reduction {

inline constexpr double kBaseRegionMm = 24;  ///< how far along the shaft neighbours matter

/// The smallest coordinate of a bone along `axis`: for a metatarsal, the end of its base.
[[nodiscard]] double proximalEnd(const Surface& bone, const Vec3& axis);

/// Points of `body` whose normal points towards the joint with `onto`. The docking decides which points really face the
/// other bone: those beyond its rim are out of reach of the loss and pull little. `toward`: direction from body to
/// onto, patient frame. `along`: axis of the metatarsal if `body` is one, else of the ray.
[[nodiscard]] std::vector<DockPoint> ownFacePoints(const Patient& patient, Bone body, const Vec3& toward,
                                                   const Vec3& along, const Tuning& tuning);
/// The points of `body` that face `onto` in their current poses, according to the patient's own surfaces; `gap` is the
/// target. `distal`: axis of the metatarsal if `body` is one.
[[nodiscard]] std::vector<DockPoint> facingPoints(const Patient& patient, Bone body, Bone onto, const Rigid& X_body,
                                                  const Rigid& X_onto, const Vec3* distal, const Tuning& tuning,
                                                  double gap);
/// Points of `body` (patient frame, as scanned) that face `onto` according to the atlas, with the atlas's gap there.
[[nodiscard]] std::vector<DockPoint> facePoints(const Patient& patient, const Atlas& atlas, Bone body, Bone onto,
                                                const Vec3* distal, const Tuning& tuning);
/// Prior of the gap that `points` (scan frame of their body, whose pose is `X`) face across, in the joint of
/// `metatarsal` with `other`; `gap`: its likely width. Each side of a joint has its own plane, so each prior gets half
/// the weight.
[[nodiscard]] std::optional<GapPlane> gapPlane(const std::vector<DockPoint>& points, const Rigid& X, const Frame& frame,
                                               Bone metatarsal, Bone other, double gap, const JointNorms& norms,
                                               const Tuning& tuning);

}  // namespace rayset::reduction
