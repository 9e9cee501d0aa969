#include "report/render.h"

#include <cairo.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <limits>
#include <map>
#include <memory>
#include <numbers>
#include <span>

#include "geometry/embree_device.h"

namespace rayset {
namespace {

using V3f = Eigen::Vector3f;

// Pictures live in view coordinates: x to the right, y up, z towards the viewer, millimetres from the view's centre.
// Floats then have plenty of digits, whatever the patient's position in the scanner, and every ray runs along -z.
struct Part {
  const PreparedSurfaces::Mesh* mesh = nullptr;     // null: nothing to show
  Eigen::Matrix3f R = Eigen::Matrix3f::Identity();  // patient to view
  V3f shift = V3f::Zero();                          // of the mesh's origin
  V3f colour = V3f::Zero();
  float opacity = 1;
};

// Normal of each triangle corner: angle-weighted mean of the faces around the vertex that lie within 45 degrees of this
// face. Bones come out smooth, while screw heads and cylinder ends keep their edges.
std::vector<V3f> cornerNormals(const std::vector<V3f>& points, const std::vector<Surface::Triangle>& triangles) {
  const std::size_t n = triangles.size();
  std::vector<V3f> face(n);
  std::vector<std::array<float, 3>> angle(n);
  std::vector<std::uint32_t> start(points.size() + 1, 0);
  for (std::size_t t = 0; t < n; ++t) {
    const auto& tri = triangles[t];
    const V3f& a = points[tri[0]];
    const V3f& b = points[tri[1]];
    const V3f& c = points[tri[2]];
    const V3f cross = (b - a).cross(c - a);
    const float length = cross.norm();
    face[t] = length > 0 ? V3f(cross / length) : V3f::Zero();
    const auto corner = [](const V3f& p, const V3f& q, const V3f& r) {
      const V3f u = q - p, v = r - p;
      return std::atan2(u.cross(v).norm(), u.dot(v));
    };
    angle[t] = {corner(a, b, c), corner(b, c, a), corner(c, a, b)};
    for (const std::uint32_t v : tri) ++start[v + 1];
  }
  for (std::size_t v = 1; v < start.size(); ++v) start[v] += start[v - 1];
  std::vector<std::uint32_t> around(3 * n);  // triangle * 3 + corner, grouped by vertex
  std::vector<std::uint32_t> cursor(start.begin(), start.end() - 1);
  for (std::size_t t = 0; t < n; ++t)
    for (std::uint32_t k = 0; k < 3; ++k) around[cursor[triangles[t][k]]++] = static_cast<std::uint32_t>(3 * t + k);

  constexpr float kCrease = 0.70710678F;
  std::vector<V3f> normals(3 * n);
  tbb::parallel_for(tbb::blocked_range<std::size_t>(0, n, 4096), [&](const tbb::blocked_range<std::size_t>& range) {
    for (std::size_t t = range.begin(); t < range.end(); ++t) {
      for (std::uint32_t k = 0; k < 3; ++k) {
        const std::uint32_t v = triangles[t][k];
        V3f sum = V3f::Zero();
        for (std::uint32_t i = start[v]; i < start[v + 1]; ++i) {
          const std::uint32_t other = around[i] / 3;
          if (face[other].dot(face[t]) >= kCrease) sum += angle[other][around[i] % 3] * face[other];
        }
        const float length = sum.norm();
        normals[3 * t + k] = length > 0 ? V3f(sum / length) : face[t];
      }
    }
  });
  return normals;
}

}  // namespace

struct PreparedSurfaces::Mesh {
  Vec3 origin = Vec3::Zero();       // of the points, patient frame
  std::vector<V3f> corner_normals;  // three per triangle, patient frame
  ScenePtr scene;
};

struct PreparedSurfaces::Impl {
  std::map<const Surface*, Mesh> meshes;
};

PreparedSurfaces::PreparedSurfaces(const std::vector<const Surface*>& surfaces) : impl_(std::make_unique<Impl>()) {
  std::vector<std::pair<const Surface*, Mesh*>> todo;
  for (const Surface* s : surfaces)
    if (s != nullptr && !s->triangles.empty() && !impl_->meshes.contains(s)) todo.emplace_back(s, &impl_->meshes[s]);
  tbb::parallel_for(std::size_t{0}, todo.size(), [&](std::size_t i) {
    const Surface& surface = *todo[i].first;
    Mesh& mesh = *todo[i].second;
    mesh.origin = bounds(surface).center();
    std::vector<V3f> points;
    points.reserve(surface.vertices.size());
    for (const Vec3& v : surface.vertices) points.push_back((v - mesh.origin).cast<float>());
    mesh.corner_normals = cornerNormals(points, surface.triangles);
    mesh.scene.reset(rtcNewScene(embreeDevice()));
    rtcSetSceneFlags(mesh.scene.get(), RTC_SCENE_FLAG_ROBUST | RTC_SCENE_FLAG_CONTEXT_FILTER_FUNCTION);
    RTCGeometry geometry = rtcNewGeometry(embreeDevice(), RTC_GEOMETRY_TYPE_TRIANGLE);
    auto* vertices = static_cast<float*>(rtcSetNewGeometryBuffer(geometry, RTC_BUFFER_TYPE_VERTEX, 0, RTC_FORMAT_FLOAT3,
                                                                 3 * sizeof(float), points.size()));
    for (std::size_t k = 0; k < points.size(); ++k) std::copy_n(points[k].data(), 3, vertices + 3 * k);
    auto* indices = static_cast<std::uint32_t*>(rtcSetNewGeometryBuffer(
        geometry, RTC_BUFFER_TYPE_INDEX, 0, RTC_FORMAT_UINT3, 3 * sizeof(std::uint32_t), surface.triangles.size()));
    for (std::size_t t = 0; t < surface.triangles.size(); ++t)
      std::copy_n(surface.triangles[t].data(), 3, indices + 3 * t);
    rtcCommitGeometry(geometry);
    rtcAttachGeometry(mesh.scene.get(), geometry);
    rtcReleaseGeometry(geometry);
    commitScene(mesh.scene.get());
  });
}
PreparedSurfaces::~PreparedSurfaces() = default;

const PreparedSurfaces::Mesh* PreparedSurfaces::find(const Surface* surface) const {
  const auto it = impl_->meshes.find(surface);
  return it == impl_->meshes.end() ? nullptr : &it->second;
}

namespace {

/// The parts of one kind, each as its prepared mesh in the pose of the view.
ScenePtr makeScene(const std::vector<Part>& parts, bool opaque) {
  ScenePtr scene(rtcNewScene(embreeDevice()));
  rtcSetSceneFlags(scene.get(), RTC_SCENE_FLAG_ROBUST | RTC_SCENE_FLAG_CONTEXT_FILTER_FUNCTION);
  for (std::size_t p = 0; p < parts.size(); ++p) {
    const Part& part = parts[p];
    if ((part.opacity >= 1) != opaque || part.mesh == nullptr) continue;
    RTCGeometry geometry = rtcNewGeometry(embreeDevice(), RTC_GEOMETRY_TYPE_INSTANCE);
    rtcSetGeometryInstancedScene(geometry, part.mesh->scene.get());
    std::array<float, 12> columns{};
    for (int c = 0; c < 3; ++c) std::copy_n(part.R.col(c).data(), 3, columns.data() + 3 * c);
    std::copy_n(part.shift.data(), 3, columns.data() + 9);
    rtcSetGeometryTransform(geometry, 0, RTC_FORMAT_FLOAT3X4_COLUMN_MAJOR, columns.data());
    rtcCommitGeometry(geometry);
    rtcAttachGeometryByID(scene.get(), geometry, static_cast<unsigned>(p));  // instance ids are part indices
    rtcReleaseGeometry(geometry);
  }
  commitScene(scene.get());
  return scene;
}

RTCRayHit makeRay(float x, float y, float z, float dx, float dy, float dz, float from, float to) {
  RTCRayHit r;
  std::memset(&r, 0, sizeof r);
  r.ray.org_x = x;
  r.ray.org_y = y;
  r.ray.org_z = z;
  r.ray.dir_x = dx;
  r.ray.dir_y = dy;
  r.ray.dir_z = dz;
  r.ray.tnear = from;
  r.ray.tfar = to;
  r.ray.mask = ~0U;
  r.hit.geomID = RTC_INVALID_GEOMETRY_ID;
  r.hit.instID[0] = RTC_INVALID_GEOMETRY_ID;
  return r;
}

V3f shadingNormal(const Part& part, std::uint32_t triangle, float u, float v) {
  const V3f* n = &part.mesh->corner_normals[3 * static_cast<std::size_t>(triangle)];
  V3f normal = part.R * ((1 - u - v) * n[0] + u * n[1] + v * n[2]);
  const float length = normal.norm();
  if (length > 0) normal /= length;
  if (normal.z() < 0) {  // a smooth normal may lean away from the viewer near the outline: bring it back to the rim
    normal.z() = 0;
    const float rim = normal.norm();
    normal = rim > 0 ? V3f(normal / rim) : V3f::UnitZ();
  }
  return normal;
}

// Light of a matt surface: key light from above left of the viewer (half-wrapped, so no hard terminator), sky from
// above.
float keyLight(const V3f& n) {
  static const V3f key = V3f(-0.42F, 0.62F, 0.80F).normalized();
  const float wrapped = (n.dot(key) + 0.25F) / 1.25F;
  return std::max(0.0F, wrapped);
}
float skyLight(const V3f& n) { return 0.75F + 0.25F * n.y(); }

std::uint32_t scrambled(std::uint32_t x) {  // integer hash (lowbias32, C. Wellons): decorrelates neighbouring pixels
  x ^= x >> 16;
  x *= 0x7feb352dU;
  x ^= x >> 15;
  x *= 0x846ca68bU;
  x ^= x >> 16;
  return x;
}

std::uint8_t toScreen(float linear) {
  const float c = std::clamp(linear, 0.0F, 1.0F);
  const float s = c <= 0.0031308F ? 12.92F * c : 1.055F * std::pow(c, 1.0F / 2.4F) - 0.055F;
  return static_cast<std::uint8_t>(std::lround(255.0F * s));
}

}  // namespace

Eigen::Vector2d project(const RenderView& view, const Vec3& point) {
  const double px_per_mm = view.width_px / view.width_mm;
  const Vec3 d = point - view.centre;
  return {0.5 * view.width_px + px_per_mm * d.dot(view.right), 0.5 * view.height_px - px_per_mm * d.dot(view.up)};
}

std::array<float, 3> linearColour(std::uint32_t rgb) {
  std::array<float, 3> out{};
  for (int k = 0; k < 3; ++k) {
    const float s = static_cast<float>((rgb >> (16 - 8 * k)) & 0xFFU) / 255.0F;
    out[static_cast<std::size_t>(k)] = s <= 0.04045F ? s / 12.92F : std::pow((s + 0.055F) / 1.055F, 2.4F);
  }
  return out;
}

namespace {

// What one ray sees: the nearest opaque part, its height and normal; in front of it the blend of translucent fronts.
struct Sample {
  std::int16_t id = -1, ghost_id = -1;
  float height = 0;
  V3f normal = V3f::Zero();
  V3f ghost = V3f::Zero();  // premultiplied
  float ghost_cover = 0;
};

// Neighbouring rays see much the same, so this many traverse the tree together.
constexpr int kTogether = 8;

// The nearest front of every part along each of a few rays, gathered in one traversal of the tree: Embree offers each
// hit to collect(), which keeps it and lets the ray continue.
struct Fronts : RTCIntersectContext {
  struct Hit {
    std::int16_t id;
    float depth, u, v;
    std::uint32_t triangle;
  };
  struct OfRay {
    std::array<Hit, 32> hits;
    std::ptrdiff_t count = 0;
  };
  const std::vector<Part>& parts;
  std::array<OfRay, kTogether> rays;

  explicit Fronts(const std::vector<Part>& all) : parts(all) {
    rtcInitIntersectContext(this);
    flags = RTC_INTERSECT_CONTEXT_FLAG_COHERENT;
    filter = &Fronts::collect;
  }

  static void collect(const RTCFilterFunctionNArguments* a) {
    auto& me = *static_cast<Fronts*>(a->context);
    for (unsigned i = 0; i < a->N; ++i) {
      if (a->valid[i] == 0) continue;
      a->valid[i] = 0;
      const RTCHit h = rtcGetHitFromHitN(a->hit, a->N, i);
      const Part& part = me.parts[h.instID[0]];
      // The geometric normal comes in the mesh's own frame.
      if (part.R.row(2).dot(V3f(h.Ng_x, h.Ng_y, h.Ng_z)) <= 0) continue;
      OfRay& ray = me.rays[RTCRayN_id(a->ray, a->N, i)];
      const float depth = RTCRayN_tfar(a->ray, a->N, i);
      const auto id = static_cast<std::int16_t>(h.instID[0]);
      const Hit hit{id, depth, h.u, h.v, h.primID};
      const auto end = ray.hits.begin() + ray.count;
      const auto same = std::find_if(ray.hits.begin(), end, [id](const Hit& k) { return k.id == id; });
      if (same != end) {
        if (depth < same->depth) *same = hit;
      } else if (ray.count < static_cast<std::ptrdiff_t>(ray.hits.size())) {
        ray.hits[static_cast<std::size_t>(ray.count++)] = hit;
      }
    }
  }
};

class Tracer {
 public:
  Tracer(const std::vector<Part>& parts, float start_z, float reach)
      : parts_(parts), start_z_(start_z), reach_(reach), opaque_(makeScene(parts, true)) {
    for (const Part& p : parts) ghosts_ = ghosts_ || (p.opacity < 1 && p.mesh != nullptr);
    if (ghosts_) translucent_ = makeScene(parts, false);
  }

  /// What rays at (x, y) see.
  void look(std::span<const Eigen::Vector2f> at, Sample* out) const {
    for (; !at.empty(); out += kTogether) {
      const std::size_t count = std::min<std::size_t>(kTogether, at.size());
      lookTogether(at.first(count), out);
      at = at.subspan(count);
    }
  }

  /// Share of the sky seen from a surface point, over a few cosine-weighted rays; `seed` turns the pattern.
  [[nodiscard]] float openness(const V3f& p, const V3f& n, int rays, float far_mm, std::uint32_t seed) const {
    RTCIntersectContext context;
    rtcInitIntersectContext(&context);
    const V3f t = (std::abs(n.x()) < 0.7F ? V3f::UnitX() : V3f::UnitY()).cross(n).normalized();
    const V3f b = n.cross(t);
    const V3f o = p + 0.03F * n + V3f(0, 0, 0.02F);  // off the surface by more than the rounding of floats
    const std::uint32_t h = scrambled(seed);
    const float turn = static_cast<float>(h & 0xFFFFU) / 65536.0F, lift = static_cast<float>(h >> 16) / 65536.0F;
    float light = 0;
    for (int k = 0; k < rays; ++k) {
      // Fibonacci lattice on the disc, raised to the hemisphere (cosine weighting by Malley's method).
      const float radius2 = (static_cast<float>(k) + lift) / static_cast<float>(rays);
      const float phi = 2 * std::numbers::pi_v<float> * (static_cast<float>(k) * 0.61803399F + turn);
      const float rho = std::sqrt(radius2);
      const V3f d = rho * std::cos(phi) * t + rho * std::sin(phi) * b + std::sqrt(1 - radius2) * n;
      RTCRayHit r = makeRay(o.x(), o.y(), o.z(), d.x(), d.y(), d.z(), 0, far_mm);
      rtcIntersect1(opaque_.get(), &context, &r);
      light += r.hit.geomID == RTC_INVALID_GEOMETRY_ID ? 1.0F : 0.85F * r.ray.tfar / far_mm;
    }
    return light / static_cast<float>(rays);
  }

 private:
  void lookTogether(std::span<const Eigen::Vector2f> at, Sample* out) const {
    RTCIntersectContext context;
    rtcInitIntersectContext(&context);
    context.flags = RTC_INTERSECT_CONTEXT_FLAG_COHERENT;
    alignas(32) std::array<int, kTogether> valid{};
    RTCRayHit8 r;
    std::memset(&r, 0, sizeof r);
    for (std::size_t i = 0; i < at.size(); ++i) {
      valid[i] = -1;
      r.ray.org_x[i] = at[i].x();
      r.ray.org_y[i] = at[i].y();
      r.ray.org_z[i] = start_z_;
      r.ray.dir_z[i] = -1;
      r.ray.tfar[i] = reach_;
      r.ray.mask[i] = ~0U;
      r.ray.id[i] = static_cast<unsigned>(i);
    }
    const auto sent = [&r] {
      std::fill(std::begin(r.hit.geomID), std::end(r.hit.geomID), RTC_INVALID_GEOMETRY_ID);
      std::fill(std::begin(r.hit.instID[0]), std::end(r.hit.instID[0]), RTC_INVALID_GEOMETRY_ID);
    };
    sent();
    rtcIntersect8(valid.data(), opaque_.get(), &context, &r);
    for (std::size_t i = 0; i < at.size(); ++i) {
      out[i] = {};
      if (r.hit.geomID[i] == RTC_INVALID_GEOMETRY_ID) continue;
      const unsigned id = r.hit.instID[0][i];
      out[i].id = static_cast<std::int16_t>(id);
      out[i].height = start_z_ - r.ray.tfar[i];
      out[i].normal = shadingNormal(parts_[id], r.hit.primID[i], r.hit.u[i], r.hit.v[i]);
    }
    if (!ghosts_) return;
    Fronts fronts(parts_);
    sent();
    rtcIntersect8(valid.data(), translucent_.get(), &fronts, &r);  // up to the opaque part
    for (std::size_t i = 0; i < at.size(); ++i) blend(fronts.rays[i], out[i]);
  }

  void blend(Fronts::OfRay& fronts, Sample& s) const {
    std::sort(fronts.hits.begin(), fronts.hits.begin() + fronts.count,
              [](const Fronts::Hit& a, const Fronts::Hit& b) { return a.depth < b.depth; });
    float left = 1;
    for (std::ptrdiff_t k = 0; k < fronts.count && left > 0.02F; ++k) {
      const Fronts::Hit& hit = fronts.hits[static_cast<std::size_t>(k)];
      const Part& part = parts_[static_cast<std::size_t>(hit.id)];
      const V3f n = shadingNormal(part, hit.triangle, hit.u, hit.v);
      // A thin shell: seen edge-on it covers more, which draws the outline without hiding the middle.
      const float cover = 1.0F - std::pow(1.0F - part.opacity, 1.0F / std::max(0.22F, n.z()));
      const float light = 0.66F * keyLight(n) + 0.48F * skyLight(n);
      s.ghost += left * cover * light * part.colour;
      left *= 1.0F - cover;
      if (s.ghost_id < 0) s.ghost_id = hit.id;
    }
    s.ghost_cover = 1.0F - left;
  }

  const std::vector<Part>& parts_;
  float start_z_, reach_;
  bool ghosts_ = false;
  ScenePtr opaque_, translucent_;
};

// A step between two samples of one part that its slope does not explain: a fold in front of itself.
constexpr float kFoldMm = 1.2F;
const V3f kInk(0.012F, 0.014F, 0.02F);

// The parts in the poses of the view, and the box around the visible ones.
struct Staged {
  std::vector<Part> parts;
  Eigen::AlignedBox3f box;
};
Staged staged(const std::vector<RenderPart>& shown, const RenderView& view, const PreparedSurfaces& prepared) {
  Mat3 R_VP;  // patient to view
  R_VP.row(0) = view.right.transpose();
  R_VP.row(1) = view.up.transpose();
  R_VP.row(2) = view.right.cross(view.up).transpose();
  Staged out;
  out.parts.resize(shown.size());
  for (std::size_t p = 0; p < shown.size(); ++p) {
    Part& part = out.parts[p];
    part.colour = V3f(shown[p].colour[0], shown[p].colour[1], shown[p].colour[2]);
    part.opacity = std::clamp(shown[p].opacity, 0.0F, 1.0F);
    part.mesh = prepared.find(shown[p].surface);
    if (part.mesh == nullptr) continue;
    part.R = R_VP.cast<float>();
    part.shift = (R_VP * (part.mesh->origin - view.centre)).cast<float>();
    for (const Vec3& v : shown[p].surface->vertices) out.box.extend((R_VP * (v - view.centre)).cast<float>());
  }
  return out;
}

// The pixels of a picture, and the part of it that can show anything.
class Raster {
 public:
  Raster(const RenderView& view, const Eigen::AlignedBox3f& box)
      : width(std::max(1, view.width_px)),
        height(std::max(1, view.height_px)),
        mm_per_px(static_cast<float>(view.width_mm / width)) {
    if (box.isEmpty()) return;
    const auto clampPx = [](float v, int most) {
      return std::clamp(static_cast<int>(std::clamp(v, -1e6F, 1e6F)), 0, most);
    };
    left = clampPx(box.min().x() / mm_per_px + 0.5F * static_cast<float>(width) - 3, width);
    right = clampPx(box.max().x() / mm_per_px + 0.5F * static_cast<float>(width) + 4, width);
    top = clampPx(0.5F * static_cast<float>(height) - box.max().y() / mm_per_px - 3, height);
    bottom = clampPx(0.5F * static_cast<float>(height) - box.min().y() / mm_per_px + 4, height);
  }

  int width, height;
  float mm_per_px;
  int left = 0, right = 0, top = 0, bottom = 0;

  [[nodiscard]] std::size_t count() const { return static_cast<std::size_t>(width) * static_cast<std::size_t>(height); }
  [[nodiscard]] std::size_t at(int x, int y) const {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(width) + static_cast<std::size_t>(x);
  }
  // From pixels, counted from the top left corner, to the view.
  [[nodiscard]] Eigen::Vector2f toView(float px, float py) const {
    return {(px - 0.5F * static_cast<float>(width)) * mm_per_px, (0.5F * static_cast<float>(height) - py) * mm_per_px};
  }
  [[nodiscard]] Eigen::Vector2f middleOf(int x, int y) const {
    return toView(static_cast<float>(x) + 0.5F, static_cast<float>(y) + 0.5F);
  }
  template <class Body>
  void forRows(const Body& body) const {
    tbb::parallel_for(tbb::blocked_range<int>(top, bottom, 4), [&](const tbb::blocked_range<int>& range) {
      for (int y = range.begin(); y < range.end(); ++y) body(y);
    });
  }
  // Calls visit(x, y) for the pixels up to `by` from (x, y) while it says true; every `stride`-th one, counted from the
  // picture's corner.
  template <class Visit>
  bool around(int x, int y, int by, const Visit& visit, int stride = 1) const {
    const auto first = [stride](int v) { return v + (stride - v % stride) % stride; };
    for (int v = first(std::max(0, y - by)); v <= std::min(height - 1, y + by); v += stride)
      for (int u = first(std::max(0, x - by)); u <= std::min(width - 1, x + by); u += stride)
        if (!visit(u, v)) return false;
    return true;
  }
};

// What is seen: one ray through the middle of every pixel, and n x n if something begins or ends nearby; other pixels
// are smooth enough for one.
class Samples {
 public:
  Samples(const Raster& raster, const Tracer& tracer, int n, int near_px) : raster_(raster), n_(n) {
    lookAtMiddles(tracer);
    findBusy(near_px);
    lookCloser(tracer);
  }

  [[nodiscard]] const Sample& middle(int x, int y) const { return middle_[raster_.at(x, y)]; }
  [[nodiscard]] bool busy(int x, int y) const { return first_fine_[raster_.at(x, y)] >= 0; }
  // The sample at a place of the fine grid (n per pixel).
  [[nodiscard]] const Sample& fine(int sx, int sy) const {
    const std::size_t p = raster_.at(sx / n_, sy / n_);
    return first_fine_[p] < 0 ? middle_[p] : fine_[static_cast<std::size_t>(first_fine_[p] + (sy % n_) * n_ + sx % n_)];
  }
  [[nodiscard]] int perPixel() const { return n_; }

 private:
  void lookAtMiddles(const Tracer& tracer) {
    middle_.resize(raster_.count());
    raster_.forRows([&](int y) {
      std::vector<Eigen::Vector2f> at;
      for (int x = raster_.left; x < raster_.right; ++x) at.push_back(raster_.middleOf(x, y));
      if (!at.empty()) tracer.look(at, &middle_[raster_.at(raster_.left, y)]);
    });
  }
  void findBusy(int near_px) {
    first_fine_.assign(raster_.count(), -1);
    raster_.forRows([&](int y) {
      for (int x = raster_.left; x < raster_.right; ++x) {
        const Sample& me = middle(x, y);
        const bool calm = raster_.around(x, y, near_px, [&](int u, int v) {
          const Sample& other = middle(u, v);
          return other.id == me.id && other.ghost_id == me.ghost_id && std::abs(other.height - me.height) < kFoldMm &&
                 (me.id < 0 || other.normal.dot(me.normal) > 0.9F);
        });
        if (!calm) first_fine_[raster_.at(x, y)] = 0;
      }
    });
    std::int32_t count = 0;
    for (std::int32_t& first : first_fine_)
      if (first == 0) {
        first = count;
        count += n_ * n_;
      }
    fine_.resize(static_cast<std::size_t>(count));
  }
  void lookCloser(const Tracer& tracer) {
    const float step = 1.0F / static_cast<float>(n_);
    raster_.forRows([&](int y) {
      std::vector<Eigen::Vector2f> at;  // fine samples of a row are adjacent
      std::int32_t first = -1;
      for (int x = raster_.left; x < raster_.right; ++x) {
        if (!busy(x, y)) continue;
        if (first < 0) first = first_fine_[raster_.at(x, y)];
        for (int k = 0; k < n_ * n_; ++k) {
          const int row = k / n_, column = k % n_;
          at.push_back(raster_.toView(static_cast<float>(x) + (static_cast<float>(column) + 0.5F) * step,
                                      static_cast<float>(y) + (static_cast<float>(row) + 0.5F) * step));
        }
      }
      if (!at.empty()) tracer.look(at, &fine_[static_cast<std::size_t>(first)]);
    });
  }

  const Raster& raster_;
  int n_;
  std::vector<Sample> middle_, fine_;
  std::vector<std::int32_t> first_fine_;  // index of the pixel's first fine sample; -1: it is calm
};

// Ambient light of every pixel: occlusion on one pixel in four, spread by a smoothing that stays on the part.
std::vector<float> ambientLight(const Raster& raster, const Samples& samples, const Tracer& tracer,
                                const RenderSettings& settings) {
  std::vector<float> smooth(raster.count(), 1.0F);
  if (settings.occlusion_rays <= 0) return smooth;
  std::vector<float> open(raster.count(), -1.0F);
  const auto far_mm = static_cast<float>(settings.occlusion_reach_mm);
  raster.forRows([&](int y) {
    if ((y & 1) != 0) return;
    for (int x = raster.left + (raster.left & 1); x < raster.right; x += 2) {
      const Sample& s = samples.middle(x, y);
      if (s.id < 0) continue;
      const Eigen::Vector2f at = raster.middleOf(x, y);
      open[raster.at(x, y)] =
          tracer.openness(V3f(at.x(), at.y(), s.height), s.normal, settings.occlusion_rays, far_mm,
                          static_cast<std::uint32_t>(x) * 9781U + static_cast<std::uint32_t>(y) * 6271U + 1U);
    }
  });
  raster.forRows([&](int y) {
    for (int x = raster.left; x < raster.right; ++x) {
      const Sample& me = samples.middle(x, y);
      if (me.id < 0) continue;
      float sum = 0, weight = 0;
      const auto add = [&](int u, int v) {
        const float value = open[raster.at(u, v)];
        const Sample& other = samples.middle(u, v);
        if (value < 0 || other.id != me.id || std::abs(other.height - me.height) > 2.0F) return true;
        const float agree = me.normal.dot(other.normal);
        if (agree < 0.6F) return true;
        sum += agree * value;
        weight += agree;
        return true;
      };
      raster.around(x, y, 4, add, 2);
      if (weight > 0) smooth[raster.at(x, y)] = sum / weight;
    }
  });
  return smooth;
}

// Steps of the fine grid on rings around a sample, so that lines are equally wide in every direction. `reach`: of a
// line.
std::vector<Eigen::Vector2i> rings(double reach) {
  std::vector<Eigen::Vector2i> out;
  for (int radius = 1; radius <= static_cast<int>(std::ceil(reach)); ++radius) {
    const double r = std::min<double>(radius, reach);
    for (int k = 0; k < 12; ++k) {
      const double phi = 2 * std::numbers::pi * k / 12;
      const Eigen::Vector2i o(static_cast<int>(std::lround(r * std::cos(phi))),
                              static_cast<int>(std::lround(r * std::sin(phi))));
      if (o.squaredNorm() > 0 && std::find(out.begin(), out.end(), o) == out.end()) out.push_back(o);
    }
  }
  return out;
}

// Colours of what was seen.
class Painter {
 public:
  Painter(const Raster& raster, const Samples& samples, const std::vector<Part>& parts, std::vector<float> ambient,
          double line_px)
      : raster_(raster),
        samples_(samples),
        parts_(parts),
        ambient_(std::move(ambient)),
        ring_(rings(line_px * samples.perPixel())) {}

  [[nodiscard]] V3f pixel(int x, int y) const {
    if (!samples_.busy(x, y)) {
      const Sample& s = samples_.middle(x, y);
      const V3f colour = s.id >= 0 ? lit(s, ambient_[raster_.at(x, y)]) : V3f(V3f::Ones());
      return s.ghost + (1.0F - s.ghost_cover) * colour;
    }
    const int n = samples_.perPixel();
    V3f colour = V3f::Zero();
    for (int k = 0; k < n * n; ++k) colour += fine(x * n + k % n, y * n + k / n);
    return colour / static_cast<float>(n * n);
  }

 private:
  [[nodiscard]] V3f lit(const Sample& s, float ambient) const {
    const float rim = 0.74F + 0.26F * s.normal.z();
    const float light =
        (0.72F * keyLight(s.normal) * (0.35F + 0.65F * ambient) + 0.50F * skyLight(s.normal) * ambient) * rim;
    return light * parts_[static_cast<std::size_t>(s.id)].colour;
  }

  // Ambient light on a fine sample: that of the nearest pixel showing its part at its height.
  [[nodiscard]] float ambientOf(const Sample& s, int x, int y) const {
    float ambient = 1, best = std::numeric_limits<float>::max();
    raster_.around(x, y, 1, [&](int u, int v) {
      const Sample& other = samples_.middle(u, v);
      if (other.id != s.id) return true;
      const float off =
          std::abs(other.height - s.height) + 0.5F * static_cast<float>(std::abs(u - x) + std::abs(v - y));
      if (off < best) best = off, ambient = ambient_[raster_.at(u, v)];
      return true;
    });
    return ambient;
  }

  // The lines a fine sample lies on: another part, or the background, begins within their reach.
  struct Lines {
    float dark = 0;           // 0 to 1
    std::int16_t ghost = -1;  // the translucent part whose outline this is
  };
  [[nodiscard]] Lines linesAt(const Sample& s, int sx, int sy) const {
    const int n = samples_.perPixel();
    const float step = 1.0F / static_cast<float>(n);
    Lines lines;
    for (const Eigen::Vector2i& o : ring_) {
      const int u = sx + o.x(), v = sy + o.y();
      if (u < 0 || v < 0 || u >= raster_.width * n || v >= raster_.height * n) continue;
      const Sample& other = samples_.fine(u, v);
      if (other.id != s.id) {
        lines.dark = 1;
      } else if (s.id >= 0 && lines.dark < 0.7F) {
        const float slope = std::max(0.15F, s.normal.z());
        const float expected = -(s.normal.x() * static_cast<float>(o.x()) - s.normal.y() * static_cast<float>(o.y())) *
                               raster_.mm_per_px * step / slope;
        if (std::abs(other.height - s.height - expected) > kFoldMm + 2 * std::abs(expected)) lines.dark = 0.7F;
      }
      if (other.ghost_id != s.ghost_id && lines.ghost < 0) lines.ghost = std::max(s.ghost_id, other.ghost_id);
    }
    return lines;
  }

  [[nodiscard]] V3f fine(int sx, int sy) const {
    const Sample& s = samples_.fine(sx, sy);
    const int n = samples_.perPixel();
    V3f colour = V3f::Ones();
    if (s.id >= 0) colour = lit(s, ambientOf(s, sx / n, sy / n));
    const Lines lines = linesAt(s, sx, sy);
    colour += 0.85F * lines.dark * (kInk - colour);
    if (s.ghost_cover > 0) colour = s.ghost + (1.0F - s.ghost_cover) * colour;
    if (lines.ghost >= 0) {  // an outline alone keeps its colour; around a translucent body it is a darker shade
      const Part& part = parts_[static_cast<std::size_t>(lines.ghost)];
      colour += (part.opacity > 0 ? 0.85F : 1.0F) * ((part.opacity > 0 ? 0.3F : 0.85F) * part.colour - colour);
    }
    return colour;
  }

  const Raster& raster_;
  const Samples& samples_;
  const std::vector<Part>& parts_;
  std::vector<float> ambient_;
  std::vector<Eigen::Vector2i> ring_;
};

}  // namespace

Picture render(const std::vector<RenderPart>& shown, const RenderView& view, const RenderSettings& settings) {
  std::vector<const Surface*> surfaces;
  surfaces.reserve(shown.size());
  for (const RenderPart& p : shown) surfaces.push_back(p.surface);
  return render(shown, view, settings, PreparedSurfaces(surfaces));
}

Picture render(const std::vector<RenderPart>& shown, const RenderView& view, const RenderSettings& settings,
               const PreparedSurfaces& prepared) {
  const Staged stage = staged(shown, view, prepared);
  const Raster raster(view, stage.box);
  Picture picture;
  picture.width = raster.width;
  picture.height = raster.height;
  picture.rgba.assign(4 * raster.count(), 255);
  if (stage.box.isEmpty()) return picture;
  const Tracer tracer(stage.parts, stage.box.max().z() + 1, stage.box.sizes().z() + 2);
  const Samples samples(raster, tracer, std::clamp(settings.samples, 1, 8),
                        static_cast<int>(std::ceil(settings.line_px)) + 1);
  const Painter painter(raster, samples, stage.parts, ambientLight(raster, samples, tracer, settings),
                        settings.line_px);
  raster.forRows([&](int y) {
    for (int x = raster.left; x < raster.right; ++x) {
      const V3f colour = painter.pixel(x, y);
      for (int k = 0; k < 3; ++k) picture.rgba[4 * raster.at(x, y) + static_cast<std::size_t>(k)] = toScreen(colour[k]);
    }
  });
  return picture;
}

Status writePng(const std::filesystem::path& file, const Picture& picture) {
  cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_ARGB32, picture.width, picture.height);
  cairo_status_t status = cairo_surface_status(surface);
  if (status == CAIRO_STATUS_SUCCESS) {
    unsigned char* data = cairo_image_surface_get_data(surface);
    const int stride = cairo_image_surface_get_stride(surface);
    for (int y = 0; y < picture.height; ++y) {
      for (int x = 0; x < picture.width; ++x) {
        const std::uint8_t* p =
            &picture.rgba[4 * (static_cast<std::size_t>(y) * static_cast<std::size_t>(picture.width) +
                               static_cast<std::size_t>(x))];
        const std::uint32_t a = p[3];
        const auto pre = [a](std::uint32_t c) { return (c * a + 127U) / 255U; };
        const std::uint32_t word = (a << 24) | (pre(p[0]) << 16) | (pre(p[1]) << 8) | pre(p[2]);
        std::memcpy(data + static_cast<std::ptrdiff_t>(y) * stride + 4 * static_cast<std::ptrdiff_t>(x), &word, 4);
      }
    }
    cairo_surface_mark_dirty(surface);
    status = cairo_surface_write_to_png(surface, file.c_str());
  }
  cairo_surface_destroy(surface);
  if (status != CAIRO_STATUS_SUCCESS)
    return fail(Fault::kInternal, {"report.picture_not_written", {{"why", cairo_status_to_string(status)}}},
                file.string(), "file.check_disk");
  return {};
}

}  // namespace rayset
