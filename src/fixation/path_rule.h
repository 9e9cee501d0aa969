// What each device's path should be like, and with which implant: the surgeon's rules as numbers. Internal to the
// fixation stage.
#pragma once

#include <array>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "base/message.h"
#include "fixation/construct.h"
#include "fixation/path.h"
#include "fixation/reduced_foot.h"

namespace rayset::fixation {

/// Catalogue ids of the implants used in planning.
extern const std::string kScrew, kHoldingWire, kLateralWire, kFragmentWire;

inline constexpr double kLeastInLastMm = 8;  ///< less thread than this in the tarsal bone does not hold (design choice)
inline constexpr double kLeastWireMm = 5;    ///< a shallower wire does not hold (design choice)

/// Directions about a metatarsal's shaft, and the position of its joint's rim in each direction round the shaft.
struct RayAnatomy {
  Vec3 distal = Vec3::UnitX(), dorsal = Vec3::UnitZ(), medial = Vec3::UnitY();
  Vec3 on_axis = Vec3::Zero();
  std::array<double, 36> rim{};  ///< coordinate along `distal`, by angle from dorsal towards medial

  [[nodiscard]] double angleOf(const Vec3& v) const;
  /// Distance along the bone from the joint's rim, on the side of the bone where `p` is.
  [[nodiscard]] double fromJoint(const Vec3& p) const;
};

/// The rules for one device. Bands in mm from the joint's rim, angles in radians. All are design choices unless a
/// source is named.
struct Rule {
  Device device;  ///< id, type, kind, stage, ray, through, diameter
  Message what;   ///< for messages: "screw of the second ray"
  std::shared_ptr<const path::Space> space;
  RayAnatomy ray;
  path::Tool tool;
  /// Between a fragment and its bone: no band or sector, but only from a side the surgeon can reach.
  bool fragment = false;
  Vec3 up = Vec3::Zero();                 ///< dorsal, for fragments
  double least_in_last = kLeastInLastMm;  ///< less does not hold
  double wanted_in_last = kLeastInLastMm + 2;
  double band_from = 0, band_to = 0;  ///< allowed
  double good_from = 0, good_to = 0;  ///< wanted
  /// Allowed cortex: angle of its normal round the shaft, dorsal 0, medial +90 degrees.
  double sector_centre = 0, sector_half = 0;
  double off_centre_weight = 0;  ///< cost per mm2 of crossing the joint off its centre
  double deep_enough = 0;        ///< thread in the last bone beyond which more gains nothing
  double depth_cap = 60;         ///< no deeper than this in total
  std::optional<Vec3> along;     ///< wanted direction
  double along_weight = 0;       ///< cost of being 15 degrees off it
  double shaft_angle = -1;       ///< wanted angle to the shaft; -1 for none
  double head_radius = 0;
  double surface_error = 0;     ///< of the bones passed through; added to the margin aimed for
  std::vector<double> lengths;  ///< from the catalogue; empty: whole millimetres

  [[nodiscard]] bool inBand(double from_joint) const { return from_joint >= band_from && from_joint <= band_to; }
  /// Angle round the shaft between a cortex with this normal and the middle of the sector.
  [[nodiscard]] double turnFromSector(const Vec3& normal) const;
};

/// Makes the rules. All arguments must outlive it.
class RuleBook {
 public:
  RuleBook(const ConstructInput& input, const Catalogue& catalogue, const ConstructSettings& settings,
           const ReducedFoot& foot)
      : input_(input), catalogue_(catalogue), settings_(settings), foot_(foot) {}

  /// `into`: as for ReducedFoot::fragmentSpace().
  [[nodiscard]] Rule fragmentWire(const std::string& fragment, char letter, bool into,
                                  std::shared_ptr<const path::Space> space) const;
  /// The rule for an existing device, with its own implant.
  [[nodiscard]] Rule of(const Device& device, std::shared_ptr<const path::Space> space) const;

  // What rules are made of, for device_kinds/.

  [[nodiscard]] const ConstructSettings& settings() const { return settings_; }
  /// Device, tool and lengths of an implant of the catalogue.
  [[nodiscard]] Rule withImplant(const std::string& type_id, std::string id, DeviceStage stage, Ray ray) const;
  /// From a ray's metatarsal across its joint.
  void across(Rule& rule, Ray ray, const path::Space& space) const;
  /// Along the long axis of the medial cuneiform: from its distal to its proximal face.
  [[nodiscard]] Vec3 alongCuneiform(const path::Space& space) const;

 private:
  void through(Rule& rule, std::vector<std::string> bones) const;

  const ConstructInput& input_;
  const Catalogue& catalogue_;
  const ConstructSettings& settings_;
  const ReducedFoot& foot_;
};

}  // namespace rayset::fixation
