// The default construct: a screw for each ray, wires that hold while it is built, and every check.
#pragma once

#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/progress.h"
#include "base/result.h"
#include "fixation/catalogue.h"
#include "image/volume.h"

namespace rayset {

struct DeviceChecks {
  double inside_fraction = 0;             ///< of the thread's length between the cortices that lies inside the bones named
  double cortex_margin_mm = 0;            ///< least distance from the device's surface to the bones' outer surface between entry and tip, away from both ends and the joint crossed
  double nearest_device_mm = 0;           ///< surface to surface, nearest other device of the same stage
  double joint_area_lost_percent = 0;     ///< of the joint crossed (worse face)
  double tip_beyond_cortex_mm = 0;        ///< tip outside the far cortex; 0 when it ends inside
  double crossing_off_centre_mm = 0;      ///< distance of the crossing from the centre of the facing patch
  double entry_to_joint_mm = 0;           ///< entry point to the joint line along the bone
  double angle_to_shaft_rad = 0;          ///< between device and metatarsal axis
  double angle_to_surface_rad = 0;        ///< between device and entry cortex
  double mean_hu = 0;                     ///< along the thread; 0 without an image
  double pullout_n = 0;                   ///< Chapman 1996 estimate; 0 without an image
  std::vector<std::string> other_bones;   ///< ids of bones entered that should not be; empty when right
};

struct Device {
  std::string id;            ///< "S2", "W1"
  std::string type;          ///< catalogue id
  std::string kind;          ///< screw | wire | plate
  std::string stage;         ///< temporary | definitive
  int ray = 0;
  std::vector<std::string> through;   ///< bone ids in the order entered
  Vec3 entry, tip, direction;         ///< reduced pose, patient frame; entry on the cortex, direction unit, entry to tip
  double diameter_mm = 0, length_mm = 0;
  double measured_depth_mm = 0;       ///< what a depth gauge would read, before snapping to the catalogue
  double countersink_mm = 0;          ///< depth the head sinks below the cortex
  DeviceChecks checks;
  std::vector<std::string> warnings;
};

struct ConstructSettings {
  bool lateral_wires = false;      ///< rays 4 and 5 with 1.6 mm wires only (mobile column)
  std::vector<int> rays{1, 2, 3, 4, 5};   ///< rays to fix
  double cortex_margin_mm = 0.8;   ///< wanted between device and outer cortex
  double device_gap_mm = 1.5;      ///< wanted between devices, surface to surface
};

struct ConstructResult {
  std::vector<Device> devices;
  std::vector<std::string> cautions;
};

/// `reduced`: bones where they belong, plus fragments by id ("M2.1"). `ct` with `injured_to_reduced` per bone (identity for
/// the tarsus) lets the purchase be read from HU; pass null without images.
struct ConstructInput {
  const BoneSurfaces* reduced = nullptr;
  std::map<std::string, Surface> fragments;
  Side side = Side::kRight;
  Frame frame;
  const CtVolume* ct = nullptr;
  std::map<Bone, Rigid> injured_to_reduced;
};
[[nodiscard]] Result<ConstructResult> planConstruct(const ConstructInput& input, const Catalogue& catalogue,
                                                    const ConstructSettings& settings = {}, const Progress& progress = {});

/// The device as a solid, with head and thread radius (threads drawn as a cylinder), for STL and pictures.
[[nodiscard]] Surface deviceSurface(const Device& device, const Catalogue& catalogue);

}  // namespace rayset
