#include "anatomy/frames.h"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>

#include "anatomy/section.h"
#include "geometry/ray_caster.h"

namespace rayset {
namespace {

constexpr double kBaseReachMm = 8;         // plan contract: the base's reference point
constexpr double kShaftFrom = 0.2, kShaftTo = 0.8;  // part of the length whose cross-sections make the axis
constexpr int kShaftSections = 25;
constexpr double kMinSectionMm2 = 4;       // anything thinner is a sliver of a cut bone

// Mean and covariance of the surface as a continuous skin (exact on the triangles).
struct SkinMoments {
  Vec3 mean = Vec3::Zero();
  Mat3 covariance = Mat3::Zero();
};
SkinMoments skinMoments(const Surface& surface) {
  SkinMoments m;
  double total = 0;
  Mat3 second = Mat3::Zero();
  const Vec3 origin = surface.vertices.empty() ? Vec3(Vec3::Zero()) : surface.vertices.front();
  for (const auto& t : surface.triangles) {
    const Vec3 a = surface.vertices[t[0]] - origin, b = surface.vertices[t[1]] - origin, c = surface.vertices[t[2]] - origin;
    const double w = 0.5 * (b - a).cross(c - a).norm();
    const Vec3 s = a + b + c;
    total += w;
    m.mean += w / 3 * s;
    second += w / 12 * (s * s.transpose() + a * a.transpose() + b * b.transpose() + c * c.transpose());
  }
  if (total <= 0) return m;
  m.mean /= total;
  m.covariance = second / total - m.mean * m.mean.transpose();
  m.mean += origin;
  return m;
}

struct Line {
  Vec3 point, direction;
};

// Line through points, robust against the odd one (Tukey's biweight on the distance from the line).
Line robustLine(const Points& points, const Vec3& along) {
  std::vector<double> w(points.size(), 1.0);
  Line line{Vec3::Zero(), along};
  for (int pass = 0; pass < 6; ++pass) {
    double total = 0;
    Vec3 mean = Vec3::Zero();
    for (std::size_t i = 0; i < points.size(); ++i) {
      mean += w[i] * points[i];
      total += w[i];
    }
    mean /= total;
    Mat3 covariance = Mat3::Zero();
    for (std::size_t i = 0; i < points.size(); ++i)
      covariance += w[i] * (points[i] - mean) * (points[i] - mean).transpose();
    const Eigen::SelfAdjointEigenSolver<Mat3> solver(covariance);
    line.point = mean;
    line.direction = solver.eigenvectors().col(2);
    if (line.direction.dot(along) < 0) line.direction = -line.direction;
    std::vector<double> off(points.size());
    for (std::size_t i = 0; i < points.size(); ++i) off[i] = line.direction.cross(points[i] - mean).norm();
    std::vector<double> sorted = off;
    std::nth_element(sorted.begin(), sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2), sorted.end());
    // The shaft's own bow is no outlier: never cut closer than 1.5 mm.
    const double reach = std::max(1.5, 4.7 * sorted[sorted.size() / 2]);
    for (std::size_t i = 0; i < points.size(); ++i) {
      const double u = off[i] / reach;
      w[i] = u < 1 ? (1 - u * u) * (1 - u * u) : 0;
    }
  }
  return line;
}

// Centroids of the cross-sections perpendicular to `direction` over the middle of the bone.
Points shaftCentroids(const Surface& surface, const Vec3& direction, const Extent& extent) {
  Points centroids;
  for (int i = 0; i < kShaftSections; ++i) {
    const double f = kShaftFrom + (kShaftTo - kShaftFrom) * i / (kShaftSections - 1);
    const auto section = planeSection(surface, direction * (extent.from + f * extent.length()), direction);
    if (section.area_mm2 > kMinSectionMm2) centroids.push_back(section.centroid);
  }
  return centroids;
}

double sectionAreaAt(const Surface& surface, const Vec3& direction, double height) {
  return planeSection(surface, direction * height, direction).area_mm2;
}

// Sphere through the distal skin of the head: area-weighted algebraic fit, reweighted (Tukey) against ridges and the
// grooves of the sesamoids. nullopt when what lies at the distal end is no head (bone cut by the field of view).
std::optional<Vec3> headSphere(const Surface& surface, const Vec3& distal, const Extent& extent) {
  struct Sample {
    Vec3 position;
    double weight;
  };
  std::vector<Sample> cap;
  const double from = extent.to - 0.14 * extent.length();
  for (const auto& t : surface.triangles) {
    const Vec3 &a = surface.vertices[t[0]], &b = surface.vertices[t[1]], &c = surface.vertices[t[2]];
    const Vec3 p = (a + b + c) / 3;
    if (distal.dot(p) < from) continue;
    const Vec3 twice_area = (b - a).cross(c - a);
    const double size = twice_area.norm();
    if (size <= 0) continue;
    const double facing = std::clamp((distal.dot(twice_area) / size) / 0.5, 0.0, 1.0);
    if (facing > 0) cap.push_back({p, 0.5 * size * facing});
  }
  if (cap.size() < 12) return std::nullopt;
  const Vec3 origin = cap.front().position;
  std::vector<double> robust(cap.size(), 1.0);
  Vec3 centre = Vec3::Zero();
  double radius = 0;
  for (int pass = 0; pass < 8; ++pass) {
    Eigen::Matrix4d A = Eigen::Matrix4d::Zero();
    Eigen::Vector4d b = Eigen::Vector4d::Zero();
    for (std::size_t i = 0; i < cap.size(); ++i) {
      const Vec3 p = cap[i].position - origin;
      const Eigen::Vector4d row(2 * p.x(), 2 * p.y(), 2 * p.z(), 1);
      const double w = cap[i].weight * robust[i];
      A += w * row * row.transpose();
      b += w * p.squaredNorm() * row;
    }
    const Eigen::Vector4d x = A.ldlt().solve(b);
    centre = x.head<3>();
    const double r2 = x[3] + centre.squaredNorm();
    if (!(r2 > 0)) return std::nullopt;
    radius = std::sqrt(r2);
    for (std::size_t i = 0; i < cap.size(); ++i) {
      const double u = ((cap[i].position - origin - centre).norm() - radius) / 2.0;
      robust[i] = std::abs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
    }
  }
  centre += origin;
  const double depth = extent.to - distal.dot(centre);
  if (radius < 3 || radius > 18 || depth < 2 || depth > 20) return std::nullopt;
  return centre;
}

Vec3 perpendicularTo(const Vec3& v, const Vec3& unit) {
  const Vec3 p = v - unit.dot(v) * unit;
  const double n = p.norm();
  return n > 1e-9 ? Vec3(p / n) : unit.unitOrthogonal();
}

Vec3 dorsalOf(const Vec3& distal, const Vec3& medial, Side side) {
  return side == Side::kRight ? Vec3(distal.cross(medial)) : Vec3(medial.cross(distal));
}

// Mean of the skin looking along `direction` in the part of the bone that lies that way.
Vec3 articularEnd(const Surface& surface, const Vec3& direction) {
  const Extent e = extentAlong(surface, direction);
  const double from = e.to - 0.45 * e.length();
  Vec3 mean = Vec3::Zero();
  double total = 0;
  for (const auto& t : surface.triangles) {
    const Vec3 &a = surface.vertices[t[0]], &b = surface.vertices[t[1]], &c = surface.vertices[t[2]];
    const Vec3 p = (a + b + c) / 3;
    if (direction.dot(p) < from) continue;
    const Vec3 twice_area = (b - a).cross(c - a);
    const double size = twice_area.norm();
    if (size <= 0) continue;
    // A soft edge instead of a yes-or-no bound keeps the mean steady under noise of the normals.
    const double w = size * std::clamp((direction.dot(twice_area) / size - 0.5) / 0.35, 0.0, 1.0);
    mean += w * p;
    total += w;
  }
  return total > 0 ? Vec3(mean / total) : skinMoments(surface).mean;
}

const Surface* find(const BoneSurfaces& bones, Bone bone) {
  const auto it = bones.find(bone);
  return it == bones.end() || it->second.empty() ? nullptr : &it->second;
}

}  // namespace

MetatarsalAxis metatarsalAxis(const Surface& metatarsal, const Vec3& toward_head_hint) {
  MetatarsalAxis axis{Vec3::Zero(), Vec3::Zero(), Vec3::UnitX(), 0, Vec3::Zero()};
  if (metatarsal.empty()) return axis;
  const SkinMoments moments = skinMoments(metatarsal);
  const Eigen::SelfAdjointEigenSolver<Mat3> principal(moments.covariance);
  // The longest direction, unless the bone was cut so short that its base is taller than it is long.
  Vec3 d = principal.eigenvectors().col(2);
  const bool hinted = toward_head_hint.norm() > 1e-9;
  if (hinted) {
    double best = -1;
    for (int k = 0; k < 3; ++k) {
      const Vec3 candidate = principal.eigenvectors().col(k);
      const double score = std::abs(candidate.dot(toward_head_hint)) * std::sqrt(std::max(0.0, principal.eigenvalues()[k]));
      if (score > best) {
        best = score;
        d = candidate;
      }
    }
    if (d.dot(toward_head_hint) < 0) d = -d;
  } else {
    const Extent e = extentAlong(metatarsal, d);  // no hint: the base is the bulkier end
    double low = 0, high = 0;
    for (const double f : {0.08, 0.14, 0.2}) {
      low += sectionAreaAt(metatarsal, d, e.from + f * e.length());
      high += sectionAreaAt(metatarsal, d, e.to - f * e.length());
    }
    if (high > low) d = -d;
  }

  Line line{moments.mean, d};
  for (int pass = 0; pass < 12; ++pass) {
    const Points centroids = shaftCentroids(metatarsal, d, extentAlong(metatarsal, d));
    if (centroids.size() < 5) break;
    line = robustLine(centroids, d);
    const double turned = line.direction.cross(d).norm();
    d = line.direction;
    if (turned < 1e-6) break;
  }

  const Extent extent = extentAlong(metatarsal, d);
  axis.distal = d;
  axis.length_mm = extent.length();
  axis.base_point = basePoint(metatarsal, d);
  const auto onAxis = [&](double height) { return Vec3(line.point + d * (height - d.dot(line.point))); };
  axis.base_centre = onAxis(d.dot(articularEnd(metatarsal, -d)));
  const auto head = headSphere(metatarsal, d, extent);
  axis.head_centre = head ? *head : onAxis(extent.to - std::min(8.0, 0.12 * extent.length()));
  return axis;
}

Vec3 basePoint(const Surface& metatarsal, const Vec3& distal) {
  const Vec3 d = distal.normalized();
  const double proximal = extentAlong(metatarsal, d).from;
  return surfaceBetween(metatarsal, d, proximal, proximal + kBaseReachMm).mean;
}

