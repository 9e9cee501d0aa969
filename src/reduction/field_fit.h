// Fits one bone (or a group of bones) of an atlas foot to the patient's bones through the patient's distance fields.
#pragma once

#include <Eigen/Geometry>
#include <algorithm>
#include <vector>

#include "geometry/distance_field.h"
#include "geometry/surface.h"

namespace rayset::reduction {

/// Long bones differ between people and sides not only in scale but also in twist (by up to 10 degrees between the base
/// and shaft of the second metatarsal in one of the test feet); the fit of the base must not suffer for the shaft.
/// Points turn about the line (point, axis) by `angle` times a ramp from 0 at `from` to 1 at `to` along the axis.
struct Twist {
  Vec3 point = Vec3::Zero();
  Vec3 axis = Vec3::UnitZ();
  double from = 0, to = 1;  ///< mm along `axis` from `point`
  double angle = 0;         ///< rad

  [[nodiscard]] double ramp(const Vec3& x) const {
    const double s = std::clamp(((x - point).dot(axis) - from) / (to - from), 0.0, 1.0);
    return s * s * (3 - 2 * s);
  }
  [[nodiscard]] Vec3 apply(const Vec3& x, double sign = 1) const {
    if (angle == 0) return x;
    return point + Eigen::AngleAxisd(sign * angle * ramp(x), axis) * (x - point);
  }
};

/// Atlas to patient: x -> R B diag(exp(log_scale)) B^T (twist(x) - centre) + image. Rigid without scale and twist.
struct AtlasMap {
  Mat3 R = Mat3::Identity();
  Vec3 image = Vec3::Zero();   ///< the image of `centre`, patient frame, mm
  Mat3 B = Mat3::Identity();   ///< directions of scaling (columns), atlas frame
  Vec3 centre = Vec3::Zero();  ///< atlas frame, mm
  Vec3 log_scale = Vec3::Zero();
  Twist twist;

  [[nodiscard]] Vec3 operator()(const Vec3& x) const {
    return R * (B * log_scale.array().exp().matrix().cwiseProduct(B.transpose() * (twist.apply(x) - centre))) + image;
  }
  [[nodiscard]] Vec3 inverse(const Vec3& y) const {
    const Vec3 twisted =
        B * (-log_scale).array().exp().matrix().cwiseProduct(B.transpose() * (R.transpose() * (y - image))) + centre;
    return twist.apply(twisted, -1);
  }
  [[nodiscard]] static AtlasMap fromRigid(const Rigid& X, const Vec3& centre) {
    AtlasMap m;
    m.R = X.linear();
    m.centre = centre;
    m.image = X * centre;
    return m;
  }
};

/// Atlas points that should end up on one of the patient's surfaces.
struct FitPoint {
  Vec3 position;  ///< atlas frame, mm
  double weight = 1;
  const DistanceField* field = nullptr;  ///< of the patient's bone the point belongs to, patient frame
};

struct FieldFitSettings {
  bool scale = false;                            ///< also fit log_scale
  bool twist = false;                            ///< also fit the twist's angle
  double scale_sd = 0.08;                        ///< prior spread of log_scale about its start
  double turn_sd = 0;                            ///< prior spread of the turn from the start, rad; 0: none
  std::vector<double> welsch_mm{4.0, 2.0, 1.0};  ///< scale of the robust loss, one pass each
  int iterations = 15;                           ///< per pass
};

struct FieldFit {
  AtlasMap map;
  double rms_mm = 0;         ///< weighted rms distance of points within 3 mm of the surface
  double near_fraction = 0;  ///< weighted fraction of the points within 3 mm
};

/// Robust (Welsch) Gauss-Newton on signed distances: point-to-plane alignment with exact closest points.
[[nodiscard]] FieldFit fitToFields(const std::vector<FitPoint>& points, const AtlasMap& start,
                                   const FieldFitSettings& settings);

}  // namespace rayset::reduction
