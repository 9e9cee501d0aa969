// The rotation sequence, once and for all.
//
// Grood and Suntay (1983, J Biomech Eng 105:136) describe the rotation of one body relative to another by three axes:
// e1 fixed in the first body, e3 fixed in the second, and the floating axis e2 perpendicular to both. Here
//   first body    the place where the metatarsal belongs (reduced);  e1 = medial axis of the foot frame
//   second body   the metatarsal as scanned;  e3 = distal axis of the foot frame, carried along with the metatarsal
//   floating      e2 = the dorsal axis after the turn about e1
// and the turns, each positive in the same anatomical sense on a right and on a left foot, are
//   plantarflexion  about e1: the head goes plantar
//   abduction       about e2: the head goes lateral
//   pronation       about e3: the dorsal surface rolls medially
// so that the turn from the reduced to the injured pose is, with axes that move along (intrinsic),
//   R = R(medial, plantarflexion) R(dorsal, abduction) R(distal, pronation).
//
// Written in the components (distal, medial, dorsal) of the foot frame the turn of a left foot is that of the mirrored
// right foot: those axes are right-handed on a right foot and left-handed on a left one, and B^T R B stays a proper
// rotation for either. In these components plantarflexion is a positive turn about y; abduction about z and pronation
// about x are negative:
//   R = Ry(p) Rz(-a) Rx(-r)
//     first column   ( cos p cos a, -sin a, -sin p cos a )
//     second row     ( -sin a, cos a cos r, cos a sin r )
// from which the angles are read with atan2, exact for every turn with |abduction| < 90 degrees; at 90 degrees of
// abduction plantarflexion and pronation act about the same axis and only their combination is defined (pronation is
// then set to 0). The shift is that of the reference point on the metatarsal's base, in the fixed foot frame.
#include "injury/displacement.h"

#include <cmath>

namespace rayset {
namespace {

// Columns distal, medial, dorsal; orthogonal, determinant -1 on a left foot.
Mat3 axes(const Frame& frame) {
  Mat3 B;
  B << frame.distal, frame.medial, frame.dorsal;
  return B;
}

}  // namespace

RayDisplacement displacement(Ray ray, const Rigid& reduced_to_injured, const Vec3& reduced_base_point,
                             const Frame& frame, double displaced_from_mm) {
  RayDisplacement d;
  d.ray = ray;
  const Vec3 shift = frame.components(reduced_to_injured * reduced_base_point - reduced_base_point);
  d.lateral_mm = -shift.x();
  d.distal_mm = shift.y();
  d.dorsal_mm = shift.z();

  const Mat3 B = axes(frame);
  const Mat3 R = B.transpose() * reduced_to_injured.linear() * B;
  const double cos_abduction = std::hypot(R(0, 0), R(2, 0));
  d.abduction_rad = std::atan2(-R(1, 0), cos_abduction);
  if (cos_abduction > 1e-9) {
    d.plantarflexion_rad = std::atan2(-R(2, 0), R(0, 0));
    d.pronation_rad = std::atan2(R(1, 2), R(1, 1));
  } else {
    // Ry(p) Rz(-+90) Rx(-r): with r = 0 the third column is Ry(p) z = (sin p, 0, cos p).
    d.plantarflexion_rad = std::atan2(R(0, 2), R(2, 2));
    d.pronation_rad = 0;
  }
  d.displaced = d.asideMm() >= displaced_from_mm;
  return d;
}

Rigid displacementTransform(const RayDisplacement& d, const Vec3& reduced_base_point, const Frame& frame) {
  const Mat3 B = axes(frame);
  const Mat3 R =
      (Eigen::AngleAxisd(d.plantarflexion_rad, Vec3::UnitY()) * Eigen::AngleAxisd(-d.abduction_rad, Vec3::UnitZ()) *
       Eigen::AngleAxisd(-d.pronation_rad, Vec3::UnitX()))
          .toRotationMatrix();
  const Vec3 shift = -d.lateral_mm * frame.medial + d.distal_mm * frame.distal + d.dorsal_mm * frame.dorsal;
  Rigid X = Rigid::Identity();
  X.linear() = B * R * B.transpose();
  X.translation() = reduced_base_point + shift - X.linear() * reduced_base_point;
  return X;
}

}  // namespace rayset
