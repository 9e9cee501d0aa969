// Which points of a bone face another, and how wide the gap between them should be. Internal to the reduction.
#pragma once

#include <optional>
#include <vector>

#include "reduction/solver.h"

namespace rayset::reduction {

inline constexpr double kBaseRegionMm = 24;  ///< how far along the shaft neighbours are felt

/// The least coordinate of a bone along `axis`: of a metatarsal, where its base ends.
[[nodiscard]] double proximalEnd(const Surface& bone, const Vec3& axis);

/// Points of `body` whose normal looks the way the joint with `onto` lies. Which points really face the other bone is
/// left to the docking: those beyond its rim are out of reach of the loss and pull little.
/// `toward`: direction from body to onto, patient frame. `along`: axis of the metatarsal where body is one, else of the
/// ray.
[[nodiscard]] std::vector<DockPoint> ownFacePoints(const Patient& patient, Bone body, const Vec3& toward,
                                                   const Vec3& along, const Tuning& tuning);
/// The points of `body` that face `onto` where both stand now, by the patient's own surfaces; `gap` is aimed at.
/// `distal`: axis of the metatarsal where body is one.
[[nodiscard]] std::vector<DockPoint> facingPoints(const Patient& patient, Bone body, Bone onto, const Rigid& X_body,
                                                  const Rigid& X_onto, const Vec3* distal, const Tuning& tuning,
                                                  double gap);
/// Points of `body` (patient frame, as scanned) that the atlas says face `onto`, with the gap the atlas has there.
[[nodiscard]] std::vector<DockPoint> facePoints(const Patient& patient, const Atlas& atlas, Bone body, Bone onto,
                                                const Vec3* distal, const Tuning& tuning);
/// What is usual of the gap that `points` (scan frame of their body, which stands at `X`) look across, in the joint of
/// `metatarsal` with `other`; `gap`: as wide as it is likely to be. Each side of a joint has a plane of its own, so
/// each is held half as firmly.
[[nodiscard]] std::optional<GapPlane> gapPlane(const std::vector<DockPoint>& points, const Rigid& X, const Frame& frame,
                                               Bone metatarsal, Bone other, double gap, const JointNorms& norms,
                                               const Tuning& tuning);

}  // namespace rayset::reduction
