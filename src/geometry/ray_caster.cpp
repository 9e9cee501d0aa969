#include "geometry/ray_caster.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "geometry/embree_device.h"
#include "geometry/triangle.h"

namespace rayset {

// Embree works in single precision: coordinates are kept relative to the scene's centre, and the exact triangle is used
// again in double precision for positions and distances.
struct RayCaster::Impl {
  ScenePtr scene;
  Vec3 centre = Vec3::Zero();
  std::vector<Surface> surfaces;

  [[nodiscard]] Vec3 corner(std::size_t surface, std::uint32_t triangle, std::size_t k) const {
    const Surface& s = surfaces[surface];
    return s.vertices[s.triangles[triangle][k]];
  }
  [[nodiscard]] Vec3 normal(std::size_t surface, std::uint32_t triangle) const {
    const Vec3 a = corner(surface, triangle, 0);
    const Vec3 n = (corner(surface, triangle, 1) - a).cross(corner(surface, triangle, 2) - a);
    const double length = n.norm();
    return length > 0 ? Vec3(n / length) : Vec3(Vec3::UnitZ());
  }
};

namespace {

struct Query {
  const Surface* surfaces;
  Vec3 centre;
  Vec3 point;
  double best;
  std::size_t surface;
  std::uint32_t triangle;
  Vec3 position;
};

bool considerTriangle(RTCPointQueryFunctionArguments* arguments) {
  auto& q = *static_cast<Query*>(arguments->userPtr);
  const Surface& s = q.surfaces[arguments->geomID];
  const auto& t = s.triangles[arguments->primID];
  const Vec3 nearest = nearestOnTriangle(q.point, s.vertices[t[0]], s.vertices[t[1]], s.vertices[t[2]]);
  const double distance = (nearest - q.point).norm();
  // Ties (shared edges) go to the lower index, so that the answer does not depend on the order of traversal.
  if (distance < q.best || (distance == q.best && std::pair(std::size_t{arguments->geomID}, arguments->primID) <
                                                      std::pair(q.surface, q.triangle))) {
    q.best = distance;
    q.surface = arguments->geomID;
    q.triangle = arguments->primID;
    q.position = nearest;
    arguments->query->radius = std::nextafter(static_cast<float>(distance), std::numeric_limits<float>::infinity());
    return true;
  }
  return false;
}

/// A ray in scene coordinates; `direction` is unit.
RTCRayHit embreeRay(const Vec3& origin, const Vec3& direction, double from_mm, double to_mm) {
  RTCRayHit ray{};
  ray.ray.org_x = static_cast<float>(origin.x());
  ray.ray.org_y = static_cast<float>(origin.y());
  ray.ray.org_z = static_cast<float>(origin.z());
  ray.ray.dir_x = static_cast<float>(direction.x());
  ray.ray.dir_y = static_cast<float>(direction.y());
  ray.ray.dir_z = static_cast<float>(direction.z());
  ray.ray.tnear = static_cast<float>(from_mm);
  ray.ray.tfar = static_cast<float>(to_mm);
  ray.ray.mask = ~0u;
  ray.hit.geomID = RTC_INVALID_GEOMETRY_ID;
  return ray;
}

struct AllHits : RTCIntersectContext {
  std::vector<std::pair<std::uint32_t, std::uint32_t>>* found;
};

void collectHit(const RTCFilterFunctionNArguments* arguments) {
  auto* context = static_cast<AllHits*>(arguments->context);
  for (unsigned i = 0; i < arguments->N; ++i) {
    if (arguments->valid[i] == 0) continue;
    context->found->emplace_back(RTCHitN_geomID(arguments->hit, arguments->N, i),
                                 RTCHitN_primID(arguments->hit, arguments->N, i));
    arguments->valid[i] = 0;  // reject, so that the ray continues
  }
}

}  // namespace

RayCaster::RayCaster(const std::vector<const Surface*>& surfaces) : impl_(std::make_unique<Impl>()) {
  Box box;
  for (const Surface* s : surfaces) {
    impl_->surfaces.push_back(*s);
    box.extend(bounds(*s));
  }
  if (!box.isEmpty()) impl_->centre = box.center();
  impl_->scene.reset(rtcNewScene(embreeDevice()));
  rtcSetSceneFlags(impl_->scene.get(), RTC_SCENE_FLAG_ROBUST | RTC_SCENE_FLAG_CONTEXT_FILTER_FUNCTION);
  for (std::size_t k = 0; k < impl_->surfaces.size(); ++k) {
    const Surface& s = impl_->surfaces[k];
    RTCGeometry geometry = rtcNewGeometry(embreeDevice(), RTC_GEOMETRY_TYPE_TRIANGLE);
    auto* v =
        static_cast<float*>(rtcSetNewGeometryBuffer(geometry, RTC_BUFFER_TYPE_VERTEX, 0, RTC_FORMAT_FLOAT3,
                                                    3 * sizeof(float), std::max<std::size_t>(1, s.vertices.size())));
    for (const Vec3& p : s.vertices) {
      for (int c = 0; c < 3; ++c) *v++ = static_cast<float>(p[c] - impl_->centre[c]);
    }
    auto* t = static_cast<std::uint32_t*>(rtcSetNewGeometryBuffer(geometry, RTC_BUFFER_TYPE_INDEX, 0, RTC_FORMAT_UINT3,
                                                                  3 * sizeof(std::uint32_t),
                                                                  std::max<std::size_t>(1, s.triangles.size())));
    if (s.triangles.empty()) std::fill(t, t + 3, 0u);
    for (const auto& triangle : s.triangles) {
      for (const std::uint32_t i : triangle) *t++ = i;
    }
    rtcCommitGeometry(geometry);
    rtcAttachGeometryByID(impl_->scene.get(), geometry, static_cast<unsigned>(k));
    rtcReleaseGeometry(geometry);
  }
  commitScene(impl_->scene.get());
}

RayCaster::~RayCaster() = default;
RayCaster::RayCaster(RayCaster&&) noexcept = default;
RayCaster& RayCaster::operator=(RayCaster&&) noexcept = default;

std::optional<RayCaster::Hit> RayCaster::first(const Vec3& origin, const Vec3& direction, double from_mm,
                                               double to_mm) const {
  const Vec3 d = direction.normalized(), o = origin - impl_->centre;
  RTCIntersectContext context;
  rtcInitIntersectContext(&context);
  RTCRayHit ray = embreeRay(o, d, from_mm, to_mm);
  rtcIntersect1(impl_->scene.get(), &context, &ray);
  if (ray.hit.geomID == RTC_INVALID_GEOMETRY_ID) return std::nullopt;
  Hit hit{};
  hit.surface = ray.hit.geomID;
  hit.triangle = ray.hit.primID;
  hit.normal = impl_->normal(hit.surface, hit.triangle);
  const double along = hit.normal.dot(d);
  const double exact = hit.normal.dot(impl_->corner(hit.surface, hit.triangle, 0) - origin) / along;
  hit.distance = std::abs(along) > 1e-6 && std::abs(exact - static_cast<double>(ray.ray.tfar)) < 0.05
                     ? exact
                     : static_cast<double>(ray.ray.tfar);
  hit.position = origin + hit.distance * d;
  hit.entering = along < 0;
  return hit;
}

std::vector<RayCaster::Hit> RayCaster::all(const Vec3& origin, const Vec3& direction, double to_mm) const {
  const Vec3 d = direction.normalized(), o = origin - impl_->centre;
  std::vector<std::pair<std::uint32_t, std::uint32_t>> found;
  AllHits context{};
  rtcInitIntersectContext(&context);
  context.filter = collectHit;
  context.found = &found;
  RTCRayHit ray = embreeRay(o, d, 0, to_mm);
  rtcIntersect1(impl_->scene.get(), &context, &ray);
  std::sort(found.begin(), found.end());
  found.erase(std::unique(found.begin(), found.end()), found.end());
  std::vector<Hit> hits;
  for (const auto& [surface, triangle] : found) {
    Hit hit{};
    hit.surface = surface;
    hit.triangle = triangle;
    hit.normal = impl_->normal(surface, triangle);
    const double along = hit.normal.dot(d);
    if (std::abs(along) < 1e-9) continue;  // grazing: neither in nor out
    hit.distance = hit.normal.dot(impl_->corner(surface, triangle, 0) - origin) / along;
    hit.position = origin + hit.distance * d;
    hit.entering = along < 0;
    hits.push_back(hit);
  }
  std::sort(hits.begin(), hits.end(), [](const Hit& a, const Hit& b) {
    return std::tie(a.distance, a.surface, a.triangle) < std::tie(b.distance, b.surface, b.triangle);
  });
  // A ray through a shared edge reports both triangles: one crossing, not two.
  std::vector<Hit> unique;
  for (const Hit& hit : hits) {
    const bool repeat = std::any_of(unique.rbegin(), unique.rend(), [&](const Hit& u) {
      return u.surface == hit.surface && u.entering == hit.entering && std::abs(u.distance - hit.distance) < 1e-6;
    });
    if (!repeat) unique.push_back(hit);
  }
  return unique;
}

std::optional<RayCaster::Nearest> RayCaster::nearest(const Vec3& point, double limit_mm) const {
  Query query{
      impl_->surfaces.data(), impl_->centre, point, limit_mm, std::numeric_limits<std::size_t>::max(), 0, Vec3::Zero()};
  RTCPointQueryContext context;
  rtcInitPointQueryContext(&context);
  RTCPointQuery q{};
  const Vec3 local = point - impl_->centre;
  q.x = static_cast<float>(local.x());
  q.y = static_cast<float>(local.y());
  q.z = static_cast<float>(local.z());
  q.radius = std::nextafter(static_cast<float>(limit_mm), std::numeric_limits<float>::infinity());
  rtcPointQuery(impl_->scene.get(), &q, &context, considerTriangle, &query);
  if (query.surface == std::numeric_limits<std::size_t>::max()) return std::nullopt;
  return Nearest{query.best, query.surface, query.triangle, query.position,
                 impl_->normal(query.surface, query.triangle)};
}

bool RayCaster::inside(const Vec3& point) const {
  // Three irrational directions; each counts crossings per surface, the majority decides (one may graze an edge).
  static const std::array<Vec3, 3> kDirections{Vec3(0.5773, 0.5771, 0.5776), Vec3(-0.6123, 0.3541, 0.7072),
                                               Vec3(0.2673, -0.8018, 0.5345)};
  int votes = 0;
  for (const Vec3& direction : kDirections) {
    std::vector<int> depth(impl_->surfaces.size(), 0);
    for (const Hit& hit : all(point, direction)) depth[hit.surface] += hit.entering ? -1 : 1;
    if (std::any_of(depth.begin(), depth.end(), [](int n) { return n > 0; })) ++votes;
  }
  return votes >= 2;
}

double RayCaster::signedDistance(const Vec3& point, double limit_mm) const {
  const auto hit = nearest(point, limit_mm);
  const double distance = hit ? hit->distance : limit_mm;
  return inside(point) ? -distance : distance;
}

SurfaceDistance compareSurfaces(const Surface& a, const Surface& b, std::size_t samples) {
  std::vector<double> distances;
  double sum[2] = {0, 0};
  const Surface* sides[2] = {&a, &b};
  for (int k = 0; k < 2; ++k) {
    const RayCaster target({sides[1 - k]});
    const auto points = sampleEvenly(*sides[k], samples);
    for (const auto& p : points) {
      const auto nearest = target.nearest(p.position);
      distances.push_back(nearest ? nearest->distance : 1e6);
      sum[k] += distances.back();
    }
    sum[k] /= std::max<double>(1.0, static_cast<double>(points.size()));
  }
  if (distances.empty()) return {0, 0, 0};
  std::sort(distances.begin(), distances.end());
  return {(sum[0] + sum[1]) / 2, distances[static_cast<std::size_t>(0.95 * static_cast<double>(distances.size() - 1))],
          distances.back()};
}

}  // namespace rayset
