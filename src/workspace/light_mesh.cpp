#include <algorithm>
#include <array>
#include <cmath>
#include <queue>

#include "workspace/views.h"

namespace rayset {
namespace {

constexpr std::size_t kLeastTriangles = 400;
constexpr double kSteadying = 1e-3;   // pull of a new vertex to the middle of its edge if the planes leave it free
constexpr double kLeastTurn = 0.2;    // cosine by which a triangle's normal may turn in one step
constexpr double kFarthestMm = 0.05;  // root mean square distance from the planes a new vertex represents
constexpr double kLeastShape = 0.05;  // of a triangle: its area over that of an equilateral one with its longest edge

/// Sum of squared distances from planes, weighted by area: p'Ap + 2b'p + c.
struct Quadric {
  Mat3 A = Mat3::Zero();
  Vec3 b = Vec3::Zero();
  double c = 0;

  void add(const Quadric& q) {
    A += q.A;
    b += q.b;
    c += q.c;
  }
  [[nodiscard]] double at(const Vec3& p) const { return std::max(0.0, p.dot(A * p) + 2 * b.dot(p) + c); }
};

struct Collapse {
  double cost;
  std::uint32_t a, b;
  std::uint32_t stamp;  ///< of both vertices together, when it was computed
  Vec3 to;
};
struct Dearer {
  bool operator()(const Collapse& x, const Collapse& y) const {
    if (x.cost != y.cost) return x.cost > y.cost;
    return x.a != y.a ? x.a > y.a : x.b > y.b;
  }
};

/// Collapses edges until few enough triangles are left.
class Thinner {
 public:
  explicit Thinner(const Surface& surface)
      : vertices_(surface.vertices),
        triangles_(surface.triangles),
        gone_(surface.triangles.size(), 0),
        stamps_(surface.vertices.size(), 0),
        quadrics_(surface.vertices.size()),
        around_(surface.vertices.size()) {
    centre_ = bounds(surface).center();  // small numbers keep the quadrics exact
    for (Vec3& v : vertices_) v -= centre_;
    for (std::size_t n = 0; n < triangles_.size(); ++n) {
      const auto& t = triangles_[n];
      const Vec3 twice = normalOf(t, t[0], vertices_[t[0]]);
      const double area = 0.5 * twice.norm();
      for (const std::uint32_t v : t) around_[v].push_back(static_cast<std::uint32_t>(n));
      if (area <= 0) continue;
      const Vec3 normal = twice / (2 * area);
      const double d = -normal.dot(vertices_[t[0]]);
      const Quadric q{area * normal * normal.transpose(), area * d * normal, area * d * d};
      for (const std::uint32_t v : t) quadrics_[v].add(q);
    }
    left_ = triangles_.size();
  }

  Surface thinned(std::size_t wanted) {
    for (const auto& t : triangles_)
      for (std::size_t k = 0; k < 3; ++k)
        if (t[k] < t[(k + 1) % 3]) offer(t[k], t[(k + 1) % 3]);
    while (left_ > wanted && !queue_.empty()) {
      const Collapse c = queue_.top();
      queue_.pop();
      if (c.stamp != stamps_[c.a] + stamps_[c.b] || around_[c.a].empty() || around_[c.b].empty()) continue;
      if (allowed(c)) take(c);
    }
    return packed();
  }

 private:
  /// Twice the area along the normal, with vertex v at p.
  [[nodiscard]] Vec3 normalOf(const Surface::Triangle& t, std::uint32_t v, const Vec3& p) const {
    const auto at = [&](std::size_t k) -> const Vec3& { return t[k] == v ? p : vertices_[t[k]]; };
    return (at(1) - at(0)).cross(at(2) - at(0));
  }

  [[nodiscard]] std::vector<std::uint32_t> neighbours(std::uint32_t v) const {
    std::vector<std::uint32_t> out;
    for (const std::uint32_t n : around_[v])
      for (const std::uint32_t w : triangles_[n])
        if (w != v) out.push_back(w);
    std::sort(out.begin(), out.end());
    out.erase(std::unique(out.begin(), out.end()), out.end());
    return out;
  }

  void offer(std::uint32_t a, std::uint32_t b) {
    if (a > b) std::swap(a, b);
    Quadric q = quadrics_[a];
    q.add(quadrics_[b]);
    const Vec3 middle = 0.5 * (vertices_[a] + vertices_[b]);
    const double pull = kSteadying * q.A.trace();
    const Mat3 A = q.A + (pull + 1e-12) * Mat3::Identity();
    const Vec3 to = A.ldlt().solve(Vec3(pull * middle - q.b + 1e-12 * middle));
    const double cost = q.at(to) + pull * (to - middle).squaredNorm();
    const bool near = q.at(to) <= q.A.trace() * kFarthestMm * kFarthestMm;  // the trace is the area
    if (std::isfinite(cost) && near) queue_.push({cost, a, b, stamps_[a] + stamps_[b], to});
  }

  /// The surface stays closed (the two vertices share just the two neighbours across the edge), and no triangle turns
  /// over or becomes a needle.
  [[nodiscard]] bool allowed(const Collapse& c) const {
    const auto of_a = neighbours(c.a), of_b = neighbours(c.b);
    std::vector<std::uint32_t> both;
    std::set_intersection(of_a.begin(), of_a.end(), of_b.begin(), of_b.end(), std::back_inserter(both));
    std::size_t shared = 0;
    for (const std::uint32_t n : around_[c.a]) {
      const auto& t = triangles_[n];
      if (std::find(t.begin(), t.end(), c.b) != t.end()) ++shared;
    }
    if (shared != 2 || both.size() != 2) return false;
    for (const std::uint32_t v : {c.a, c.b})
      for (const std::uint32_t n : around_[v]) {
        const auto& t = triangles_[n];
        const bool dies = std::find(t.begin(), t.end(), v == c.a ? c.b : c.a) != t.end();
        if (dies) continue;
        const Vec3 before = normalOf(t, v, vertices_[v]), after = normalOf(t, v, c.to);
        if (before.dot(after) < kLeastTurn * before.norm() * after.norm()) return false;
        double longest = 0;
        for (std::size_t k = 0; k < 3; ++k) {
          const Vec3& p = t[k] == v ? c.to : vertices_[t[k]];
          const Vec3& q = t[(k + 1) % 3] == v ? c.to : vertices_[t[(k + 1) % 3]];
          longest = std::max(longest, (p - q).squaredNorm());
        }
        if (after.norm() < kLeastShape * 0.866 * longest) return false;
      }
    return true;
  }

  void take(const Collapse& c) {
    vertices_[c.a] = c.to;
    quadrics_[c.a].add(quadrics_[c.b]);
    for (const std::uint32_t n : around_[c.b]) {
      auto& t = triangles_[n];
      if (std::find(t.begin(), t.end(), c.a) != t.end()) {
        gone_[n] = 1;
        --left_;
        for (const std::uint32_t v : t)
          if (v != c.b) std::erase(around_[v], n);
      } else {
        std::replace(t.begin(), t.end(), c.b, c.a);
        around_[c.a].push_back(n);
      }
    }
    around_[c.b].clear();
    ++stamps_[c.a];
    for (const std::uint32_t v : neighbours(c.a)) offer(c.a, v);
  }

  [[nodiscard]] Surface packed() const {
    Surface out;
    std::vector<std::uint32_t> number(vertices_.size(), 0);
    for (std::size_t v = 0; v < vertices_.size(); ++v) {
      if (around_[v].empty()) continue;
      number[v] = static_cast<std::uint32_t>(out.vertices.size());
      out.vertices.push_back(vertices_[v] + centre_);
    }
    for (std::size_t n = 0; n < triangles_.size(); ++n)
      if (gone_[n] == 0)
        out.triangles.push_back({number[triangles_[n][0]], number[triangles_[n][1]], number[triangles_[n][2]]});
    return out;
  }

  Points vertices_;
  Vec3 centre_;
  std::vector<Surface::Triangle> triangles_;
  std::vector<char> gone_;
  std::vector<std::uint32_t> stamps_;
  std::vector<Quadric> quadrics_;
  std::vector<std::vector<std::uint32_t>> around_;
  std::priority_queue<Collapse, std::vector<Collapse>, Dearer> queue_;
  std::size_t left_ = 0;
};

}  // namespace

Surface lightMesh(const Surface& surface, double edge_mm) {
  const double even = std::sqrt(3.0) / 4 * edge_mm * edge_mm;
  const double wanted = edge_mm > 0 ? area(surface) / even : 0;
  const auto triangles = static_cast<std::size_t>(
      std::clamp(wanted, static_cast<double>(kLeastTriangles), static_cast<double>(kLightTriangles)));
  if (surface.triangles.size() <= triangles) return surface;
  return Thinner(surface).thinned(triangles);
}

}  // namespace rayset
