#include "xray/film_beside.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "xray/best_apart.h"

namespace rayset::film_fit {

Problem narrowed(const Problem& p, std::size_t first, std::size_t last, double reach_mm,
                 std::initializer_list<int> levels, const Mode& mode, const Problem* also) {
  Problem out;
  out.levels = p.levels;
  out.groups.assign(p.groups.begin() + static_cast<std::ptrdiff_t>(first),
                    p.groups.begin() + static_cast<std::ptrdiff_t>(last) + 1);
  out.centre = p.centre;
  out.bones = out.groups.size();
  for (std::size_t n = 0; n < p.films.size(); ++n) {
    const FilmState& f = p.films[n];
    FilmState narrow;
    narrow.moved = f.moved;
    narrow.bone_gain = f.bone_gain;
    narrow.scatter = f.scatter;
    auto at_levels = std::make_shared<std::array<LevelFilm, kLevels>>();
    for (const int level : levels) {
      const LevelFilm& lf = f.at(level);
      Prediction now = predict(p, f, level, mode);
      PixelBox own;
      for (std::size_t g = first; g <= last; ++g) own = united(own, now.groups[g].box);
      if (also != nullptr) {
        const Prediction there = predict(*also, also->films[n], level, mode);
        for (std::size_t g = first; g <= last; ++g) own = united(own, there.groups[g].box);
        for (std::size_t i = 0; i < now.weight.values.size(); ++i)
          now.weight.values[i] = std::max(now.weight.values[i], there.weight.values[i]);
      }
      const double px_per_mm = lf.view.magnification(f.moved * p.centre) / lf.view.pixel_mm;
      const PixelBox shade = grownBox(own, static_cast<int>(std::ceil(reach_mm * px_per_mm)), lf.view);
      const int window = lf.window();
      const PixelBox box = grownBox(shade, reach(window), lf.view);
      LevelFilm& to = (*at_levels)[static_cast<std::size_t>(level)];
      to.view = lf.view.cropped(box.column, box.row, box.columns, box.rows);
      to.film = cropped(comparedFilm(f, level, mode), box);
      to.inside = cropped(now.usable, box);
      to.share = std::make_shared<const Film>(blurred(to.inside, window));
      to.window_px = lf.window_px;
      to.scale = now.scale;
      if (const auto& scatter = f.log_scatter[static_cast<std::size_t>(level)])
        narrow.log_scatter[static_cast<std::size_t>(level)] = std::make_shared<const Film>(cropped(*scatter, box));
      to.wanted = std::make_shared<const Normalised>(
          Normalised{cropped(now.wanted.values, box), cropped(now.wanted.spread, box)});
      Film still = now.sum;
      for (std::size_t g = first; g <= last; ++g) addInto(still, now.groups[g].values, now.groups[g].box, -f.bone_gain);
      to.still = std::make_shared<const Film>(cropped(still, box));
      Film weight = cropped(now.weight, box);
      for (int r = 0; r < box.rows; ++r)
        for (int c = 0; c < box.columns; ++c) {
          const int x = c + box.column - shade.column, y = r + box.row - shade.row;
          if (x < 0 || y < 0 || x >= shade.columns || y >= shade.rows) weight.at(c, r) = 0;
        }
      narrow.region[static_cast<std::size_t>(level)] = std::make_shared<const Film>(std::move(weight));
    }
    narrow.levels = std::move(at_levels);
    out.films.push_back(std::move(narrow));
  }
  return out;
}

namespace {

/// A body moved in the plane of one film, from where it is.
struct Slide {
  double right_mm = 0, down_mm = 0, turn_rad = 0;  // at the body; about its centre, towards the film's normal
  double score = -1;
};

/// The body of a narrowed problem after this slide.
Rigid slid(const Group& group, const FilmState& f, const ProjectionView& view, const Slide& s) {
  const Mat3 back = f.moved.linear().transpose();
  Twist xi;
  xi << back * (s.turn_rad * view.normal()), back * (s.right_mm * view.right + s.down_mm * view.down);
  return exponential(xi, group.planned_to_found * group.centre) * group.planned_to_found;
}

/// Where else on one film the ray's shadow would fit: the best few, well apart. One picture shows three of six degrees
/// of freedom, few enough for an exhaustive search.
std::vector<Slide> seekSlides(const Problem& narrow, const FilmState& f, int level, std::size_t keep) {
  constexpr double kStepMm = 1.5, kStepRad = 0.05, kApartMm = 2.2;
  constexpr int kSteps = 3, kTurns = 2;
  const ProjectionView& view = f.at(level).view;
  const Group& group = narrow.groups.front();
  std::vector<Slide> found;
  for (int a = -kTurns; a <= kTurns; ++a)
    for (int b = -kSteps; b <= kSteps; ++b)
      for (int c = -kSteps; c <= kSteps; ++c) found.push_back({b * kStepMm, c * kStepMm, a * kStepRad});
  tbb::parallel_for(std::size_t{0}, found.size(), [&](std::size_t n) {
    Slide& slide = found[n];
    Problem q = narrow;
    q.groups[0].planned_to_found = slid(group, f, view, slide);
    slide.score = similarity(predict(q, f, level, {}));
  });
  return bestApart(std::move(found), keep, [&](const Slide& a, const Slide& b) {
    return std::hypot(a.right_mm - b.right_mm, a.down_mm - b.down_mm) +
               0.5 * group.reach_mm * std::abs(a.turn_rad - b.turn_rad) <=
           kApartMm;
  });
}

/// The proposals of film `a`, extended by the film most nearly perpendicular to it, if there is one: the shift both see
/// (along the line across both beams) is taken from `a`; the other shift and the rotation in that film's plane are
/// searched. Poses of the body.
void carriedOn(const Problem& narrow, std::size_t a, const std::vector<Slide>& slides, std::vector<Rigid>& out) {
  constexpr double kStepMm = 1.0, kStepRad = 0.05;
  constexpr int kSteps = 10, kTurns = 3;  // the fit of a ray left 5 mm off can have settled 10 mm from its true place
  constexpr std::size_t kKept = 2;
  const auto beam = [&](std::size_t f) {
    return Vec3(narrow.films[f].moved.linear().transpose() * narrow.films[f].at(kFine).view.normal());
  };
  if (narrow.films.size() == 1) {  // the rest is unknown
    for (const Slide& slide : slides)
      out.push_back(slid(narrow.groups.front(), narrow.films[a], narrow.films[a].at(kFine).view, slide));
    return;
  }
  std::size_t b = a == 0 ? 1 : 0;
  for (std::size_t f = 0; f < narrow.films.size(); ++f)
    if (f != a && std::abs(beam(f).dot(beam(a))) < std::abs(beam(b).dot(beam(a)))) b = f;
  const Vec3 across = beam(b).cross(beam(a).cross(beam(b))).normalized();
  const Group& group = narrow.groups.front();
  struct Scanned {
    Rigid pose;
    double shift = 0, turn = 0, score = -1;
  };
  for (const Slide& slide : slides) {
    const Rigid begin = slid(group, narrow.films[a], narrow.films[a].at(kFine).view, slide);
    std::vector<Scanned> found;
    for (int t = -kTurns; t <= kTurns; ++t)
      for (int n = -kSteps; n <= kSteps; ++n) found.push_back({begin, n * kStepMm, t * kStepRad});
    tbb::parallel_for(std::size_t{0}, found.size(), [&](std::size_t n) {
      Scanned& at = found[n];
      Twist move;
      move << at.turn * beam(b), at.shift * across;
      at.pose = exponential(move, begin * group.centre) * begin;
      Problem q = narrow;
      q.groups.front().planned_to_found = at.pose;
      at.score = similarity(predict(q, narrow.films[b], kFine, {}));
    });
    const auto same = [&](const Scanned& l, const Scanned& r) {
      return std::abs(l.shift - r.shift) + 0.5 * group.reach_mm * std::abs(l.turn - r.turn) <= 2 * kStepMm;
    };
    for (const Scanned& at : bestApart(std::move(found), kKept, same)) out.push_back(at.pose);
  }
}

/// Rotated about its long axis, which films show least.
void rolled(const Group& group, std::vector<Rigid>& out) {
  for (const double angle : {-0.3, -0.15, 0.15, 0.3})
    out.push_back(group.planned_to_found * turnAbout(group.centre, angle * group.axis, Vec3::Zero()));
}

constexpr double kReachMm = 7;
constexpr double kBetter = 1;  // in energy: how much better another place has to match

/// A narrowed problem with its bodies at some poses, and the films' energy of these.
struct Place {
  Problem at;
  double energy = 0;
};
bool lower(const Place& a, const Place& b) { return a.energy < b.energy; }
/// The problem with one of its groups elsewhere.
Place placed(const Problem& problem, std::size_t n, const Rigid& pose) {
  Place out{problem};
  out.at.groups[n].planned_to_found = pose;
  return out;
}

/// Every place refined on one level, and measured alike: by the variance of the residuals in the first place.
void measured(std::vector<Place>& places, int level, int iterations, const RefineSettings& base,
              const Progress& progress) {
  RefineSettings r = base;
  r.mode = {};
  r.level = level;
  r.iterations = iterations;
  const Problem& start = places.front().at;
  const Unknowns u =
      unknowns(start, std::vector<bool>(start.films.size(), false), std::vector<bool>(start.groups.size(), true));
  const std::vector<FilmUnits> units = unitsOf(predictAll(start, level, r.mode));
  tbb::parallel_for(std::size_t{0}, places.size(), [&](std::size_t n) {
    const std::vector<Prediction> now = refine(places[n].at, u, r, progress);
    places[n].energy = energy(places[n].at, now, u, r, units);
  });
}

/// Where the only body of a narrowed problem would fit: searched for on each film, then refined alone. The first is
/// refined from its found pose; the others are in no order.
std::vector<Place> placesBeside(const Problem& narrow, const Search& search, const RefineSettings& base,
                                const Progress& progress) {
  constexpr std::size_t kPlaces = 4, kTried = 6;
  std::vector<Rigid> poses;
  for (std::size_t f = 0; f < narrow.films.size(); ++f)
    carriedOn(narrow, f, seekSlides(narrow, narrow.films[f], kMiddle, kPlaces), poses);
  std::vector<Place> places{{narrow}};
  for (const Rigid& pose : poses) places.push_back(placed(narrow, 0, pose));
  measured(places, kFine, 0, base, progress);
  std::stable_sort(places.begin() + 1, places.end(), lower);
  if (places.size() > kTried + 1) places.resize(kTried + 1);
  if (search.roll) {  // refinement corrects its effect on the shadow's position
    poses.clear();
    rolled(narrow.groups.front(), poses);
    std::vector<Place> turned;
    turned.reserve(poses.size());
    for (const Rigid& pose : poses) turned.push_back(placed(narrow, 0, pose));
    measured(turned, kMiddle, 4, base, progress);
    places.insert(places.end(), turned.begin(), turned.end());
  }
  if (search.from_middle) measured(places, kMiddle, 4, base, progress);
  measured(places, kFine, 3, base, progress);
  return places;
}

/// Whether two poses of a body are close enough for one refinement.
bool fellTogether(const Group& body, const Rigid& pose, const Rigid& other) {
  constexpr double kApartMm = 1.2;
  return (other * body.centre - pose * body.centre).norm() +
             0.5 * body.reach_mm * rotationAngle(other.linear().transpose() * pose.linear()) <
         kApartMm;
}
/// Whether it is apart from all of these.
bool isApart(const Group& body, const Rigid& pose, const std::vector<Rigid>& from) {
  return std::ranges::none_of(from, [&](const Rigid& other) { return fellTogether(body, pose, other); });
}

/// Poses of the first body in places sorted by match, best first, if worse by less than `hopeless`; one of each set
/// that coincides.
std::vector<Rigid> posesApart(const std::vector<Place>& places, double hopeless = 1e300) {
  std::vector<Rigid> apart;
  for (const Place& place : places) {
    const Group& group = place.at.groups.front();
    if (place.energy < places.front().energy + hopeless && isApart(group, group.planned_to_found, apart))
      apart.push_back(group.planned_to_found);
  }
  return apart;
}

/// Searched for on each film around its found pose, and refined with its neighbours. True if it moved.
bool besideOne(Problem& p, std::size_t g, const Search& search, const RefineSettings& base, const Progress& progress) {
  constexpr double kHopeless = 15, kNearlyAsGood = 4;
  std::vector<Place> places =
      placesBeside(narrowed(p, g, g, kReachMm, {kMiddle, kFine}, search.mode), search, base, progress);
  const Rigid here = places.front().at.groups.front().planned_to_found;
  const double energy_here = places.front().energy;
  std::stable_sort(places.begin(), places.end(), lower);
  const std::vector<Rigid> apart = posesApart(places, kHopeless);
  p.groups[g].rival_mm = 0;
  const Group& best_alone = places.front().at.groups.front();
  if (apart.size() == 1 && fellTogether(best_alone, best_alone.planned_to_found, here) &&
      places.front().energy > energy_here - kBetter)
    return false;
  const std::size_t first = g - std::min(search.together, g - search.first);
  const std::size_t last = std::min(search.last, g + search.together);
  const Problem joint = narrowed(p, first, last, kReachMm, {kFine}, search.mode);
  places.assign(1, {joint});
  for (const Rigid& pose : apart) places.push_back(placed(joint, g - first, pose));
  measured(places, kFine, 5, base, progress);
  const auto best = std::min_element(places.begin(), places.end(), lower);
  const Group& chosen = best->at.groups[g - first];
  for (const Place& place : places) {
    const Group& other = place.at.groups[g - first];
    if (fellTogether(chosen, chosen.planned_to_found, other.planned_to_found)) continue;
    const double off = (other.planned_to_found * chosen.centre - chosen.planned_to_found * chosen.centre).norm();
    if (place.energy < best->energy + kNearlyAsGood) p.groups[g].rival_mm = std::max(p.groups[g].rival_mm, off);
  }
  if (best->energy >= places.front().energy - kBetter) return false;
  for (std::size_t n = first; n <= last; ++n)
    p.groups[n].planned_to_found = best->at.groups[n - first].planned_to_found;
  return true;
}

}  // namespace

bool tryBeside(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress,
               const std::function<void()>& settle) {
  bool moved = false, stale = true;
  std::vector<bool> sought(p.groups.size(), false);
  std::vector<double> met;
  while (!progress.cancelled()) {
    if (stale) met = worstMet(p, search.first, search.last, search.mode);
    stale = false;
    std::size_t worst = p.groups.size();  // or the next in order
    for (std::size_t g = search.first; g <= search.last; ++g)
      if (!sought[g] && met[g] <= search.met && (worst == p.groups.size() || (settle && met[g] < met[worst])))
        worst = g;
    if (worst == p.groups.size()) break;
    sought[worst] = true;
    if (!besideOne(p, worst, search, base, progress)) continue;
    moved = true;
    if (!settle) continue;
    settle();
    stale = true;
  }
  return moved;
}

namespace {

/// A problem narrowed down to one group, as if the groups `gone` were not there: their shadows are left unexplained.
Problem narrowedWithout(const Problem& p, std::size_t g, const std::vector<std::size_t>& gone, const Mode& mode) {
  Problem out = narrowed(p, g, g, kReachMm, {kMiddle, kFine}, mode);
  for (FilmState& f : out.films) {
    auto levels = std::make_shared<std::array<LevelFilm, kLevels>>(*f.levels);
    for (const int level : {kMiddle, kFine}) {
      LevelFilm& lf = (*levels)[static_cast<std::size_t>(level)];
      Film still = *lf.still;
      for (const std::size_t n : gone) {
        if (n == g) continue;
        const Rigid X = filmPose(f, p.groups[n]);
        const PixelBox box = intersection(shadowOf(p.groups[n], X, lf.view, level), {0, 0, still.columns, still.rows});
        addInto(still, draw(p.groups[n], X, lf.view, box, level), box, -f.bone_gain);
      }
      lf.still = std::make_shared<const Film>(std::move(still));
    }
    f.levels = std::move(levels);
  }
  return out;
}

}  // namespace

bool tryTogether(Problem& p, const Search& search, const RefineSettings& base, const Progress& progress) {
  constexpr double kFarMm = 2.5, kFarRad = 0.09;
  constexpr std::size_t kMost = 4, kFollowed = 4;
  const auto far = [](const Group& g, const Rigid& from) {
    const Vec3 axis = g.metal->solid.axis;
    return (g.planned_to_found * g.centre - from * g.centre).norm() > kFarMm ||
           (g.planned_to_found.linear() * axis).dot(from.linear() * axis) < std::cos(kFarRad);
  };
  const std::vector<double> met = worstMet(p, search.first, search.last, search.mode);
  std::vector<std::size_t> poor;
  for (std::size_t g = search.first; g <= search.last; ++g)
    if (met[g] <= kDeviceHardlyMet ||
        (far(p.groups[g], Rigid::Identity()) && far(p.groups[g], goneWithRay(p, p.groups[g]))))
      poor.push_back(g);
  if (poor.empty()) return false;
  std::ranges::sort(poor, {}, [&](std::size_t g) { return met[g]; });
  if (poor.size() > kMost) poor.resize(kMost);

  // Each separately, with the others' shadows unexplained; its current pose, the planned one and the one moved with its
  // ray are places as well.
  const std::size_t each = poor.size() > 3 ? 4 : 6;  // at most 256 combinations
  std::vector<std::vector<Rigid>> poses;
  for (const std::size_t g : poor) {
    const Group& device = p.groups[g];
    std::vector<Rigid> of{device.planned_to_found};
    std::vector<Place> places = placesBeside(narrowedWithout(p, g, poor, search.mode), search, base, progress);
    std::stable_sort(places.begin(), places.end(), lower);
    std::vector<Rigid> found{goneWithRay(p, device), Rigid::Identity()};
    const std::vector<Rigid> apart = posesApart(places);
    found.insert(found.end(), apart.begin(), apart.end());
    for (const Rigid& pose : found)
      if (of.size() < each && isApart(device, pose, of)) of.push_back(pose);
    poses.push_back(std::move(of));
  }
  // Every combination.
  Problem carried = p;
  for (const std::size_t g : poor) carried.groups[g].planned_to_found = goneWithRay(p, p.groups[g]);
  const Problem here = narrowed(p, search.first, search.last, kReachMm, {kMiddle, kFine}, search.mode, &carried);
  std::vector<Place> places{{here}};
  for (std::size_t n = 0; n < poor.size(); ++n) {
    const std::size_t before = places.size();
    for (std::size_t k = 1; k < poses[n].size(); ++k)
      for (std::size_t m = 0; m < before; ++m) {
        places.push_back(places[m]);
        places.back().at.groups[poor[n] - search.first].planned_to_found = poses[n][k];
      }
  }
  if (places.size() == 1) return false;
  measured(places, kMiddle, 0, base, progress);
  std::stable_sort(places.begin() + 1, places.end(), lower);
  if (places.size() > 1 + kFollowed) places.resize(1 + kFollowed);
  measured(places, kMiddle, 8, base, progress);
  measured(places, kFine, 6, base, progress);
  const auto best = std::min_element(places.begin(), places.end(), lower);
  if (best->energy >= places.front().energy - kBetter) return false;
  for (std::size_t g = search.first; g <= search.last; ++g)
    p.groups[g].planned_to_found = best->at.groups[g - search.first].planned_to_found;
  return true;
}

}  // namespace rayset::film_fit
