// Puts the fragments of a broken bone back: their broken faces against those of the main part, their cortex in line
// with its cortex.
//
// The broken faces of a fragment are the places whose outward normal meets the main part (or a fragment put back
// before) within a few millimetres. They are brought together without a gap; the sign of the normals keeps the two
// sides of a break apart. A nearly flat break leaves the fragment free to slide along it, so the cortex beside the
// break is used too: neighbouring points of the two outer surfaces must lie on one arc (symmetric point-to-plane
// distance, Rusinkiewicz 2019, ACM Trans Graph 38:83, which is zero on spheres and cylinders). Robust least squares
// over the six degrees of freedom of each fragment, fragments in turn, each against the main part and the others.
#pragma once

#include <map>
#include <string>

#include "base/message.h"
#include "geometry/surface.h"

namespace rayset {

struct FragmentReduction {
  Rigid injured_to_bone = Rigid::Identity();  ///< as scanned, to its place on the main part (as scanned); patient frame
  double uncertainty_mm = 0;   ///< half-width of a 95 % interval of the fragment's centre, relative to its bone
  double uncertainty_rad = 0;  ///< same, of the turn
  double gap_mm = 0;           ///< mean distance between the broken faces once reduced
  double step_mm = 0;          ///< mean step of the cortex across the break once reduced
  double overlap_mm = 0;       ///< deepest penetration into the main part or another fragment
  double face_mm2 = 0;         ///< area of the fragment's broken face that met its counterpart
  Message doubt;               ///< why its place is uncertain; empty if it is not
};

struct FragmentsReduced {
  std::map<std::string, FragmentReduction> fragments;  ///< by id; every fragment given
  /// The main part with its fragments in place and the cracks closed, in the pose of the main part. Fragments in doubt
  /// are included as scanned (it may then consist of several closed surfaces): a base that is slightly off is better
  /// than none. Those farther than 6 mm from the main part are left out.
  Surface whole;
};

/// `main` and `fragments` (by id, "M2.1") as scanned, closed, one frame. A fragment without a broken face that meets
/// the main part within 6 mm keeps its pose and says so in `doubt`.
[[nodiscard]] FragmentsReduced reduceFragments(const Surface& main, const std::map<std::string, Surface>& fragments);

}  // namespace rayset
