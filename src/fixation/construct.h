// The default construct: a screw for each ray, temporary wires that hold the reduction until then, and all checks.
//
// What is planned (common practice without a source unless one is named):
//   ray 1   3.5 mm cortex positioning screw from the dorsal first base across TMT1 along the medial cuneiform
//   ray 2/3 the same from the dorsal base, shallow, into the intermediate / lateral cuneiform; one screw per joint:
//           two of 4.0 mm across TMT2 broke the joint surface in 4 of 10 feet (anatomic study)
//   ray 4   along its shaft into the cuboid;  ray 5  from its base, obliquely to its shaft, into the cuboid
//   each a temporary 1.6 mm threaded-tip wire across the same joint that can stay in while the screw is inserted
//   base fragments: two 1.0 mm wires between the fragment and its bone, from whichever of the two can be reached from
//   above `lateral_wires`: rays 4 and 5 get one 1.6 mm smooth wire each, which stays, and nothing else
//
// Length. |tip - entry| == length_mm, always. `entry` is where the device's axis meets the outer cortex. Screws are
// countersunk until the top of the head is level with the cortex on the axis, so the overall length (top of head to
// tip, as cortex screws are sold) runs from `entry` to `tip`, and `countersink_mm`, the depth of the pocket along the
// axis, is the height of the head. The hole is drilled from there until the thread would come closer than
// ConstructSettings::end_clearance_mm to the far cortex; a depth gauge hooked in that hole and held against the rim of
// the pocket reads `measured_depth_mm`. The screw is the longest in the catalogue that does not exceed that reading. It
// is rounded down because a screw that is too long leaves the bone (here: enters the next joint), whereas one 2 mm
// short only loses 2 mm of thread. Wires are driven to whole millimetres, rounded down, and their length_mm is the part
// inside the bone; the part outside is drawn its stub long.
//
// If no screw has a safe path across TMT4 or TMT5, a definitive 1.6 mm smooth wire is planned instead, with a caution.
// For rays 1 to 3 the program has no other implant; the caution names the usual alternative (a bridging plate).
//
// Search. For each device, entry points all over the allowed cortex are paired with crossing points all over the
// joint's facing patch; each pair is a line, judged on signed distance fields (see path.h). The best lines that differ
// enough from each other go into a beam search over all devices together (pairwise distances); then each device is
// refined with the others held fixed (Nelder and Mead), for two rounds. The weights are design choices, in
// path_cost.cpp. Deterministic, whatever the number of threads.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/message.h"
#include "base/progress.h"
#include "base/result.h"
#include "fixation/catalogue.h"
#include "fixation/device_kind.h"
#include "image/volume.h"

namespace rayset {

/// Measured on the final path against the given surfaces, all in closed form or in 0.1 mm steps. "The bones named" are
/// Device::through; fragments count as part of the bone they came from.
struct DeviceChecks {
  /// Share of the stretch from the end of the entry zone to the tip over which the whole round cross-section lies
  /// inside the bones named. The joint gap counts as inside where it lies between the two faces (within the closing of
  /// the two bones by 2 mm). A cylinder has to break the cortex it enters, so there is an entry zone of (radius +
  /// wanted margin) / sin(angle to surface), limited to 2 to 10 mm; at its end, on flat cortex, the side is the wanted
  /// margin deep. 1 if the path is right.
  double inside_fraction = 0;
  /// Least distance from the device's side to the outer cortex of the bones named (joint faces are not outer cortex), a
  /// lower bound, exact on flat cortex. Measured from (radius + wanted margin + 1 mm) / sin(angle to surface), limited
  /// to 2 to 10 mm, past the entry (any nearer and it would reflect the angle, not the room) to one diameter short of
  /// the tip. Depth is resolved up to 4.5 mm below the cortex: anything above 4.5 mm - radius reads as that. Negative
  /// if the side protrudes from the bone, by that much.
  double cortex_margin_mm = 0;
  /// Surface to surface, to the nearest other device of either stage (wires are still in while screws go in): bodies
  /// from entry to tip, and the heads. 1000 if there is no other.
  double nearest_device_mm = 1000;
  /// Area of the ellipse the device cuts from the joint face, as a percentage of that face; the worse of the two faces.
  /// 0 for wires that cross no joint.
  double joint_area_lost_percent = 0;
  double tip_beyond_cortex_mm =
      0;  ///< of axis past the point where it finally leaves the bones; 0 if the tip is inside one
  double crossing_off_centre_mm = 0;  ///< from the middle of the gap on the axis to the centre of the facing patch
  /// From the entry to the rim of the joint on the side entered, along the metatarsal's axis. 0 for fragment wires.
  double entry_to_joint_mm = 0;
  double angle_to_shaft_rad = 0;    ///< between the device's line and the metatarsal's axis, 0 to pi/2
  double angle_to_surface_rad = 0;  ///< between the device and the entry cortex, pi/2 is perpendicular
  double crossing_angle_rad = 0;    ///< between the device and the normal of the joint (fracture) faces
  double length_in_first_mm = 0;    ///< from entry to the joint (fracture)
  double length_in_last_mm = 0;     ///< from the joint (fracture) to the tip
  double mean_hu = 0;               ///< on the thread's cylinder, entry zone left out; 0 without an image
  /// Pull-out of the thread in the last bone, Chapman 1996 with a shear strength from HU (purchase.h); low and high
  /// cover the spread between density laws, not between patients. 0 without an image and for wires.
  double pullout_n = 0, pullout_low_n = 0, pullout_high_n = 0;
  std::vector<std::string> other_bones;  ///< ids of bones entered that should not be; empty if right
  std::vector<std::string> may_enter;    ///< ids of bones passed within the error of their surface
  double surface_error_mm = 0;           ///< surface error of the bones named, the worst of them
  Message failure;                       ///< why nothing could be checked; the fields above then mean nothing
};

struct Device {
  std::string id;    ///< "S2" screw, "W2" wire of ray 2, "F2.1a" first wire of fragment M2.1
  std::string type;  ///< catalogue id
  DeviceKind kind = DeviceKind::kScrew;
  DeviceStage stage = DeviceStage::kDefinitive;
  Ray ray;
  std::vector<std::string> through;  ///< bone ids in the order entered
  Vec3 entry = Vec3::Zero(),
       tip = Vec3::Zero();         ///< reduced pose, patient frame; entry on the cortex, tip at the end of the thread
  Vec3 direction = Vec3::UnitX();  ///< unit, entry to tip
  double diameter_mm = 0, length_mm = 0;
  double measured_depth_mm = 0;  ///< what a depth gauge would read, before snapping to the catalogue
  double countersink_mm = 0;     ///< depth of the head's pocket along the axis; 0 for wires
  DeviceChecks checks;
  std::vector<Message> warnings;  ///< in words, for checks that are not met
};

inline constexpr double kMostErrorMm = 1;

/// Whether wires alone may hold this ray: the fourth and fifth, the mobile column.
[[nodiscard]] constexpr bool wiresMayHold(Ray ray) { return ray >= 4; }

struct ConstructSettings {
  bool lateral_wires = false;                         ///< fix rays 4 and 5 with 1.6 mm wires only (mobile column)
  std::vector<Ray> rays{kRays.begin(), kRays.end()};  ///< to fix
  double cortex_margin_mm = 0.8;                      ///< wanted between device and outer cortex
  double device_gap_mm = 1.5;                         ///< wanted between devices, surface to surface
  double end_clearance_mm = 0.5;                      ///< bone left around the end of the hole
  /// Least bone between a screw's entry and the joint, so that the bridge does not break.
  double joint_bridge_mm = 10;
};

struct ConstructResult {
  std::vector<Device> devices;
  std::vector<Message> cautions;
};

/// `reduced`: the reduced bones; `fragments` by id ("M2.1"), reduced too and taken out of their bone (a bone that still
/// holds its fragment works as well). `ct`, with `injured_to_reduced` per bone (identity if missing), lets the purchase
/// be read from HU; null without images.
struct ConstructInput {
  const BoneSurfaces* reduced = nullptr;
  std::map<std::string, Surface> fragments;
  Side side = Side::kRight;
  Frame frame;
  const CtVolume* ct = nullptr;
  std::map<Bone, Rigid> injured_to_reduced;
  /// How far a bone's surface may be off locally, mm; 0 if missing. That much is added to the clearance from the
  /// cortex, the far end of the hole and other bones, but at most kMostErrorMm, or nothing could be planned.
  std::map<Bone, double> surface_error_mm;
  /// Devices already in place that stay: planned devices keep clear of them. They are not part of the result.
  std::vector<Device> standing;
};

/// Plans the construct. A ray with a missing bone, or with no path that keeps the device inside the bones, gets a
/// caution and no device; a path that is safe but not ideal gets warnings. Fails (kRequest) on a setting out of range
/// or on a catalogue without the implants named above; (kInternal) on null bones; (kCancelled).
[[nodiscard]] Result<ConstructResult> planConstruct(const ConstructInput& input, const Catalogue& catalogue,
                                                    const ConstructSettings& settings = {},
                                                    const Progress& progress = {});

/// All checks of one device in its place among `all` (which may include it; it is recognised by id). planConstruct has
/// done this for its own devices; call it after moving a device by hand. `input` as for planConstruct.
[[nodiscard]] Result<DeviceChecks> checkDevice(const ConstructInput& input, const Device& device,
                                               const std::vector<Device>& all, const Catalogue& catalogue,
                                               const ConstructSettings& settings = {});

/// The device as one closed solid, for STL and pictures. Screw: hemispherical head with its flat top at `entry`, thread
/// as a plain cylinder, conical point ending at `tip`. Wire: its stub outside, bayonet point ending at `tip`.
[[nodiscard]] Surface deviceSurface(const Device& device, const Catalogue& catalogue);

}  // namespace rayset
