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

Picture render(const std::vector<RenderPart>& parts, const RenderView& view, const RenderSettings& settings) {
  Picture picture;
  picture.width = std::max(1, view.width_px);
  picture.height = std::max(1, view.height_px);
  const int samples = std::clamp(settings.samples, 1, 8);
  const int W = picture.width * samples, H = picture.height * samples;
  const auto count = static_cast<std::size_t>(W) * static_cast<std::size_t>(H);
  const auto mm_per_sample = static_cast<float>(view.width_mm / W);

  const Vec3 towards = view.right.cross(view.up);
  Mat3 R_VP;  // patient to view
  R_VP.row(0) = view.right.transpose();
  R_VP.row(1) = view.up.transpose();
  R_VP.row(2) = towards.transpose();

  std::vector<PartMesh> meshes(parts.size());
  float nearest = -std::numeric_limits<float>::max(), farthest = std::numeric_limits<float>::max();
  for (std::size_t p = 0; p < parts.size(); ++p) {
    PartMesh& mesh = meshes[p];
    mesh.colour = V3f(parts[p].colour[0], parts[p].colour[1], parts[p].colour[2]);
    mesh.opacity = std::clamp(parts[p].opacity, 0.0F, 1.0F);
    if (parts[p].surface == nullptr) continue;
    mesh.points.reserve(parts[p].surface->vertices.size());
    for (const Vec3& v : parts[p].surface->vertices) {
      mesh.points.push_back((R_VP * (v - view.centre)).cast<float>());
      nearest = std::max(nearest, mesh.points.back().z());
      farthest = std::min(farthest, mesh.points.back().z());
    }
    mesh.triangles = parts[p].surface->triangles;
    mesh.corner_normals = cornerNormals(mesh.points, mesh.triangles);
  }
  const bool anything = nearest >= farthest;
  const float start_z = anything ? nearest + 1.0F : 0.0F;
  const float reach = anything ? start_z - farthest + 1.0F : 1.0F;
  const bool ghosts = std::any_of(meshes.begin(), meshes.end(),
                                  [](const PartMesh& m) { return m.opacity < 1 && !m.triangles.empty(); });

  const DevicePtr device(rtcNewDevice(nullptr));
  const ScenePtr opaque = makeScene(device.get(), meshes, true);
  const ScenePtr translucent = ghosts ? makeScene(device.get(), meshes, false) : nullptr;

  // What each sample sees: nearest opaque part, its height and normal; above it the blend of translucent fronts.
  std::vector<std::int16_t> id(count, -1);
  std::vector<float> height(count, 0.0F);
  std::vector<V3f> normal(count, V3f::Zero());
  std::vector<std::int16_t> ghost_id(ghosts ? count : 0, -1);
  std::vector<Eigen::Vector4f> ghost(ghosts ? count : 0, Eigen::Vector4f::Zero());  // premultiplied rgb, cover
  const auto at = [W](int x, int y) {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(W) + static_cast<std::size_t>(x);
  };
  const auto forRows = [](int rows, const auto& body) {
    tbb::parallel_for(tbb::blocked_range<int>(0, rows, 8), [&](const tbb::blocked_range<int>& range) {
      for (int y = range.begin(); y < range.end(); ++y) body(y);
    });
  };

  if (anything) {
    forRows(H, [&](int y) {
      RTCIntersectContext context;
      rtcInitIntersectContext(&context);
      context.flags = RTC_INTERSECT_CONTEXT_FLAG_COHERENT;
      const float py = (0.5F * static_cast<float>(H) - (static_cast<float>(y) + 0.5F)) * mm_per_sample;
      for (int x0 = 0; x0 < W; x0 += 8) {
        const int lanes = std::min(8, W - x0);
        alignas(32) RTCRayHit8 r;
        alignas(32) int valid[8];
        for (int k = 0; k < 8; ++k) {
          valid[k] = k < lanes ? -1 : 0;
          r.ray.org_x[k] = (static_cast<float>(x0 + k) + 0.5F - 0.5F * static_cast<float>(W)) * mm_per_sample;
          r.ray.org_y[k] = py;
          r.ray.org_z[k] = start_z;
          r.ray.dir_x[k] = 0;
          r.ray.dir_y[k] = 0;
          r.ray.dir_z[k] = -1;
          r.ray.tnear[k] = 0;
          r.ray.tfar[k] = reach;
          r.ray.time[k] = 0;
          r.ray.mask[k] = ~0U;
          r.ray.id[k] = 0;
          r.ray.flags[k] = 0;
          r.hit.geomID[k] = RTC_INVALID_GEOMETRY_ID;
          r.hit.instID[0][k] = RTC_INVALID_GEOMETRY_ID;
        }
        rtcIntersect8(valid, opaque.get(), &context, &r);
        for (int k = 0; k < lanes; ++k) {
          const std::size_t i = at(x0 + k, y);
          if (r.hit.geomID[k] != RTC_INVALID_GEOMETRY_ID) {
            id[i] = static_cast<std::int16_t>(r.hit.geomID[k]);
            height[i] = start_z - r.ray.tfar[k];
            normal[i] = shadingNormal(meshes[r.hit.geomID[k]], r.hit.primID[k], r.hit.u[k], r.hit.v[k]);
          }
          if (!ghosts) continue;
          const float limit = id[i] >= 0 ? start_z - height[i] : reach;
          float from = 0, left = 1;
          V3f sum = V3f::Zero();
          std::array<std::int16_t, 32> seen;  // parts whose front was passed on this ray
          std::size_t n_seen = 0;
          for (int step = 0; step < 256 && left > 0.02F && n_seen < seen.size(); ++step) {
            RTCRayHit g = makeRay(r.ray.org_x[k], py, start_z, 0, 0, -1, from, limit);
            rtcIntersect1(translucent.get(), &context, &g);
            if (g.hit.geomID == RTC_INVALID_GEOMETRY_ID) break;
            from = std::nextafter(g.ray.tfar, std::numeric_limits<float>::max()) + 1e-3F;
            const auto part = static_cast<std::int16_t>(g.hit.geomID);
            if (g.hit.Ng_z <= 0 || std::find(seen.begin(), seen.begin() + n_seen, part) != seen.begin() + n_seen)
              continue;
            seen[n_seen++] = part;
            const PartMesh& mesh = meshes[g.hit.geomID];
            const V3f n = shadingNormal(mesh, g.hit.primID, g.hit.u, g.hit.v);
            // A thin shell: seen edge-on it covers more, which draws the outline without hiding the middle.
            const float cover = 1.0F - std::pow(1.0F - mesh.opacity, 1.0F / std::max(0.22F, n.z()));
            const float light = 0.62F * keyLight(n) + 0.45F * skyLight(n);
            sum += left * cover * light * mesh.colour;
            left *= 1.0F - cover;
            if (ghost_id[i] < 0) ghost_id[i] = part;
          }
          ghost[i] = Eigen::Vector4f(sum.x(), sum.y(), sum.z(), 1.0F - left);
        }
      }
    });
  }

  // Ambient occlusion: a few cosine-weighted rays at one sample of each pixel, then a smoothing that stays on the part.
  const int pw = picture.width, ph = picture.height;
  const auto pixel = [pw](int x, int y) {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(pw) + static_cast<std::size_t>(x);
  };
  const auto pixels = static_cast<std::size_t>(pw) * static_cast<std::size_t>(ph);
  std::vector<float> open(pixels, 1.0F), smooth(pixels, 1.0F);
  std::vector<std::int32_t> probe(pixels, -1);  // the sample that stands for the pixel
  if (anything && settings.occlusion_rays > 0) {
    const int rays = settings.occlusion_rays;
    const auto far_mm = static_cast<float>(settings.occlusion_reach_mm);
    forRows(ph, [&](int y) {
      RTCIntersectContext context;
      rtcInitIntersectContext(&context);
      for (int x = 0; x < pw; ++x) {
        const std::size_t middle = at(x * samples + samples / 2, y * samples + samples / 2);
        std::int32_t chosen = id[middle] >= 0 ? static_cast<std::int32_t>(middle) : -1;
        for (int k = 0; chosen < 0 && k < samples * samples; ++k) {
          const std::size_t i = at(x * samples + k % samples, y * samples + k / samples);
          if (id[i] >= 0) chosen = static_cast<std::int32_t>(i);
        }
        if (chosen < 0) continue;
        probe[pixel(x, y)] = chosen;
        const auto i = static_cast<std::size_t>(chosen);
        const V3f& n = normal[i];
        const V3f t = (std::abs(n.x()) < 0.7F ? V3f::UnitX() : V3f::UnitY()).cross(n).normalized();
        const V3f b = n.cross(t);
        const auto sx = static_cast<float>(i % static_cast<std::size_t>(W)),
                   sy = static_cast<float>(i / static_cast<std::size_t>(W));
        const V3f p((sx + 0.5F - 0.5F * static_cast<float>(W)) * mm_per_sample,
                    (0.5F * static_cast<float>(H) - sy - 0.5F) * mm_per_sample, height[i]);
        const V3f o = p + 0.03F * n + V3f(0, 0, 0.02F);
        const std::uint32_t h =
            scrambled(static_cast<std::uint32_t>(x) * 9781U + static_cast<std::uint32_t>(y) * 6271U + 1U);
        const float turn = static_cast<float>(h & 0xFFFFU) / 65536.0F, lift = static_cast<float>(h >> 16) / 65536.0F;
        float light = 0;
        for (int k = 0; k < rays; ++k) {
          // Fibonacci lattice on the disc (cosine weighting by Malley's method), turned and shifted per pixel.
          const float radius2 = (static_cast<float>(k) + lift) / static_cast<float>(rays);
          const float phi = 2 * std::numbers::pi_v<float> * (static_cast<float>(k) * 0.61803399F + turn);
          const float rho = std::sqrt(radius2);
          const V3f d = rho * std::cos(phi) * t + rho * std::sin(phi) * b + std::sqrt(1 - radius2) * n;
          RTCRayHit r = makeRay(o.x(), o.y(), o.z(), d.x(), d.y(), d.z(), 0, far_mm);
          rtcIntersect1(opaque.get(), &context, &r);
          light += r.hit.geomID == RTC_INVALID_GEOMETRY_ID ? 1.0F : std::min(1.0F, r.ray.tfar / far_mm) * 0.85F;
        }
        open[pixel(x, y)] = light / static_cast<float>(rays);
      }
    });
    forRows(ph, [&](int y) {
      for (int x = 0; x < pw; ++x) {
        const std::int32_t mine = probe[pixel(x, y)];
        if (mine < 0) continue;
        const auto i = static_cast<std::size_t>(mine);
        float sum = 0, weight = 0;
        for (int v = std::max(0, y - 3); v <= std::min(ph - 1, y + 3); ++v) {
          for (int u = std::max(0, x - 3); u <= std::min(pw - 1, x + 3); ++u) {
            const std::int32_t other = probe[pixel(u, v)];
            if (other < 0) continue;
            const auto j = static_cast<std::size_t>(other);
            if (id[j] != id[i] || std::abs(height[j] - height[i]) > 2.0F) continue;
            const float agree = normal[i].dot(normal[j]);
            if (agree < 0.6F) continue;
            sum += agree * open[pixel(u, v)];
            weight += agree;
          }
        }
        smooth[pixel(x, y)] = weight > 0 ? sum / weight : open[pixel(x, y)];
      }
    });
  }

  // Lines: a sample is on a line when another part, or the background, begins within the line's reach. Checked on rings
  // around the sample so that the width is the same in every direction.
  std::vector<Eigen::Vector2i> ring;
  const double line = settings.line_px * samples;
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

  picture.rgba.assign(4 * pixels, 255);
  forRows(ph, [&](int y) {
    for (int x = 0; x < pw; ++x) {
      V3f sum = V3f::Zero();
      for (int sub = 0; sub < samples * samples; ++sub) {
        const int sx = x * samples + sub % samples, sy = y * samples + sub / samples;
        const std::size_t i = at(sx, sy);
        V3f colour = V3f::Ones();
        if (id[i] >= 0) {
          float ambient = 1;
          if (settings.occlusion_rays > 0) {  // the nearest pixel that speaks for this part at this height
            float best = std::numeric_limits<float>::max();
            for (int v = std::max(0, y - 1); v <= std::min(ph - 1, y + 1); ++v) {
              for (int u = std::max(0, x - 1); u <= std::min(pw - 1, x + 1); ++u) {
                const std::int32_t other = probe[pixel(u, v)];
                if (other < 0 || id[static_cast<std::size_t>(other)] != id[i]) continue;
                const float off = std::abs(height[static_cast<std::size_t>(other)] - height[i]) +
                                  0.5F * static_cast<float>(std::abs(u - x) + std::abs(v - y));
                if (off < best) {
                  best = off;
                  ambient = smooth[pixel(u, v)];
                }
              }
            }
          }
          const V3f& n = normal[i];
          const float rim = 0.72F + 0.28F * n.z();
          const float light = (0.60F * keyLight(n) * (0.35F + 0.65F * ambient) + 0.46F * skyLight(n) * ambient) * rim;
          colour = light * meshes[static_cast<std::size_t>(id[i])].colour;
        }
        float dark = 0;
        float ghost_line = 0;
        for (const Eigen::Vector2i& o : ring) {
          const int u = sx + o.x(), v = sy + o.y();
          if (u < 0 || v < 0 || u >= W || v >= H) continue;
          const std::size_t j = at(u, v);
          if (id[j] != id[i]) {
            dark = 1;
          } else if (id[i] >= 0 && dark < 0.7F) {
            // The same part, but a fold in front of itself: a step beyond what the slope explains.
            const V3f& n = normal[i];
            const float slope = std::max(0.15F, n.z());
            const float expected =
                -(n.x() * static_cast<float>(o.x()) - n.y() * static_cast<float>(o.y())) * mm_per_sample / slope;
            if (std::abs(height[j] - height[i] - expected) > 1.2F + 2 * std::abs(expected)) dark = 0.7F;
          }
          if (ghosts && ghost_id[j] != ghost_id[i]) ghost_line = 1;
        }
        colour += 0.85F * dark * (ink - colour);
        if (ghosts) {
          colour = ghost[i].head<3>() + (1.0F - ghost[i].w()) * colour;
          if (ghost_line > 0) {
            std::int16_t part = ghost_id[i];
            for (std::size_t k = 0; part < 0 && k < ring.size(); ++k) {
              const int u = sx + ring[k].x(), v = sy + ring[k].y();
              if (u >= 0 && v >= 0 && u < W && v < H) part = ghost_id[at(u, v)];
            }
            if (part >= 0) colour += 0.75F * (0.25F * meshes[static_cast<std::size_t>(part)].colour - colour);
          }
        }
        sum += colour;
      }
      sum /= static_cast<float>(samples * samples);
      std::uint8_t* out = &picture.rgba[4 * pixel(x, y)];
      for (int k = 0; k < 3; ++k) out[k] = toScreen(sum[k]);
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
