// The contents of a plan as plain values.
//
// Units and frames, everywhere: lengths in millimetres, angles in degrees, times in seconds, grey values in HU, forces
// in newtons. Points and directions are in the DICOM patient frame (LPS: x to the left, y to the back, z to the head)
// of the CT that was planned from. Rays and metatarsals are numbered 1 to 5. Bones have the ids of plan.json: "M1" to
// "M5", "C1" to "C3", "Cub", "Nav", "Tal", "Cal", "tibia", "fibula", "toes", "sesamoids", and "M2.1", "M2.2"... for
// pieces broken off the second metatarsal. Texts are UTF-8 and English.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace rayset::api {

/// A point or a direction.
using Point = std::array<double, 3>;
/// A rigid transform of points, four rows of four numbers, row by row; the last row is 0 0 0 1. `a_to_b` moves a bone
/// from its place in state a to its place in state b.
using Matrix = std::array<double, 16>;

[[nodiscard]] constexpr Point transformed(const Matrix& m, const Point& p) {
  return {m[0] * p[0] + m[1] * p[1] + m[2] * p[2] + m[3], m[4] * p[0] + m[5] * p[1] + m[6] * p[2] + m[7],
          m[8] * p[0] + m[9] * p[1] + m[10] * p[2] + m[11]};
}

enum class Side { kRight, kLeft };

/// The foot's own directions: unit vectors, perpendicular to each other.
struct Frame {
  Point origin{}, distal{}, medial{}, dorsal{};
};

/// A closed surface; triangles run counter-clockwise as seen from outside.
struct Mesh {
  std::vector<Point> vertices;
  std::vector<std::array<std::uint32_t, 3>> triangles;
};

/// Where the images come from, according to their headers.
struct Images {
  std::string patient_id, patient_name;  ///< the name as DICOM writes it ("Family^Given")
  std::string study_uid, study_date;     ///< the date as YYYYMMDD
  std::string series_uid, series_description, frame_of_reference_uid;
  std::size_t files = 0;
};

/// A bone, or a piece of one.
struct Bone {
  std::string id;
  std::string name;       ///< "second metatarsal", "fragment M2.1"
  double confidence = 0;  ///< 0 to 1: how likely its surface is within 0.5 mm everywhere
  std::string doubt;      ///< reasons for doubt, a clause with figures; empty: none
  bool complete = true;   ///< false if the field of view cuts it
  bool by_hand = false;   ///< corrected by an edit
  double volume_mm3 = 0, mean_hu = 0;
  Matrix injured_to_reduced{};  ///< identity if the bone stays put
};

/// How a metatarsal is displaced. Signs are anatomical, the same for right and left feet.
struct Displacement {
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;  ///< of its base
  double abduction_deg = 0;                             ///< its head moves laterally
  double plantarflexion_deg = 0;                        ///< its head moves plantarly
  double pronation_deg = 0;                             ///< its dorsal surface rolls medially
};

/// A tarsometatarsal joint as reduced.
struct Joint {
  double gap_mm = 0, step_mm = 0, overlap_mm = 0, contact_mm2 = 0;
};

/// Where a ray belongs. Uncertainties are half-widths of 95 % intervals.
struct Reduction {
  Matrix injured_to_reduced{};
  double uncertainty_mm = 0;   ///< of the base's position
  double uncertainty_deg = 0;  ///< of the turn
  double roll_deg = 0;         ///< of the turn about the ray's own axis alone
  bool by_hand = false;        ///< placed by hand; the uncertainties are then 0, as none was computed
  std::string doubt;           ///< why the images do not show whether the ray is displaced; empty if they do
  Joint joint;
  std::vector<std::string> manoeuvre;  ///< steps, in words
};

struct Ray {
  int number = 0;
  std::optional<Displacement> displacement;  ///< as scanned, from where it belongs; missing: could not be measured
  std::optional<bool> displaced;             ///< missing: could not be measured, or the images do not show it
  std::optional<Reduction> reduction;        ///< missing: could not be placed
};

/// The pattern of the displaced rays by name; "cannot be told" if the name depends on a ray in doubt.
struct PatternName {
  std::string value;   ///< "homolateral", "B2"...
  std::string reason;  ///< the rule, in words
};
struct Patterns {
  PatternName quenu_kuss, hardcastle, myerson;
  std::vector<std::string> columns;  ///< of "medial", "middle", "lateral"
};

/// A measure of the foot, and what it is judged by.
struct Measure {
  std::string key;   ///< "c1_m2_distance"
  std::string name;  ///< as surgeons call it
  double value = 0;
  std::string unit;             ///< of value, limit, other_side and difference: "mm", "deg"
  std::optional<double> limit;  ///< of the value, or of the difference if limit_on_difference
  bool limit_on_difference = false;
  bool limit_is_lower = false;                   ///< abnormal below the limit rather than above
  std::optional<double> other_side, difference;  ///< of the other foot; value minus other_side
  std::optional<bool> abnormal;                  ///< missing: no suitable published limit
  std::string source, note;                      ///< of the limit; how it was measured
  std::optional<Point> from, to;                 ///< where it was measured
};

/// Checks of a device's path; see docs/decisions/fixation.md.
struct DeviceChecks {
  double inside_fraction = 0;          ///< share of it that is wholly inside the bones named; 1 is right
  double cortex_margin_mm = 0;         ///< least distance to the outer cortex; negative: it protrudes
  double nearest_device_mm = 0;        ///< surface to surface; 1000: there is no other
  double joint_area_lost_percent = 0;  ///< of the joint's face, the worse of the two
  double tip_beyond_cortex_mm = 0;
  double crossing_off_centre_mm = 0, entry_to_joint_mm = 0;
  double angle_to_shaft_deg = 0, angle_to_surface_deg = 0, crossing_angle_deg = 0;
  double length_in_first_mm = 0, length_in_last_mm = 0;
  double mean_hu = 0;                                           ///< along it
  double pullout_n = 0, pullout_low_n = 0, pullout_high_n = 0;  ///< 0 for wires and without images
  double surface_error_mm = 0;                                  ///< how far the surfaces may be off
  std::vector<std::string> other_bones;                         ///< entered but should not be
  std::vector<std::string> may_enter;                           ///< passed within the error of their surface
  std::string failure;  ///< why nothing could be checked; empty: all was, or read from a plan
};

/// A screw or wire in the reduced foot.
struct Device {
  std::string id;          ///< "S2", "W2", "F2.1a"
  std::string type;        ///< its id in implants.json
  std::string kind;        ///< "screw" or "wire"; later versions may know more
  bool temporary = false;  ///< only holds until the definitive devices are in
  int ray = 0;
  std::vector<std::string> through;  ///< ids of bones in the order entered
  Point entry{};                     ///< on the cortex
  Point tip{};
  Point direction{};                      ///< unit, entry to tip
  double diameter_mm = 0, length_mm = 0;  ///< the length from entry to tip
  double measured_depth_mm = 0;           ///< what a depth gauge would read
  double countersink_mm = 0;              ///< depth of the head's pocket; 0 for wires
  DeviceChecks checks;
  std::vector<std::string> warnings;
};

}  // namespace rayset::api
