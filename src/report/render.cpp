#include "report/render.h"

#include <cairo.h>
#include <embree3/rtcore.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <limits>
#include <memory>
#include <numbers>

namespace rayset {
namespace {

using V3f = Eigen::Vector3f;

// The scene lives in view coordinates: x to the right, y up, z towards the viewer, millimetres from the view's centre.
// Floats then have plenty of digits, whatever the patient's position in the scanner, and every ray runs along -z.
struct PartMesh {
  std::vector<V3f> points;
  std::vector<Surface::Triangle> triangles;
  std::vector<V3f> corner_normals;  // three a triangle
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

struct DeviceDeleter {
  void operator()(RTCDevice device) const { rtcReleaseDevice(device); }
};
struct SceneDeleter {
  void operator()(RTCScene scene) const { rtcReleaseScene(scene); }
};
using DevicePtr = std::unique_ptr<std::remove_pointer_t<RTCDevice>, DeviceDeleter>;
using ScenePtr = std::unique_ptr<std::remove_pointer_t<RTCScene>, SceneDeleter>;

ScenePtr makeScene(RTCDevice device, const std::vector<PartMesh>& meshes, bool opaque) {
  ScenePtr scene(rtcNewScene(device));
  rtcSetSceneFlags(scene.get(), RTC_SCENE_FLAG_ROBUST);
  for (std::size_t m = 0; m < meshes.size(); ++m) {
    const PartMesh& mesh = meshes[m];
    if ((mesh.opacity >= 1) != opaque || mesh.triangles.empty()) continue;
    RTCGeometry geometry = rtcNewGeometry(device, RTC_GEOMETRY_TYPE_TRIANGLE);
    auto* points = static_cast<float*>(rtcSetNewGeometryBuffer(geometry, RTC_BUFFER_TYPE_VERTEX, 0, RTC_FORMAT_FLOAT3,
                                                               3 * sizeof(float), mesh.points.size()));
    for (std::size_t i = 0; i < mesh.points.size(); ++i) std::copy_n(mesh.points[i].data(), 3, points + 3 * i);
    auto* indices = static_cast<std::uint32_t*>(rtcSetNewGeometryBuffer(
        geometry, RTC_BUFFER_TYPE_INDEX, 0, RTC_FORMAT_UINT3, 3 * sizeof(std::uint32_t), mesh.triangles.size()));
    for (std::size_t t = 0; t < mesh.triangles.size(); ++t) std::copy_n(mesh.triangles[t].data(), 3, indices + 3 * t);
    rtcCommitGeometry(geometry);
    rtcAttachGeometryByID(scene.get(), geometry, static_cast<unsigned>(m));  // geometry ids are part indices
    rtcReleaseGeometry(geometry);
  }
  rtcCommitScene(scene.get());
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
  return r;
}

V3f shadingNormal(const PartMesh& mesh, std::uint32_t triangle, float u, float v) {
  const V3f* n = &mesh.corner_normals[3 * static_cast<std::size_t>(triangle)];
  V3f normal = (1 - u - v) * n[0] + u * n[1] + v * n[2];
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

class Tracer {
 public:
  Tracer(const std::vector<PartMesh>& meshes, float start_z, float reach)
      : meshes_(meshes), start_z_(start_z), reach_(reach), device_(rtcNewDevice(nullptr)) {
    opaque_ = makeScene(device_.get(), meshes, true);
    for (const PartMesh& m : meshes) ghosts_ = ghosts_ || (m.opacity < 1 && !m.triangles.empty());
    if (ghosts_) translucent_ = makeScene(device_.get(), meshes, false);
  }

  [[nodiscard]] Sample look(float x, float y) const {
    RTCIntersectContext context;
    rtcInitIntersectContext(&context);
    context.flags = RTC_INTERSECT_CONTEXT_FLAG_COHERENT;
    Sample s;
    RTCRayHit r = makeRay(x, y, start_z_, 0, 0, -1, 0, reach_);
    rtcIntersect1(opaque_.get(), &context, &r);
    if (r.hit.geomID != RTC_INVALID_GEOMETRY_ID) {
      s.id = static_cast<std::int16_t>(r.hit.geomID);
      s.height = start_z_ - r.ray.tfar;
      s.normal = shadingNormal(meshes_[r.hit.geomID], r.hit.primID, r.hit.u, r.hit.v);
    }
    if (!ghosts_) return s;
    float from = 0, left = 1;
    std::array<std::int16_t, 32> seen;  // parts whose front was passed on this ray
    std::size_t n_seen = 0;
    for (int step = 0; step < 256 && left > 0.02F && n_seen < seen.size(); ++step) {
      RTCRayHit g = makeRay(x, y, start_z_, 0, 0, -1, from, r.ray.tfar);
      rtcIntersect1(translucent_.get(), &context, &g);
      if (g.hit.geomID == RTC_INVALID_GEOMETRY_ID) break;
      from = g.ray.tfar + 1e-3F;
      const auto part = static_cast<std::int16_t>(g.hit.geomID);
      const auto end = seen.begin() + static_cast<std::ptrdiff_t>(n_seen);
      if (g.hit.Ng_z <= 0 || std::find(seen.begin(), end, part) != end) continue;
      seen[n_seen++] = part;
      const PartMesh& mesh = meshes_[g.hit.geomID];
      const V3f n = shadingNormal(mesh, g.hit.primID, g.hit.u, g.hit.v);
      // A thin shell: seen edge-on it covers more, which draws the outline without hiding the middle.
      const float cover = 1.0F - std::pow(1.0F - mesh.opacity, 1.0F / std::max(0.22F, n.z()));
      const float light = 0.66F * keyLight(n) + 0.48F * skyLight(n);
      s.ghost += left * cover * light * mesh.colour;
      left *= 1.0F - cover;
      if (s.ghost_id < 0) s.ghost_id = part;
    }
    s.ghost_cover = 1.0F - left;
    return s;
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
  const std::vector<PartMesh>& meshes_;
  float start_z_, reach_;
  bool ghosts_ = false;
  DevicePtr device_;
  ScenePtr opaque_, translucent_;  // destroyed before the device
};

// A step between two samples of one part that its slope does not explain: a fold in front of itself.
constexpr float kFoldMm = 1.2F;

}  // namespace

Picture render(const std::vector<RenderPart>& parts, const RenderView& view, const RenderSettings& settings) {
  Picture picture;
  const int width = std::max(1, view.width_px), height = std::max(1, view.height_px);
  picture.width = width;
  picture.height = height;
  const int n = std::clamp(settings.samples, 1, 8);
  const auto mm_per_px = static_cast<float>(view.width_mm / width);

  Mat3 R_VP;  // patient to view
  R_VP.row(0) = view.right.transpose();
  R_VP.row(1) = view.up.transpose();
  R_VP.row(2) = view.right.cross(view.up).transpose();
  std::vector<PartMesh> meshes(parts.size());
  Eigen::AlignedBox3f box;
  for (std::size_t p = 0; p < parts.size(); ++p) {
    PartMesh& mesh = meshes[p];
    mesh.colour = V3f(parts[p].colour[0], parts[p].colour[1], parts[p].colour[2]);
    mesh.opacity = std::clamp(parts[p].opacity, 0.0F, 1.0F);
    if (parts[p].surface == nullptr) continue;
    mesh.points.reserve(parts[p].surface->vertices.size());
    for (const Vec3& v : parts[p].surface->vertices) {
      mesh.points.push_back((R_VP * (v - view.centre)).cast<float>());
      box.extend(mesh.points.back());
    }
    mesh.triangles = parts[p].surface->triangles;
    mesh.corner_normals = cornerNormals(mesh.points, mesh.triangles);
  }
  const auto pixel = [width](int x, int y) {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(width) + static_cast<std::size_t>(x);
  };
  const auto pixels = static_cast<std::size_t>(width) * static_cast<std::size_t>(height);
  picture.rgba.assign(4 * pixels, 255);
  if (box.isEmpty()) return picture;
  const Tracer tracer(meshes, box.max().z() + 1, box.sizes().z() + 2);

  // Positions in pixels from the top left corner to the view, and the part of the picture that can show anything.
  const auto viewX = [&](float px) { return (px - 0.5F * static_cast<float>(width)) * mm_per_px; };
  const auto viewY = [&](float py) { return (0.5F * static_cast<float>(height) - py) * mm_per_px; };
  const auto clampPx = [](float v, int most) {
    return std::clamp(static_cast<int>(std::clamp(v, -1e6F, 1e6F)), 0, most);
  };
  const int left = clampPx(box.min().x() / mm_per_px + 0.5F * static_cast<float>(width) - 3, width);
  const int right = clampPx(box.max().x() / mm_per_px + 0.5F * static_cast<float>(width) + 4, width);
  const int top = clampPx(0.5F * static_cast<float>(height) - box.max().y() / mm_per_px - 3, height);
  const int bottom = clampPx(0.5F * static_cast<float>(height) - box.min().y() / mm_per_px + 4, height);
  const auto forRows = [top, bottom](const auto& body) {
    tbb::parallel_for(tbb::blocked_range<int>(top, bottom, 4), [&](const tbb::blocked_range<int>& range) {
      for (int y = range.begin(); y < range.end(); ++y) body(y);
    });
  };

  // First one ray through the middle of every pixel.
  std::vector<Sample> middle(pixels);
  forRows([&](int y) {
    for (int x = left; x < right; ++x)
      middle[pixel(x, y)] = tracer.look(viewX(static_cast<float>(x) + 0.5F), viewY(static_cast<float>(y) + 0.5F));
  });

  // Then n x n rays where something begins or ends nearby; the other pixels are as smooth as their middle.
  const int near = static_cast<int>(std::ceil(settings.line_px)) + 1;
  std::vector<std::int32_t> busy(pixels, -1);  // index of the pixel's first fine sample
  forRows([&](int y) {
    for (int x = left; x < right; ++x) {
      const Sample& me = middle[pixel(x, y)];
      bool calm = true;
      for (int v = std::max(0, y - near); calm && v <= std::min(height - 1, y + near); ++v) {
        for (int u = std::max(0, x - near); calm && u <= std::min(width - 1, x + near); ++u) {
          const Sample& other = middle[pixel(u, v)];
          calm = other.id == me.id && other.ghost_id == me.ghost_id && std::abs(other.height - me.height) < kFoldMm &&
                 (me.id < 0 || other.normal.dot(me.normal) > 0.9F);
        }
      }
      if (!calm) busy[pixel(x, y)] = 0;
    }
  });
  std::int32_t fine_count = 0;
  for (std::int32_t& b : busy)
    if (b == 0) {
      b = fine_count;
      fine_count += n * n;
    }
  std::vector<Sample> fine(static_cast<std::size_t>(fine_count));
  const float step = 1.0F / static_cast<float>(n);
  forRows([&](int y) {
    for (int x = left; x < right; ++x) {
      const std::int32_t first = busy[pixel(x, y)];
      if (first < 0) continue;
      for (int k = 0; k < n * n; ++k)
        fine[static_cast<std::size_t>(first + k)] =
            tracer.look(viewX(static_cast<float>(x) + (static_cast<float>(k % n) + 0.5F) * step),
                        viewY(static_cast<float>(y) + (static_cast<float>(k / n) + 0.5F) * step));
    }
  });
  // The sample at a place of the fine grid (n per pixel).
  const auto sampleAt = [&](int sx, int sy) -> const Sample& {
    const std::size_t p = pixel(sx / n, sy / n);
    return busy[p] < 0 ? middle[p] : fine[static_cast<std::size_t>(busy[p] + (sy % n) * n + sx % n)];
  };

  // Ambient occlusion on every second pixel of a chequerboard, spread by a smoothing that stays on the part.
  std::vector<float> open(pixels, -1.0F), smooth(pixels, 1.0F);
  const bool shade = settings.occlusion_rays > 0;
  if (shade) {
    const auto far_mm = static_cast<float>(settings.occlusion_reach_mm);
    forRows([&](int y) {
      for (int x = left + ((left + y) & 1); x < right; x += 2) {
        const Sample& s = middle[pixel(x, y)];
        if (s.id < 0) continue;
        const V3f p(viewX(static_cast<float>(x) + 0.5F), viewY(static_cast<float>(y) + 0.5F), s.height);
        open[pixel(x, y)] =
            tracer.openness(p, s.normal, settings.occlusion_rays, far_mm,
                            static_cast<std::uint32_t>(x) * 9781U + static_cast<std::uint32_t>(y) * 6271U + 1U);
      }
    });
    forRows([&](int y) {
      for (int x = left; x < right; ++x) {
        const Sample& me = middle[pixel(x, y)];
        if (me.id < 0) continue;
        float sum = 0, weight = 0;
        for (int v = std::max(0, y - 3); v <= std::min(height - 1, y + 3); ++v) {
          for (int u = std::max(0, x - 3); u <= std::min(width - 1, x + 3); ++u) {
            const float value = open[pixel(u, v)];
            const Sample& other = middle[pixel(u, v)];
            if (value < 0 || other.id != me.id || std::abs(other.height - me.height) > 2.0F) continue;
            const float agree = me.normal.dot(other.normal);
            if (agree < 0.6F) continue;
            sum += agree * value;
            weight += agree;
          }
        }
        if (weight > 0) smooth[pixel(x, y)] = sum / weight;
      }
    });
  }

  // Lines: a sample is on a line when another part, or the background, begins within the line's reach. Checked on rings
  // around the sample so that the width is the same in every direction.
  std::vector<Eigen::Vector2i> ring;
  const double line = settings.line_px * n;
  for (int radius = 1; radius <= static_cast<int>(std::ceil(line)); ++radius) {
    const double r = std::min<double>(radius, line);
    for (int k = 0; k < 12; ++k) {
      const double phi = 2 * std::numbers::pi * k / 12;
      const Eigen::Vector2i o(static_cast<int>(std::lround(r * std::cos(phi))),
                              static_cast<int>(std::lround(r * std::sin(phi))));
      if (o.squaredNorm() > 0 && std::find(ring.begin(), ring.end(), o) == ring.end()) ring.push_back(o);
    }
  }
  const V3f ink(0.012F, 0.014F, 0.02F);

  const auto lit = [&](const Sample& s, float ambient) -> V3f {
    const float rim = 0.74F + 0.26F * s.normal.z();
    const float light =
        (0.72F * keyLight(s.normal) * (0.35F + 0.65F * ambient) + 0.50F * skyLight(s.normal) * ambient) * rim;
    return light * meshes[static_cast<std::size_t>(s.id)].colour;
  };
  const auto colourOf = [&](int sx, int sy) -> V3f {
    const Sample& s = sampleAt(sx, sy);
    const int x = sx / n, y = sy / n;
    V3f colour = V3f::Ones();
    if (s.id >= 0) {
      float ambient = 1, best = std::numeric_limits<float>::max();
      for (int v = std::max(0, y - 1); v <= std::min(height - 1, y + 1); ++v) {
        for (int u = std::max(0, x - 1); u <= std::min(width - 1, x + 1); ++u) {
          const Sample& other = middle[pixel(u, v)];
          if (other.id != s.id) continue;
          const float off =
              std::abs(other.height - s.height) + 0.5F * static_cast<float>(std::abs(u - x) + std::abs(v - y));
          if (off < best) {  // the nearest pixel that speaks for this part at this height
            best = off;
            ambient = smooth[pixel(u, v)];
          }
        }
      }
      colour = lit(s, ambient);
    }
    float dark = 0;
    std::int16_t ghost_line = -1;
    for (const Eigen::Vector2i& o : ring) {
      const int u = sx + o.x(), v = sy + o.y();
      if (u < 0 || v < 0 || u >= width * n || v >= height * n) continue;
      const Sample& other = sampleAt(u, v);
      if (other.id != s.id) {
        dark = 1;
      } else if (s.id >= 0 && dark < 0.7F) {
        const float slope = std::max(0.15F, s.normal.z());
        const float expected = -(s.normal.x() * static_cast<float>(o.x()) - s.normal.y() * static_cast<float>(o.y())) *
                               mm_per_px * step / slope;
        if (std::abs(other.height - s.height - expected) > kFoldMm + 2 * std::abs(expected)) dark = 0.7F;
      }
      if (other.ghost_id != s.ghost_id && ghost_line < 0) ghost_line = std::max(s.ghost_id, other.ghost_id);
    }
    colour += 0.85F * dark * (ink - colour);
    if (s.ghost_cover > 0) colour = s.ghost + (1.0F - s.ghost_cover) * colour;
    if (ghost_line >= 0) {  // an outline alone keeps its colour; around a see-through body it is a darker shade
      const PartMesh& part = meshes[static_cast<std::size_t>(ghost_line)];
      colour += (part.opacity > 0 ? 0.85F : 1.0F) * ((part.opacity > 0 ? 0.3F : 0.85F) * part.colour - colour);
    }
    return colour;
  };

  forRows([&](int y) {
    for (int x = left; x < right; ++x) {
      const std::size_t p = pixel(x, y);
      const Sample& s = middle[p];
      V3f colour = V3f::Zero();
      if (busy[p] >= 0) {
        for (int k = 0; k < n * n; ++k) colour += colourOf(x * n + k % n, y * n + k / n);
        colour /= static_cast<float>(n * n);
      } else {
        colour = s.id >= 0 ? lit(s, smooth[p]) : V3f(V3f::Ones());
        colour = s.ghost + (1.0F - s.ghost_cover) * colour;
      }
      for (int k = 0; k < 3; ++k) picture.rgba[4 * p + static_cast<std::size_t>(k)] = toScreen(colour[k]);
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
    return fail(Fault::kInternal, std::string("The picture could not be written: ") + cairo_status_to_string(status),
                file.string(), "Check that the folder exists, may be written to and has free space.");
  return {};
}

}  // namespace rayset
