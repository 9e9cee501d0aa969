#include "geometry/types.h"

#include <Eigen/Eigenvalues>
#include <Eigen/SVD>
#include <cmath>

namespace rayset {

Rigid fitRigid(const Points& from, const Points& to, const std::vector<double>& weights) {
  Vec3 from_centre = Vec3::Zero(), to_centre = Vec3::Zero();
  double total = 0;
  const auto weight = [&](std::size_t i) { return weights.empty() ? 1.0 : weights[i]; };
  for (std::size_t i = 0; i < from.size(); ++i) {
    from_centre += weight(i) * from[i];
    to_centre += weight(i) * to[i];
    total += weight(i);
  }
  from_centre /= total;
  to_centre /= total;
  Mat3 covariance = Mat3::Zero();
  for (std::size_t i = 0; i < from.size(); ++i) {
    covariance += weight(i) * (to[i] - to_centre) * (from[i] - from_centre).transpose();
  }
  const Eigen::JacobiSVD<Mat3> svd(covariance, Eigen::ComputeFullU | Eigen::ComputeFullV);
  Mat3 flip = Mat3::Identity();
  if ((svd.matrixU() * svd.matrixV().transpose()).determinant() < 0) flip(2, 2) = -1;  // a rotation, never a reflection
  Rigid X = Rigid::Identity();
  X.linear() = svd.matrixU() * flip * svd.matrixV().transpose();
  X.translation() = to_centre - X.linear() * from_centre;
  return X;
}

PrincipalAxes principalAxes(const Points& points) {
  PrincipalAxes result;
  result.centre = Vec3::Zero();
  for (const Vec3& p : points) result.centre += p;
  const double n = static_cast<double>(points.size());
  result.centre /= n;
  Mat3 covariance = Mat3::Zero();
  for (const Vec3& p : points) covariance += (p - result.centre) * (p - result.centre).transpose();
  covariance /= n;
  const Eigen::SelfAdjointEigenSolver<Mat3> solver(covariance);
  result.axes.col(0) = solver.eigenvectors().col(2);
  result.axes.col(1) = solver.eigenvectors().col(1);
  result.axes.col(2) = result.axes.col(0).cross(result.axes.col(1));
  for (int k = 0; k < 3; ++k) result.spread[k] = std::sqrt(std::max(0.0, solver.eigenvalues()[2 - k]));
  return result;
}

}  // namespace rayset
