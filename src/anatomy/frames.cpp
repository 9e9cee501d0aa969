#include "anatomy/frames.h"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <limits>

#include "anatomy/section.h"
#include "geometry/ray_caster.h"

namespace rayset {
namespace {

constexpr double kBaseReachMm = 8;                  // plan contract: the base's reference point
constexpr double kShaftFrom = 0.2, kShaftTo = 0.8;  // part of the length whose cross-sections define the axis
constexpr int kShaftSections = 25;
constexpr double kMinSectionMm2 = 4;  // anything thinner is a sliver of a cut bone

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
    const Vec3 a = surface.vertices[t[0]] - origin, b = surface.vertices[t[1]] - origin,
               c = surface.vertices[t[2]] - origin;
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

// Least-squares line through points. Not reweighted: the shaft's bow would make the weights, and so the axis, jump.
Line fitLine(const Points& points, const Vec3& along) {
  Line line{Vec3::Zero(), along};
  for (const auto& p : points) line.point += p / static_cast<double>(points.size());
  Mat3 covariance = Mat3::Zero();
  for (const auto& p : points) covariance += (p - line.point) * (p - line.point).transpose();
  const Eigen::SelfAdjointEigenSolver<Mat3> solver(covariance);
  line.direction = solver.eigenvectors().col(2);
  if (line.direction.dot(along) < 0) line.direction = -line.direction;
  return line;
}

// Centroids of the cross-sections perpendicular to `direction` over the middle of the bone.
Points shaftCentroids(const Surface& surface, const Vec3& direction, const Extent& extent) {
  const SectionStack sections(surface, direction);
  Points centroids;
  // A head tapers towards its end; a shaft cut by the field of view does not. A cut bone begins with the wide base, so
  // the sections are then taken farther from it.
  const auto areaBefore = [&](double mm) { return sections.at(extent.to - mm).area_mm2; };
  const bool cut = areaBefore(2.0) > 0.75 * areaBefore(7.0);
  const double first = cut ? 0.45 : kShaftFrom, last = cut ? 0.85 : kShaftTo;
  for (int i = 0; i < kShaftSections; ++i) {
    const double f = first + (last - first) * i / (kShaftSections - 1);
    const auto section = sections.at(extent.from + f * extent.length());
    if (section.area_mm2 > kMinSectionMm2) centroids.push_back(section.centroid);
  }
  return centroids;
}

// Sphere through the distal skin of the head: area-weighted algebraic fit, reweighted (Tukey) against ridges and the
// grooves of the sesamoids. nullopt if the distal end is not a head (bone cut by the field of view).
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
    const double facing = std::clamp((distal.dot(twice_area) / size + 0.3) / 0.6, 0.0, 1.0);
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

// Direction from one bone to another in the foot frame: (distal, medial, dorsal), an adult foot at rest. Design values
// of ours, deliberately rounded to a tenth: they only need to be right to some ten degrees, and all pairs present are
// used together.
struct Bearing {
  Bone from, to;
  Vec3 direction;
  double weight;
};
const std::vector<Bearing>& tarsalBearings() {
  static const std::vector<Bearing> bearings{
      {Bone::kNav, Bone::kC1, {1.0, 0.1, 0.0}, 1.0},   {Bone::kNav, Bone::kC2, {0.8, -0.4, 0.5}, 1.0},
      {Bone::kNav, Bone::kC3, {0.6, -0.8, 0.1}, 1.0},  {Bone::kC3, Bone::kC1, {0.3, 0.9, -0.1}, 1.0},
      {Bone::kCub, Bone::kC1, {0.4, 0.8, 0.3}, 1.0},   {Bone::kCub, Bone::kNav, {-0.2, 0.9, 0.4}, 1.0},
      {Bone::kCub, Bone::kC2, {0.2, 0.8, 0.6}, 1.0},   {Bone::kTal, Bone::kC2, {0.9, -0.1, 0.3}, 1.0},
      {Bone::kCal, Bone::kTal, {-0.1, 0.5, 0.9}, 1.0}, {Bone::kCal, Bone::kCub, {0.8, -0.2, 0.6}, 0.5}};
  return bearings;
}
// To the centres of the metatarsals: only for the side, as a displaced ray cannot change that answer.
const std::vector<Bearing>& metatarsalBearings() {
  static const std::vector<Bearing> bearings{
      {Bone::kC1, Bone::kM1, {1.0, 0.0, -0.2}, 1.0},   {Bone::kC2, Bone::kM2, {1.0, 0.0, 0.0}, 1.0},
      {Bone::kC3, Bone::kM3, {1.0, -0.1, 0.0}, 1.0},   {Bone::kCub, Bone::kM4, {1.0, -0.1, 0.1}, 1.0},
      {Bone::kCub, Bone::kM5, {0.9, -0.4, -0.1}, 1.0}, {Bone::kM5, Bone::kM1, {0.2, 0.9, 0.1}, 1.0},
      {Bone::kM1, Bone::kM2, {0.2, -0.9, 0.3}, 0.5}};
  return bearings;
}

// sum w u v^T over the pairs present: u in the patient frame, v in right-foot components.
struct Agreement {
  Mat3 correlation = Mat3::Zero();
  double weight = 0;
  int pairs = 0;
};
void addBearings(Agreement& sum, const std::map<Bone, Vec3>& centres, const std::vector<Bearing>& bearings) {
  for (const auto& bearing : bearings) {
    const auto from = centres.find(bearing.from), to = centres.find(bearing.to);
    if (from == centres.end() || to == centres.end()) continue;
    const Vec3 u = to->second - from->second;
    if (u.norm() < 1e-6) continue;
    sum.correlation += bearing.weight * u.normalized() * bearing.direction.normalized().transpose();
    sum.weight += bearing.weight;
    ++sum.pairs;
  }
}
std::map<Bone, Vec3> centresOf(const BoneSurfaces& bones) {
  std::map<Bone, Vec3> centres;
  for (const Bone bone : kMidfootBones)
    if (const auto it = bones.find(bone); it != bones.end() && !it->second.empty())
      centres[bone] = skinMoments(it->second).mean;
  return centres;
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
  Vec3 d = principal.eigenvectors().col(2);
  const bool hinted = toward_head_hint.norm() > 1e-9;
  if (hinted) {
    // The longest direction, unless the field of view cut the bone so short that its base is nearly as wide as it is
    // long: then the hint is the better start.
    const Vec3 hint = toward_head_hint.normalized();
    if (d.dot(hint) < 0) d = -d;
    const bool slender = principal.eigenvalues()[2] > 3 * principal.eigenvalues()[1];
    if (!slender || d.dot(hint) < 0.2) d = hint;
  } else {
    const Extent e = extentAlong(metatarsal, d);  // no hint: the base is the bulkier end
    const SectionStack sections(metatarsal, d);
    double low = 0, high = 0;
    for (const double f : {0.08, 0.14, 0.2}) {
      low += sections.at(e.from + f * e.length()).area_mm2;
      high += sections.at(e.to - f * e.length()).area_mm2;
    }
    if (high > low) d = -d;
  }

  Line line{moments.mean, d};
  for (int pass = 0; pass < 12; ++pass) {
    const Points centroids = shaftCentroids(metatarsal, d, extentAlong(metatarsal, d));
    if (centroids.size() < 5) break;
    line = fitLine(centroids, d);
    const double turned = line.direction.cross(d).norm();
    d = line.direction;
    if (turned < 1e-6) break;
  }

  const Extent extent = extentAlong(metatarsal, d);
  axis.distal = d;
  axis.length_mm = extent.length();
  axis.base_point = basePoint(metatarsal, d);
  const auto onAxis = [&](double height) { return Vec3(line.point + d * (height - d.dot(line.point))); };
  axis.base_centre = onAxis(d.dot(articularFace(metatarsal, -d).centre));
  const auto head = headSphere(metatarsal, d, extent);
  axis.head_centre = head ? *head : onAxis(extent.to - std::min(8.0, 0.12 * extent.length()));
  return axis;
}

Vec3 basePoint(const Surface& metatarsal, const Vec3& distal) {
  const Vec3 d = distal.normalized();
  if (metatarsal.empty()) return Vec3::Zero();
  // Rough skin has more area, especially where the mesh is finest: two passes without shrinkage even that out. No
  // vertex may move farther than noise would, so that a mesh of few large triangles keeps its shape.
  Surface smooth = metatarsal;
  smoothTaubin(smooth, 2);
  for (std::size_t i = 0; i < smooth.vertices.size(); ++i) {
    const Vec3 step = smooth.vertices[i] - metatarsal.vertices[i];
    const double length = step.norm();
    if (length > 0.4) smooth.vertices[i] = metatarsal.vertices[i] + step * (0.4 / length);
  }
  const double proximal = lowestHeight(smooth, d);
  // From the very lowest point: points that noise pushed beyond the end still belong to the base.
  return surfaceBetween(smooth, d, proximal - 10, proximal + kBaseReachMm).mean;
}

// A plane is fitted to the skin near that end, reweighted by the distance from it (Tukey), and the centre is the
// weighted mean. No normals are used: noise affects normals far more than points. The walls around the face form an
// even rim and stay balanced.
ArticularFace articularFace(const Surface& surface, const Vec3& direction) {
  const Extent e = extentAlong(surface, direction);
  const double from = e.to - std::min(8.0, 0.45 * e.length());
  struct Sample {
    Vec3 position;
    double area;
  };
  std::vector<Sample> skin;
  for (const auto& t : surface.triangles) {
    const Vec3 &a = surface.vertices[t[0]], &b = surface.vertices[t[1]], &c = surface.vertices[t[2]];
    const Vec3 p = (a + b + c) / 3;
    if (direction.dot(p) >= from) skin.push_back({p, 0.5 * (b - a).cross(c - a).norm()});
  }
  if (skin.empty()) return {skinMoments(surface).mean, direction};
  Vec3 normal = direction, centre = direction * (e.to - 1.5);
  for (int pass = 0; pass < 20; ++pass) {
    const double reach = pass < 6 ? 4.0 : 2.5;
    double total = 0;
    Vec3 mean = Vec3::Zero();
    std::vector<double> w(skin.size());
    for (std::size_t i = 0; i < skin.size(); ++i) {
      const double u = normal.dot(skin[i].position - centre) / reach;
      w[i] = std::abs(u) < 1 ? skin[i].area * (1 - u * u) * (1 - u * u) : 0;
      mean += w[i] * skin[i].position;
      total += w[i];
    }
    if (total <= 0) break;
    mean /= total;
    Mat3 covariance = Mat3::Zero();
    for (std::size_t i = 0; i < skin.size(); ++i)
      covariance += w[i] * (skin[i].position - mean) * (skin[i].position - mean).transpose();
    const Eigen::SelfAdjointEigenSolver<Mat3> solver(covariance);
    Vec3 n = solver.eigenvectors().col(0);
    if (n.dot(direction) < 0) n = -n;
    centre = mean;
    if (n.dot(direction) > 0.7) normal = n;  // never settle along a side wall
  }
  return {centre, normal};
}

Frame coarseFootFrame(const BoneSurfaces& bones, Side side) {
  // Components (distal, medial, dorsal) are right-handed on a right foot. On a left one the medial component is
  // negated, the best rotation found, and the medial axis negated again: the mirror image of the same fit.
  const Mat3 handed = Vec3(1, side == Side::kRight ? 1 : -1, 1).asDiagonal();
  Agreement sum;
  const auto centres = centresOf(bones);
  addBearings(sum, centres, tarsalBearings());
  Frame frame;
  if (side == Side::kLeft) frame.medial = -frame.medial;  // as if standing in the scanner
  const Eigen::JacobiSVD<Mat3> svd(sum.correlation * handed, Eigen::ComputeFullU | Eigen::ComputeFullV);
  if (sum.pairs >= 2 && svd.singularValues()[1] > 0.05 * sum.weight) {
    // Wahba's problem (Kabsch 1976): the rotation that makes sum w u . R v largest.
    const double det = (svd.matrixU() * svd.matrixV().transpose()).determinant();
    const Mat3 R = svd.matrixU() * Vec3(1, 1, det < 0 ? -1 : 1).asDiagonal() * svd.matrixV().transpose() * handed;
    frame.distal = R.col(0);
    frame.medial = R.col(1);
    frame.dorsal = R.col(2);
  }
  if (const Surface* c2 = find(bones, Bone::kC2))
    frame.origin = articularFace(*c2, frame.distal).centre;
  else if (!centres.empty())
    frame.origin = centres.begin()->second;
  return frame;
}

Frame footFrame(const BoneSurfaces& reduced, Side side) {
  Frame frame = coarseFootFrame(reduced, side);
  const Frame coarse = frame;
  if (const Surface* m2 = find(reduced, Bone::kM2)) frame.distal = metatarsalAxis(*m2, coarse.distal).distal;
  const Surface *m1 = find(reduced, Bone::kM1), *m5 = find(reduced, Bone::kM5);
  Vec3 medial = coarse.medial;
  if (m1 && m5)
    medial = metatarsalAxis(*m1, coarse.distal).head_centre - metatarsalAxis(*m5, coarse.distal).head_centre;
  frame.medial = perpendicularTo(medial, frame.distal);
  frame.dorsal = dorsalOf(frame.distal, frame.medial, side);
  if (const Surface* c2 = find(reduced, Bone::kC2)) frame.origin = articularFace(*c2, frame.distal).centre;
  return frame;
}

std::optional<Side> sideFromAnatomy(const BoneSurfaces& bones) {
  Agreement sum;
  const auto centres = centresOf(bones);
  addBearings(sum, centres, tarsalBearings());
  addBearings(sum, centres, metatarsalBearings());
  if (sum.pairs < 3) return std::nullopt;
  // Right and left differ by the sign of the determinant; the smallest singular value is half the advantage of the
  // better side, and shows how flat (undecided) the arrangement is.
  const Eigen::JacobiSVD<Mat3> svd(sum.correlation);
  if (svd.singularValues()[2] < 0.02 * sum.weight) return std::nullopt;
  return sum.correlation.determinant() > 0 ? Side::kRight : Side::kLeft;
}

std::vector<OrientedPoint> facingPatch(const Surface& bone, const Surface& neighbour, double reach_mm,
                                       std::size_t samples) {
  std::vector<OrientedPoint> patch;
  if (bone.empty() || neighbour.empty()) return patch;
  const RayCaster caster({&neighbour});
  for (const auto& p : sampleEvenly(bone, samples)) {
    const auto hit = caster.nearest(p.position, reach_mm);
    if (!hit) continue;
    const Vec3 to = hit->position - p.position;
    // Where the bones touch or overlap, the direction to the other surface is meaningless; its normal is not.
    const bool apart = hit->distance > 0.05 && to.dot(hit->normal) < 0;
    const double facing = apart ? p.normal.dot(to) / hit->distance : -p.normal.dot(hit->normal);
    if (facing > 0.3) patch.push_back(p);
  }
  return patch;
}

}  // namespace rayset
