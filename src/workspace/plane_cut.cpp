#include "workspace/plane_cut.h"

#include <algorithm>
#include <cmath>
#include <unordered_map>

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

std::uint64_t edgeKey(std::uint32_t a, std::uint32_t b) {
  return (static_cast<std::uint64_t>(std::min(a, b)) << 32) | std::max(a, b);
}

struct Segment {
  std::uint64_t start_edge = 0, end_edge = 0;
  Vec3 start = Vec3::Zero(), end = Vec3::Zero(), normal = Vec3::Zero();
};

/// Open chains are begun where nothing leads to, so that each is one line.
std::vector<PlaneCutter::Chain> chained(const std::vector<Segment>& segments) {
  std::unordered_map<std::uint64_t, std::size_t> by_start;
  by_start.reserve(2 * segments.size());
  for (std::size_t n = 0; n < segments.size(); ++n) by_start.emplace(segments[n].start_edge, n);
  std::vector<char> led_to(segments.size(), 0), used(segments.size(), 0);
  for (const Segment& s : segments)
    if (const auto next = by_start.find(s.end_edge); next != by_start.end()) led_to[next->second] = 1;

  std::vector<PlaneCutter::Chain> chains;
  const auto follow = [&](std::size_t first) {
    PlaneCutter::Chain chain;
    for (std::size_t n = first; used[n] == 0;) {
      used[n] = 1;
      chain.points.push_back(segments[n].start);
      chain.normals.push_back(segments[n].normal);
      const auto next = by_start.find(segments[n].end_edge);
      if (next == by_start.end() || (used[next->second] != 0 && next->second != first)) {
        chain.points.push_back(segments[n].end);
        break;
      }
      if (next->second == first) {
        chain.points.push_back(chain.points.front());
        chain.closed = true;
        break;
      }
      n = next->second;
    }
    chains.push_back(std::move(chain));
  };
  for (std::size_t n = 0; n < segments.size(); ++n)
    if (led_to[n] == 0) follow(n);
  for (std::size_t n = 0; n < segments.size(); ++n)
    if (used[n] == 0) follow(n);
  return chains;
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
  std::vector<Segment> segments;
  for (const Block& block : blocks_) {
    if (std::abs(normal.dot(block.centre - point)) > steep.dot(block.half) + 1e-9) continue;
    for (std::uint32_t n = block.first; n < block.end; ++n) {
      const auto& t = surface_.triangles[n];
      double height[3];
      bool above[3];
      // A vertex on the plane counts as above it: every edge cut then has one end on each side.
      for (std::size_t k = 0; k < 3; ++k) {
        height[k] = normal.dot(surface_.vertices[t[k]] - point);
        above[k] = height[k] >= 0;
      }
      if (above[0] == above[1] && above[1] == above[2]) continue;
      Segment s;
      for (std::size_t k = 0; k < 3; ++k) {
        const std::size_t next = (k + 1) % 3;
        if (above[k] == above[next]) continue;
        // From the same end for both triangles of an edge, so that they give the same point to the last bit.
        const bool turned = t[k] > t[next];
        const std::size_t i = turned ? next : k, j = turned ? k : next;
        const Vec3& a = surface_.vertices[t[i]];
        const Vec3 at = a + (surface_.vertices[t[j]] - a) * (height[i] / (height[i] - height[j]));
        // With outward triangles the solid lies left of the way from the falling to the rising edge.
        (above[k] ? s.start : s.end) = at;
        (above[k] ? s.start_edge : s.end_edge) = edgeKey(t[k], t[next]);
      }
      const Vec3& a = surface_.vertices[t[0]];
      s.normal = (surface_.vertices[t[1]] - a).cross(surface_.vertices[t[2]] - a).normalized();
      segments.push_back(s);
    }
  }
  return chained(segments);
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
