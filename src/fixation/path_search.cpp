#include "fixation/path_search.h"

#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <nlopt.hpp>

namespace rayset::fixation {
namespace {

using path::Space;

double square(double x) { return x * x; }

// Moves a point near the first bone's surface onto it.
Vec3 ontoCortex(const Space& space, Vec3 p) {
  for (int i = 0; i < 4; ++i) {
    const Vec3 g = space.first.gradient(p);
    const double n = g.squaredNorm();
    if (n < 0.01) break;
    p -= space.first.distance(p) / n * g;
  }
  return p;
}

// The fragment's free skin: not its broken face (inside the closed union), nor where it touches a neighbour.
bool onFreeSkin(const Rule& rule, const OrientedPoint& p) {
  return std::abs(rule.space->outer.value(p.position)) <= 0.3 && rule.space->obstacleDistance(p.position) >= 3 &&
         (p.position - rule.space->face_centre).norm() <= 25 && p.normal.dot(rule.up) >= 0;
}

std::vector<OrientedPoint> entryPoints(const Rule& rule, double spacing_mm) {
  const Surface& surface = *rule.space->first.parts.front().surface;
  const auto count = static_cast<std::size_t>(std::max(200.0, area(surface) / square(spacing_mm)));
  std::vector<OrientedPoint> points;
  for (const OrientedPoint& p : sampleEvenly(surface, count)) {
    const bool allowed = rule.fragment
                             ? onFreeSkin(rule, p)
                             : rule.inBand(rule.ray.fromJoint(p.position)) &&
                                   rule.turnFromSector(path::cortexNormal(*rule.space, p.position)) <= rule.sector_half;
    if (allowed) points.push_back(p);
  }
  return points;
}

// Where paths may cross: a square lattice over the joint's (fracture's) face.
Points crossingPoints(const Space& space, double spacing_mm) {
  constexpr double kHalfSideMm = 25, kBesideFaceMm = 1.2;
  const Vec3 u = space.face_normal.unitOrthogonal(), v = space.face_normal.cross(u);
  const auto onFace = [&](const Vec3& offset) {
    return std::any_of(space.first_face.points.begin(), space.first_face.points.end(), [&](const OrientedPoint& p) {
      const Vec3 d = p.position - space.first_face.centre - offset;
      return square(d.dot(u)) + square(d.dot(v)) < square(kBesideFaceMm);
    });
  };
  Points points;
  const int n = static_cast<int>(std::ceil(kHalfSideMm / spacing_mm));
  for (int i = -n; i <= n; ++i)
    for (int j = -n; j <= n; ++j)
      if (const Vec3 offset = spacing_mm * (i * u + j * v); onFace(offset))
        points.push_back(space.face_centre + offset);
  return points;
}

// From one entry through every crossing.
std::vector<Candidate> pathsFrom(const Vec3& entry, const Points& crossings, const Rule& rule,
                                 const Neighbours& neighbours) {
  constexpr double kShortestMm = 3, kCoarseMm = 1;
  std::vector<Candidate> found;
  for (const Vec3& crossing : crossings) {
    const Vec3 way = crossing - entry;
    const double length = way.norm();
    if (length < kShortestMm) continue;
    Candidate c;
    if (pathCost(rule, entry, way / length, kCoarseMm, &c) >= kNoPath) continue;
    c.cost += neighbours.addedTo(0, bodyOf(rule, c));
    if (c.possible()) found.push_back(c);
  }
  return found;
}

// The first of the list that are `apart_mm` from each other, in entry or in crossing.
std::vector<Candidate> apart(const std::vector<Candidate>& list, std::size_t keep, double apart_mm) {
  std::vector<Candidate> kept;
  for (const Candidate& c : list) {
    if (kept.size() >= keep) break;
    const bool near_one = std::any_of(kept.begin(), kept.end(), [&](const Candidate& k) {
      return (k.entry - c.entry).norm() < apart_mm && (k.crossing - c.crossing).norm() < apart_mm;
    });
    if (!near_one) kept.push_back(c);
  }
  return kept;
}

// Least cost over four shifts of up to 4 mm each. The caller keeps the best point for which `cost` was called.
template <class Cost>
void minimise(Cost cost) {
  nlopt::opt optimiser(nlopt::LN_NELDERMEAD, 4);
  optimiser.set_min_objective(
      [](const std::vector<double>& x, std::vector<double>&, void* f) { return (*static_cast<Cost*>(f))(x); }, &cost);
  optimiser.set_lower_bounds(-4.0);
  optimiser.set_upper_bounds(4.0);
  optimiser.set_initial_step(1.0);
  optimiser.set_maxeval(160);
  optimiser.set_xtol_abs(0.02);
  std::vector<double> x(4, 0.0);
  double value = 0;
  try {
    optimiser.optimize(x, value);
  } catch (const std::exception&) {
    // Round-off in the simplex: the best point seen is kept anyway.
  }
}

}  // namespace

DeviceBody bodyOf(const Rule& rule, const Candidate& c) {
  return {c.entry,
          c.entry + c.depth * c.direction,
          c.direction,
          rule.tool.radius,
          rule.head_radius,
          traits(rule.device.kind).stub_mm,
          traits(rule.device.kind).driver_mm};
}

std::vector<Candidate> searchAll(const Rule& rule, const Neighbours& neighbours, const SearchSettings& settings) {
  const auto entries = entryPoints(rule, settings.spacing * (rule.fragment ? 1.0 : 1.6));
  const Points crossings = crossingPoints(*rule.space, settings.spacing * 2.0);
  std::vector<std::vector<Candidate>> found(entries.size());
  tbb::parallel_for(tbb::blocked_range<std::size_t>(0, entries.size()), [&](const auto& range) {
    for (std::size_t i = range.begin(); i < range.end(); ++i)
      found[i] = pathsFrom(entries[i].position, crossings, rule, neighbours);
  });
  std::vector<Candidate> all;
  for (const auto& some : found) all.insert(all.end(), some.begin(), some.end());
  std::stable_sort(all.begin(), all.end(), [](const Candidate& a, const Candidate& b) { return a.cost < b.cost; });
  return apart(all, settings.keep, settings.apart_mm);
}

Candidate polished(const Rule& rule, const Candidate& start, const Neighbours& neighbours) {
  const Vec3 n = path::cortexNormal(*rule.space, start.entry), t1 = n.unitOrthogonal(), t2 = n.cross(t1);
  const Vec3 p1 = rule.space->face_normal.unitOrthogonal(), p2 = rule.space->face_normal.cross(p1);
  Candidate best = start;
  double least = kNoPath * 10;
  minimise([&](const std::vector<double>& x) {
    const Vec3 entry = ontoCortex(*rule.space, start.entry + x[0] * t1 + x[1] * t2);
    const Vec3 way = start.crossing + x[2] * p1 + x[3] * p2 - entry;
    if (way.norm() < 2) return kNoPath * 2;
    Candidate c;
    double cost = pathCost(rule, entry, way.normalized(), 0.5, &c);
    if (cost >= kNoPath)  // back to where it came from
      return kNoPath + std::abs(x[0]) + std::abs(x[1]) + std::abs(x[2]) + std::abs(x[3]);
    cost = neighbours.addedTo(cost, bodyOf(rule, c));
    if (cost < least) {
      least = cost;
      best = c;
    }
    return cost;
  });
  return least < kNoPath ? best : start;
}

void chooseTogether(std::vector<Wanted>& devices, double wanted_gap_mm) {
  struct Choice {
    std::vector<int> pick;  // by device; -1: none
    double cost = 0;
  };
  constexpr std::size_t kWidth = 48;
  // The choice extended by path `k` for the next device.
  const auto with = [&](Choice choice, std::size_t k) {
    const Wanted& device = devices[choice.pick.size()];
    choice.cost += device.found[k].cost;
    const DeviceBody body = bodyOf(device.rule, device.found[k]);
    for (std::size_t j = 0; j < choice.pick.size(); ++j)
      if (choice.pick[j] >= 0)
        choice.cost += pairCost(
            body, bodyOf(devices[j].rule, devices[j].found[static_cast<std::size_t>(choice.pick[j])]), wanted_gap_mm);
    choice.pick.push_back(static_cast<int>(k));
    return choice;
  };
  std::vector<Choice> choices{Choice{}};
  for (const Wanted& device : devices) {
    std::vector<Choice> next;
    for (Choice& choice : choices) {
      for (std::size_t k = 0; k < device.found.size(); ++k) next.push_back(with(choice, k));
      if (!device.found.empty()) continue;
      choice.pick.push_back(-1);
      next.push_back(std::move(choice));
    }
    std::stable_sort(next.begin(), next.end(), [](const Choice& a, const Choice& b) { return a.cost < b.cost; });
    if (next.size() > kWidth) next.resize(kWidth);
    choices = std::move(next);
  }
  for (std::size_t i = 0; i < devices.size(); ++i)
    if (const int k = choices.front().pick[i]; k >= 0)
      devices[i].chosen = devices[i].found[static_cast<std::size_t>(k)];
}

}  // namespace rayset::fixation
