#include "screw_check.h"

#include <algorithm>
#include <cmath>

namespace rayset_check {
namespace {

Point sub(const Point& a, const Point& b) { return {a[0] - b[0], a[1] - b[1], a[2] - b[2]}; }
Point add(const Point& a, const Point& b, double s) { return {a[0] + s * b[0], a[1] + s * b[1], a[2] + s * b[2]}; }
double dot(const Point& a, const Point& b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
Point cross(const Point& a, const Point& b) {
  return {a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]};
}
double norm(const Point& a) { return std::sqrt(dot(a, a)); }
Point unit(const Point& a) {
  const double n = norm(a);
  return {a[0] / n, a[1] / n, a[2] / n};
}

/// Signed parameters t where the line o + t d crosses the bone (Moller and Trumbore 1997), ascending.
std::vector<double> crossings(const Bone& bone, const Point& o, const Point& d) {
  std::vector<double> ts;
  for (const auto& triangle : bone.triangles) {
    const Point e1 = sub(triangle[1], triangle[0]), e2 = sub(triangle[2], triangle[0]);
    const Point p = cross(d, e2);
    const double det = dot(e1, p);
    if (std::abs(det) < 1e-12) continue;
    const Point s = sub(o, triangle[0]);
    const double u = dot(s, p) / det;
    if (u < 0 || u > 1) continue;
    const Point q = cross(s, e1);
    const double v = dot(d, q) / det;
    if (v < 0 || u + v > 1) continue;
    ts.push_back(dot(e2, q) / det);
  }
  std::sort(ts.begin(), ts.end());
  // A line through a shared edge is counted twice: one crossing.
  ts.erase(std::unique(ts.begin(), ts.end(), [](double a, double b) { return std::abs(a - b) < 1e-7; }), ts.end());
  return ts;
}

/// Intervals inside the bone along the line; an odd crossing (a ray through an edge) is dropped at the far end.
std::vector<std::pair<double, double>> inside(const Bone& bone, const Point& o, const Point& d) {
  const auto ts = crossings(bone, o, d);
  std::vector<std::pair<double, double>> spans;
  for (std::size_t i = 0; i + 1 < ts.size(); i += 2) spans.emplace_back(ts[i], ts[i + 1]);
  return spans;
}

double pointTriangle(const Point& p, const std::array<Point, 3>& t) {
  // Dense barycentric search, refined: slow, simple and unlike anything in the program.
  double best = 1e30, bu = 0, bv = 0, step = 0.25;
  for (int level = 0; level < 12; ++level) {
    const double cu = bu, cv = bv;
    for (int i = -2; i <= 2; ++i) {
      for (int j = -2; j <= 2; ++j) {
        double u = std::clamp(cu + i * step, 0.0, 1.0), v = std::clamp(cv + j * step, 0.0, 1.0);
        if (u + v > 1) {
          const double excess = (u + v - 1) / 2;
          u = std::clamp(u - excess, 0.0, 1.0);
          v = 1 - u;
        }
        Point q = add(t[0], sub(t[1], t[0]), u);
        q = add(q, sub(t[2], t[0]), v);
        const double distance = norm(sub(p, q));
        if (distance < best) {
          best = distance;
          bu = u;
          bv = v;
        }
      }
    }
    step /= 2;
  }
  return best;
}

double pointBone(const Point& p, const Bone& bone) {
  double best = 1e30;
  for (const auto& t : bone.triangles) {
    const double lower = std::min({norm(sub(p, t[0])), norm(sub(p, t[1])), norm(sub(p, t[2]))}) -
                         std::max({norm(sub(t[0], t[1])), norm(sub(t[1], t[2])), norm(sub(t[2], t[0]))});
    if (lower < best) best = std::min(best, pointTriangle(p, t));
  }
  return best;
}

double segmentSegment(const Stick& a, const Stick& b) {
  // Alternating projection on two segments is convex and converges; started from the best of a coarse grid.
  const auto at = [](const Stick& s, double t) { return add(s.entry, sub(s.tip, s.entry), t); };
  double best = 1e30, bs = 0, bt = 0;
  for (int i = 0; i <= 20; ++i) {
    for (int j = 0; j <= 20; ++j) {
      const double d = norm(sub(at(a, i / 20.0), at(b, j / 20.0)));
      if (d < best) {
        best = d;
        bs = i / 20.0;
        bt = j / 20.0;
      }
    }
  }
  for (int k = 0; k < 200; ++k) {
    const Point u = sub(b.tip, b.entry), pa = at(a, bs);
    bt = std::clamp(dot(sub(pa, b.entry), u) / dot(u, u), 0.0, 1.0);
    const Point v = sub(a.tip, a.entry), pb = at(b, bt);
    bs = std::clamp(dot(sub(pb, a.entry), v) / dot(v, v), 0.0, 1.0);
  }
  return norm(sub(at(a, bs), at(b, bt)));
}

}  // namespace

std::vector<Verdict> checkDevices(const std::vector<Stick>& sticks, const std::vector<Bone>& bones) {
  std::vector<Verdict> verdicts;
  for (const Stick& s : sticks) {
    Verdict v{1e9, 0, 0, 0, "", 0, 0, 0, 1e9, false};
    const Point axis = unit(sub(s.tip, s.entry));
    const double length = norm(sub(s.tip, s.entry));
    Point side = cross(axis, std::abs(axis[0]) < 0.8 ? Point{1, 0, 0} : Point{0, 1, 0});
    side = unit(side);
    const Point other = cross(axis, side);
    std::vector<const Bone*> path;
    for (const std::string& id : s.through) {
      for (const Bone& b : bones) {
        if (b.id == id) path.push_back(&b);
      }
    }
    if (path.size() != s.through.size()) {
      verdicts.push_back(v);
      continue;
    }
    v.entry_off_cortex_mm = pointBone(s.entry, *path.front());
    for (int line = 0; line < 17; ++line) {
      const double angle = line * 2 * M_PI / 16, r = line == 16 ? 0 : s.radius;
      Point o = add(s.entry, side, r * std::cos(angle));
      o = add(o, other, r * std::sin(angle));
      // Where the path's bones hold the line, in order along it.
      std::vector<std::pair<double, double>> spans;
      for (const Bone* b : path) {
        for (const auto& span : inside(*b, o, axis)) spans.push_back(span);
      }
      std::sort(spans.begin(), spans.end());
      // The line enters bone near the entry point (a slanted entry starts some lines above the cortex) and is to stay
      // in it to the tip, but for one gap: the joint.
      double reach = -1e9;
      bool started = false;
      double breach = 0, breach_at = 0;
      const auto leaves = [&](double from, double by) {
        if (by > breach) breach = by, breach_at = from;
      };
      std::vector<std::pair<double, double>> gaps;  // length, from
      for (const auto& [from, to] : spans) {
        if (to < 0.05 || from > length) continue;
        if (!started) {
          started = true;
          reach = to;
          v.open_mm = std::max(v.open_mm, from);
          continue;
        }
        if (from > reach) gaps.emplace_back(std::min(from, length) - reach, reach);
        reach = std::max(reach, to);
      }
      if (!started) {
        leaves(0, length);
      } else {
        leaves(reach, length - reach);
        std::sort(gaps.rbegin(), gaps.rend());
        // For each further bone on the path one gap of up to 6 mm along the line (an oblique joint) is the joint
        // itself.
        const std::size_t joints = path.size() - 1;
        for (std::size_t g = 0; g < gaps.size(); ++g) {
          if (g >= joints || gaps[g].first > 6)
            leaves(gaps[g].second, gaps[g].first);
          else
            v.joint_gap_mm = std::max(v.joint_gap_mm, gaps[g].first);
        }
      }
      if (breach > v.breach_mm) v.breach_mm = breach, v.breach_at_mm = breach_at;
      for (const Bone& b : bones) {
        if (std::find(path.begin(), path.end(), &b) != path.end()) continue;
        double within = 0;
        for (const auto& [from, to] : inside(b, o, axis))
          within += std::max(0.0, std::min(to, length) - std::max(from, 0.0));
        if (within > v.wrong_bone_mm) {
          v.wrong_bone_mm = within;
          v.wrong_bone = b.id;
        }
      }
      if (line == 16) {
        for (const auto& [from, to] : inside(*path.back(), o, axis)) {
          if (from <= length && length <= to) v.tip_inside = 1;
        }
      }
    }
    for (const Stick& t : sticks) {
      if (&t != &s) v.nearest_device_mm = std::min(v.nearest_device_mm, segmentSegment(s, t) - s.radius - t.radius);
    }
    // Segmentation may be off by a few tenths of a millimetre: that much of wall or entry is forgiven, no more.
    v.sound = v.entry_off_cortex_mm <= 0.7 && v.breach_mm <= 0.7 && v.wrong_bone_mm <= 0.3 && v.tip_inside > 0 &&
              v.nearest_device_mm > 0;
    verdicts.push_back(v);
  }
  return verdicts;
}

}  // namespace rayset_check
