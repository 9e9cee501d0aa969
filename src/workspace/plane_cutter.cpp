#include "workspace/plane_cutter.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "geometry/plane_cut.h"
#include "geometry/triangle.h"

namespace rayset {
namespace {

constexpr std::size_t kBlock = 48;  // triangles

/// Ten bits of n with two empty ones between each.
std::uint32_t spread(std::uint32_t n) {
  n &= 0x3FF;
  n = (n | (n << 16)) & 0x030000FF;
  n = (n | (n << 8)) & 0x0300F00F;
  n = (n | (n << 4)) & 0x030C30C3;
  return (n | (n << 2)) & 0x09249249;
}

/// Place along a curve that keeps near points near (Morton's).
std::uint32_t curvePlace(const Vec3& p, const Box& box) {
  const Vec3 size = box.sizes().cwiseMax(1e-9);
  std::uint32_t place = 0;
  for (int a = 0; a < 3; ++a) {
    const double share = (p[a] - box.min()[a]) / size[a];
    place |= spread(static_cast<std::uint32_t>(std::clamp(share * 1023, 0.0, 1023.0))) << a;
  }
  return place;
}

}  // namespace

PlaneCutter::PlaneCutter(const Surface& surface) : box_(bounds(surface)) {
  surface_.vertices = surface.vertices;
  struct Placed {
    std::uint32_t place, triangle;
  };
  std::vector<Placed> order(surface.triangles.size());
  for (std::size_t n = 0; n < order.size(); ++n) {
    const auto& t = surface.triangles[n];
    const Vec3 middle = (surface.vertices[t[0]] + surface.vertices[t[1]] + surface.vertices[t[2]]) / 3;
    order[n] = {curvePlace(middle, box_), static_cast<std::uint32_t>(n)};
  }
  std::sort(order.begin(), order.end(), [](const Placed& a, const Placed& b) {
    return a.place != b.place ? a.place < b.place : a.triangle < b.triangle;
  });
  surface_.triangles.reserve(order.size());
  for (const Placed& p : order) surface_.triangles.push_back(surface.triangles[p.triangle]);
  for (std::size_t first = 0; first < order.size(); first += kBlock) {
    const std::size_t end = std::min(order.size(), first + kBlock);
    Box b;
    for (std::size_t n = first; n < end; ++n)
      for (const std::uint32_t v : surface_.triangles[n]) b.extend(surface_.vertices[v]);
    blocks_.push_back(
        {b.center(), 0.5 * b.sizes(), static_cast<std::uint32_t>(first), static_cast<std::uint32_t>(end)});
  }
}

std::vector<PlaneCutter::Chain> PlaneCutter::cut(const Vec3& point, const Vec3& normal) const {
  const Vec3 steep = normal.cwiseAbs();
  std::vector<CutSegment> segments;
  std::vector<Vec3> normals;
  for (const Block& block : blocks_) {
    if (std::abs(normal.dot(block.centre - point)) > steep.dot(block.half) + 1e-9) continue;
    for (std::uint32_t n = block.first; n < block.end; ++n) {
      const auto& t = surface_.triangles[n];
      const std::array<const Vec3*, 3> at{&surface_.vertices[t[0]], &surface_.vertices[t[1]], &surface_.vertices[t[2]]};
      std::array<double, 3> height;
      for (std::size_t k = 0; k < 3; ++k) height[k] = normal.dot(*at[k] - point);
      const auto segment = cutTriangle(t, height, [&](std::size_t k, std::size_t l) {
        // From the same end for both triangles of an edge, so that they give the same point to the last bit.
        if (t[k] > t[l]) std::swap(k, l);
        return crossing(*at[k], *at[l], height[k], height[l]);
      });
      if (!segment) continue;
      segments.push_back(*segment);
      normals.push_back((*at[1] - *at[0]).cross(*at[2] - *at[0]).normalized());
    }
  }
  std::vector<Chain> chains;
  for (const CutChain& c : chained(segments, ChainStart::kAtEnds)) {
    Chain& chain = chains.emplace_back();
    chain.closed = c.closed;
    for (const std::size_t n : c.segments) {
      chain.points.push_back(segments[n].start);
      chain.normals.push_back(normals[n]);
    }
    chain.points.push_back(c.closed ? chain.points.front() : segments[c.segments.back()].end);
  }
  return chains;
}

std::optional<PlaneCutter::Near> PlaneCutter::nearest(const Vec3& p, double limit_mm) const {
  std::optional<Near> best;
  double limit = limit_mm;
  for (const Block& block : blocks_) {
    if (((p - block.centre).cwiseAbs() - block.half).cwiseMax(0).norm() > limit) continue;
    for (std::uint32_t n = block.first; n < block.end; ++n) {
      const auto& t = surface_.triangles[n];
      const Vec3 at = nearestOnTriangle(p, surface_.vertices[t[0]], surface_.vertices[t[1]], surface_.vertices[t[2]]);
      const double d = (p - at).norm();
      if (d > limit) continue;
      limit = d;
      best = Near{d, at};
    }
  }
  return best;
}

}  // namespace rayset
