// Anatomical axes and landmarks of each bone, and the foot frame. Geometry of the surfaces only; no images.
#pragma once

#include "anatomy/bones.h"

namespace rayset {

/// Axis of a metatarsal and the landmarks along it.
struct MetatarsalAxis {
  Vec3 base_centre;  ///< centre of the proximal articular end, on the axis
  Vec3 head_centre;  ///< centre of a sphere fitted to the head
  Vec3 distal;       ///< unit, shaft axis pointing to the head (line through shaft cross-section centroids, 20-80 % of
                     ///< length)
  double length_mm;  ///< extent along `distal`; 0 for an empty surface
  Vec3 base_point;   ///< reference point of the contract: mean of surface points within 8 mm of the proximal end along
                     ///< the axis
};
/// A shaft that the field of view cuts short is told by its blunt end and its axis taken from what is left; without a
/// head `head_centre` is a point on the axis near the cut. Ours, measured on three real feet: 35 mm left of metatarsals
/// 1 to 4 keep the axis within 7 degrees. `toward_head_hint`: any direction roughly proximal to distal (e.g. from the
/// tarsus); decides which end is the base.
[[nodiscard]] MetatarsalAxis metatarsalAxis(const Surface& metatarsal, const Vec3& toward_head_hint);

/// The reference point of the contract alone, for a known axis direction: area-weighted mean of the surface within 8 mm
/// of the proximal end along `distal`. The proximal end is lowestHeight() of section.h, which single noisy vertices do
/// not move.
[[nodiscard]] Vec3 basePoint(const Surface& metatarsal, const Vec3& distal);

/// The articular face at the end of a bone that lies along `direction` (unit): a plane fitted robustly to the skin
/// there.
struct ArticularFace {
  Vec3 centre;  ///< area-weighted centre of the face, on the skin
  Vec3 normal;  ///< unit, outward
};
[[nodiscard]] ArticularFace articularFace(const Surface& bone, const Vec3& direction);

/// Coarse foot directions from the tarsus alone (C1, C2, C3, Cub, Nav, plus Tal and Cal where present): usable while
/// the metatarsals are displaced. Right for any orientation in the scanner; accurate to about 10 degrees.
[[nodiscard]] Frame coarseFootFrame(const BoneSurfaces& bones, Side side);

/// The foot frame of the plan: origin at the centre of C2's distal articular end; distal = axis of the reduced second
/// metatarsal; medial = from the reduced fifth to the first metatarsal head made perpendicular to distal; dorsal
/// completes it (right foot: distal x medial, left foot: medial x distal). `reduced` holds the metatarsals where they
/// belong; where a metatarsal is missing the coarse frame's direction is used.
[[nodiscard]] Frame footFrame(const BoneSurfaces& reduced, Side side);

/// The side as the anatomy has it: the sign of (distal x medial) . dorsal from Cal, Tal, cuneiforms and metatarsals.
/// nullopt when the bones present do not decide it.
[[nodiscard]] std::optional<Side> sideFromAnatomy(const BoneSurfaces& bones);

/// Distal articular end of a tarsal bone (or proximal end of a metatarsal): surface samples facing the neighbour.
/// Points of `bone` within `reach_mm` of `neighbour` whose normal faces it (cosine > 0.3); empty if none.
[[nodiscard]] std::vector<OrientedPoint> facingPatch(const Surface& bone, const Surface& neighbour, double reach_mm,
                                                     std::size_t samples = 6000);

}  // namespace rayset
