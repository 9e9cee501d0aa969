// Points, directions, rigid transforms and boxes. Millimetres, DICOM patient frame (LPS), double precision.
//
// Frame notation: X_AB takes coordinates in frame B to frame A (p_A = X_AB * p_B). Where both frames are the patient
// frame and the transform moves a bone from one pose to another, the name says so: injured_to_reduced.
#pragma once

#include <Eigen/Dense>  // whole: ITK ships its own, older Eigen, which our include guards must keep out
#include <vector>

namespace rayset {

using Vec3 = Eigen::Vector3d;
using Mat3 = Eigen::Matrix3d;
using Rigid = Eigen::Isometry3d;
using Box = Eigen::AlignedBox3d;
using Points = std::vector<Vec3>;

enum class Side { kRight, kLeft };

/// A right-handed or left-handed anatomical frame: unit, mutually perpendicular directions in the patient frame.
/// On a right foot dorsal = distal x medial; on a left foot dorsal = medial x distal (the mirror image).
struct Frame {
  Vec3 origin = Vec3::Zero();
  Vec3 distal = -Vec3::UnitY();
  Vec3 medial = Vec3::UnitX();
  Vec3 dorsal = Vec3::UnitZ();

  /// Components of a free vector along (medial, distal, dorsal).
  [[nodiscard]] Vec3 components(const Vec3& v) const { return {v.dot(medial), v.dot(distal), v.dot(dorsal)}; }
  [[nodiscard]] Vec3 lateral() const { return -medial; }
  [[nodiscard]] Vec3 plantar() const { return -dorsal; }
};

/// Rotation angle of R in radians, in [0, pi].
[[nodiscard]] inline double rotationAngle(const Mat3& R) { return Eigen::AngleAxisd(R).angle(); }

/// Rigid transform that turns by `rotation_vector` (radians, axis-angle) about `centre`, then shifts by `shift`.
[[nodiscard]] inline Rigid turnAbout(const Vec3& centre, const Vec3& rotation_vector, const Vec3& shift) {
  const double angle = rotation_vector.norm();
  Rigid X = Rigid::Identity();
  X.translate(centre + shift);
  if (angle > 0) X.rotate(Eigen::AngleAxisd(angle, rotation_vector / angle));
  X.translate(-centre);
  return X;
}

/// Least-squares rigid transform taking from[i] to to[i] with weights w[i] (empty: all 1). Umeyama 1991 without scale.
/// Requires at least three points not on a line.
[[nodiscard]] Rigid fitRigid(const Points& from, const Points& to, const std::vector<double>& weights = {});

/// The centroid of the points and the directions (columns, largest spread first) and standard deviations along them.
struct PrincipalAxes {
  Vec3 centre;
  Mat3 axes;
  Vec3 spread;
};
[[nodiscard]] PrincipalAxes principalAxes(const Points& points);

}  // namespace rayset
