// Straight paths from one bone into another across a gap, judged on signed distance fields. Internal to the fixation
// stage.
//
// The bone a path starts in ("first") and the one it ends in ("last") are joined to one solid by closing their union:
// everything within a few millimetres of either is taken, then the same amount is peeled off from outside. What that
// adds counts as inside only between the two joint (or fracture) faces; the cortex beside them remains the bone's own,
// since a closing alone would also fill grooves in the bones. The outer cortex thus stays where it was, and the
// distance field of the solid gives the margin of a device to the outer cortex anywhere along it. A cylinder of radius
// r about the axis point p stays inside when -outer(p) >= r; -outer(p) - r is a lower bound of its margin there, and
// equal to it on flat cortex. Sampling the axis at step h misses at most h / 2, because distance changes by no more
// than one per millimetre.
//
// The distance between the faces varies from joint to joint (published medians of 1.4 to 3.1 mm in real feet, more in
// the fifth joint), so which triangles make up a face, and how wide a gap is bridged, are derived from the joint
// itself.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "geometry/distance_field.h"
#include "geometry/ray_caster.h"
#include "geometry/surface.h"

namespace rayset::path {

/// Of single bones: trilinear distance to a cortex of radius 3 mm is off by 0.03 mm.
inline constexpr double kVoxelMm = 0.6;
inline constexpr double kOuterVoxelMm = 0.8;  ///< of the closed union: likewise; on ridges it errs on the safe side
inline constexpr double kBandMm = 4.5;        ///< of single bones: room for a sleeve beside the path
inline constexpr double kOuterBandMm = 4.5;   ///< depth below the outer cortex that is resolved

/// One bone as a set of parts (main part and fragments).
struct Part {
  const Surface* surface = nullptr;
  const DistanceField* field = nullptr;
};
struct Solid {
  std::vector<Part> parts;
  [[nodiscard]] double distance(const Vec3& p) const;
  [[nodiscard]] Vec3 gradient(const Vec3& p) const;
};

/// The part of a bone's surface that faces another: triangles whose centre lies within `reach` of it and whose normal
/// points at it.
struct Face {
  double area_mm2 = 0;
  Vec3 centre = Vec3::Zero();  ///< area-weighted
  Vec3 normal = Vec3::Zero();  ///< unit, out of the bone
  std::vector<OrientedPoint> points;
  [[nodiscard]] bool empty() const { return area_mm2 <= 0; }
};
[[nodiscard]] Face facingFace(const Solid& bone, const Solid& other, double reach_mm);
/// How far apart a joint's faces are where they are close: the lower quartile, by area, of the distance to `other` over
/// the part of `bone` that faces it within kWidestMm. nullopt if nothing does.
[[nodiscard]] std::optional<double> closeGap(const Solid& bone, const Solid& other);
/// Faces farther apart do not form a joint; just inside the band of single bones.
inline constexpr double kWidestMm = 4.4;

/// Everything paths from `first` to `last` are judged against.
struct Space {
  Solid first, last;
  DistanceField outer;  ///< as above; exact (conservative) near `last` and within `reach` of the faces
  double closing = 2;   ///< what was added and peeled off, mm: half the widest gap that is bridged
  std::unique_ptr<RayCaster> first_mesh, last_mesh;
  Face first_face, last_face;
  Vec3 face_centre = Vec3::Zero();  ///< middle of the two faces' centres
  Vec3 face_normal = Vec3::Zero();  ///< unit, from first to last
  struct Obstacle {
    std::string id;
    const DistanceField* field;
    const Surface* surface;
    double error_mm = 0;  ///< it is treated as that much larger
  };
  std::vector<Obstacle> obstacles;  ///< other bones
  [[nodiscard]] double obstacleDistance(const Vec3& p) const;
};

/// `reach_mm`: how far from the faces the first bone is represented in `outer` (bounds the entry points). nullopt if
/// the bones do not face each other.
[[nodiscard]] std::optional<Space> makeSpace(Solid first, Solid last, std::vector<Space::Obstacle> obstacles,
                                             double reach_mm);

/// What a path of a given radius meets. Distances along the axis from the entry, mm.
struct Reading {
  bool crosses = false;  ///< first bone, gap, last bone, in this order and nothing else
  double leave = 0;      ///< out of the first bone
  double enter = 0;      ///< into the last bone
  double usable = 0;     ///< deepest flat shaft end that keeps `end_clearance` from the outer cortex
  double other = 0;      ///< least clearance of the side to any other bone, entry to usable
  double outside = 0;    ///< least clearance of the tool's corridor to any bone, outside
  double margin = 0;     ///< as DeviceChecks::cortex_margin_mm at full usable depth
  /// Longest stretch over which a line along the side comes out again in the entry zone; not computed in a coarse
  /// search (steps above 0.5).
  double grazes = 0;
  /// Of the whole cross-section below the cortex, at the point where flat cortex would leave the wanted margin.
  double entry_room = 0;
  double surface_angle = 0;  ///< rad, device to cortex
  Vec3 crossing = Vec3::Zero();
  Vec3 normal = Vec3::Zero();  ///< outward, entry cortex, smoothed over about 3 mm
};
struct Tool {
  double radius = 0;    ///< of the device
  double corridor = 0;  ///< radius of what holds and drives it outside
  double end_clearance = 0.5;
  double wanted_margin = 0.8;
  double longest = 60;
};
/// How far along the axis the side of a cylinder gets `depth_mm` below flat cortex; limited to 2 to 10 mm.
[[nodiscard]] double entryZone(double radius, double depth_mm, double surface_angle);
/// Margins are measured from where flat cortex would leave this much more than wanted: nearer the entry the value would
/// reflect the angle, not the room.
inline constexpr double kRampMm = 1;
/// Outward cortex normal at a surface point, smoothed.
[[nodiscard]] Vec3 cortexNormal(const Space& space, const Vec3& entry);
/// `entry` on the first bone's surface (within a few tenths), `direction` unit. `step`: 1 for a coarse search, 0.25 for
/// precision.
[[nodiscard]] Reading read(const Space& space, const Vec3& entry, const Vec3& direction, const Tool& tool, double step);
/// The longest stretch before `to` over which any of twelve lines along the side is outside the first bone again after
/// having been inside: rough cortex or a crest.
[[nodiscard]] double grazing(const Space& space, const Vec3& entry, const Vec3& direction, double radius, double to);
/// Whether the whole disc of `radius` across the axis at `t` lies at least `clearance` below the outer cortex
/// (positive: by how much more). As exact as the field, on 12 points of the rim, or on the ball of that radius if that
/// already fits.
[[nodiscard]] double discRoom(const Space& space, const Vec3& entry, const Vec3& direction, double radius,
                              double clearance, double t);
/// Minimum of -outer - radius over [from, to].
[[nodiscard]] double marginOver(const Space& space, const Vec3& entry, const Vec3& direction, double radius,
                                double from, double to, double step);
/// The exact point where the axis enters the first bone's mesh, nearest to `near` along the axis; nullopt if it misses.
[[nodiscard]] std::optional<Vec3> exactEntry(const Space& space, const Vec3& near, const Vec3& direction);

struct Segment {
  Vec3 a, b;
};
/// Distance between two segments (closed form).
[[nodiscard]] double segmentDistance(const Segment& s, const Segment& t);

}  // namespace rayset::path
