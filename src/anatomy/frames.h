// Anatomical axes and landmarks of each bone, and the foot frame, from the surfaces alone.
#pragma once

#include "anatomy/bones.h"

namespace rayset {

/// Axis of a metatarsal and the landmarks along it.
struct MetatarsalAxis {
  Vec3 base_centre;  ///< centre of the proximal articular end, on the axis
  Vec3 head_centre;  ///< centre of a sphere fitted to the head
  Vec3 distal;       ///< unit, shaft axis towards the head (line through cross-section centroids, 20-80 % of length)
  double length_mm;  ///< extent along `distal`; 0 for an empty surface
  Vec3 base_point;   ///< reference point of the plan contract: basePoint() along `distal`
};
/// A shaft cut short by the field of view is recognised by its blunt end, and its axis is taken from what is left;
/// without a head, `head_centre` is a point on the axis near the cut. With 35 mm of metatarsals 1 to 4 left, the axis
/// stays within 7 degrees (ours, measured on three real feet). `toward_head_hint`: any direction roughly proximal to
/// distal (e.g. from the tarsus); decides which end is the base.
[[nodiscard]] MetatarsalAxis metatarsalAxis(const Surface& metatarsal, const Vec3& toward_head_hint);

/// The reference point alone, for a known axis direction: area-weighted mean of the surface within 8 mm of the proximal
/// end along `distal`. The proximal end is lowestHeight() of section.h, which is robust against single noisy vertices.
[[nodiscard]] Vec3 basePoint(const Surface& metatarsal, const Vec3& distal);

/// The articular face at the end of a bone along `direction` (unit): a plane fitted robustly to the surface there.
struct ArticularFace {
  Vec3 centre;  ///< area-weighted centre of the face, on the surface
  Vec3 normal;  ///< unit, outward
};
[[nodiscard]] ArticularFace articularFace(const Surface& bone, const Vec3& direction);

/// Coarse foot directions from the tarsus alone (C1, C2, C3, Cub, Nav, plus Tal and Cal where present), usable while
/// the metatarsals are displaced. Works for any orientation in the scanner; accurate to about 10 degrees.
[[nodiscard]] Frame coarseFootFrame(const BoneSurfaces& bones, Side side);

/// The foot frame of the plan: origin at the centre of C2's distal articular end; distal = axis of the reduced second
/// metatarsal; medial = from the reduced fifth to the first metatarsal head made perpendicular to distal; dorsal
/// completes it (right foot: distal x medial, left foot: medial x distal). `reduced` holds the metatarsals where they
/// belong; if a metatarsal is missing, the coarse frame's direction is used.
[[nodiscard]] Frame footFrame(const BoneSurfaces& reduced, Side side);

/// The side from the anatomy: the sign of (distal x medial) . dorsal from Cal, Tal, cuneiforms and metatarsals. nullopt
/// if the bones present do not decide it.
[[nodiscard]] std::optional<Side> sideFromAnatomy(const BoneSurfaces& bones);

/// Distal articular end of a tarsal bone (or proximal end of a metatarsal): surface samples facing the neighbour.
/// Points of `bone` within `reach_mm` of `neighbour` whose normal faces it (cosine > 0.3); empty if none.
[[nodiscard]] std::vector<OrientedPoint> facingPatch(const Surface& bone, const Surface& neighbour, double reach_mm,
                                                     std::size_t samples = 6000);

}  // namespace rayset
