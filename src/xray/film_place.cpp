#include "xray/film_place.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <span>

#include "base/units.h"
#include "xray/best_apart.h"
#include "xray/film_refine.h"

namespace rayset::film_fit {
namespace {

/// Scores of the search (Votes): reached on most films by the right way up and a place near the right one; the lead
/// that settles a choice. Seen: 0.90 to 0.99 in the right place, 0.72 to 0.76 where the film was turned over.
constexpr double kUpright = 0.85, kClearlyBetter = 0.05;
/// The score a place must reach on closer inspection (kMiddle), and the score at which no more places need be followed.
/// Seen: 0.89 and more in the right one; of 52 outside films four stayed below 0.88, and one of them scored 0.10 better
/// from a start that was not among the first. None of the others improved by more than 0.004.
constexpr double kFound = 0.70, kWellFound = 0.88;
constexpr double kAcross = 0.75;  // rotations across the beam are searched over this fraction of the range

struct Start {
  Rigid moved = Rigid::Identity();
  double score = -1;
};

/// How well a film matches at a candidate place: the parts that do not move (tarsus, hindfoot) and the rays, half each.
/// The two worst rays do not count: one that is displaced, behind metal or beyond the film's edge must not pull the
/// foot away. Nothing where the tarsus is not on the film.
class Votes {
 public:
  void add(std::size_t group, std::size_t core, double correlation) {
    (group < core ? core_ : rays_).push_back(correlation);
    tarsus_ = tarsus_ || group == 0;
  }
  void clear() {
    core_.clear();
    rays_.clear();
    tarsus_ = false;
  }
  [[nodiscard]] double score() {
    constexpr std::size_t kHeldOut = 2, kLeastRays = 2;
    if (!tarsus_ || rays_.size() < kLeastRays) return -1;
    std::ranges::sort(rays_, std::greater());
    rays_.resize(std::max(kLeastRays, rays_.size() - std::min(kHeldOut, rays_.size())));
    const auto mean = [](const std::vector<double>& v) {
      double sum = 0;
      for (const double c : v) sum += c;
      return sum / static_cast<double>(v.size());
    };
    return 0.5 * (mean(core_) + mean(rays_));
  }

 private:
  std::vector<double> core_, rays_;
  bool tarsus_ = false;
};

/// Rotations on a grid, shifts by sliding, the best first. Every body votes separately.
std::vector<Start> seekStarts(const Problem& p, const FilmState& film, const FilmRegistrationSettings& s) {
  constexpr std::size_t kLeastSpots = 12;
  const LevelFilm& lf = film.at(kSearch);
  const ProjectionView& view = lf.view;
  const int window = lf.window();
  const Normalised wanted = normalised(lf.film, lf.inside, window);
  std::vector<Vec3> turns;
  const double step = s.search_turn_rad / 2;
  for (int a = -2; a <= 2; ++a)
    for (int b = -2; b <= 2; ++b)
      for (int c = -2; c <= 2; ++c)
        turns.push_back(step * (a * view.normal() + kAcross * (b * view.right + c * view.down)));
  const double magnification = view.magnification(p.centre);
  const int slide = static_cast<int>(std::ceil(s.search_shift_mm * magnification / view.pixel_mm));
  std::vector<Start> found(turns.size()), found_whole(turns.size());
  tbb::parallel_for(std::size_t{0}, turns.size(), [&](std::size_t n) {
    FilmState f = film;
    Twist xi;
    xi << turns[n], Vec3::Zero();
    f.moved = exponential(xi, p.centre) * film.moved;
    const Prediction now = predict(p, f, kSearch, {});
    // The pixels each bone covers, as a list: slid over the film.
    struct Spot {
      int c, r;
      float value;
    };
    Film owner(view.columns, view.rows, -1), most(view.columns, view.rows);
    for (std::size_t g = 0; g < p.bones; ++g) {
      const Patch& patch = now.groups[g];
      for (int r = 0; r < patch.box.rows; ++r)
        for (int c = 0; c < patch.box.columns; ++c) {
          float& best = most.at(patch.box.column + c, patch.box.row + r);
          if (patch.values.at(c, r) <= best) continue;
          best = patch.values.at(c, r);
          owner.at(patch.box.column + c, patch.box.row + r) = static_cast<float>(g);
        }
    }
    // The rim of a shadow belongs to the bone beside it.
    std::vector<std::vector<Spot>> spots(p.bones);
    const int rim = pixelsOf(kRimMm, view);
    for (int r = 0; r < view.rows; ++r)
      for (int c = 0; c < view.columns; ++c) {
        if (now.weight.at(c, r) <= 0) continue;
        int own = static_cast<int>(owner.at(c, r)), nearest = 1 << 20;
        for (int y = std::max(0, r - rim); own < 0 && y <= std::min(view.rows - 1, r + rim); ++y)
          for (int x = std::max(0, c - rim); x <= std::min(view.columns - 1, c + rim); ++x) {
            const int off = (x - c) * (x - c) + (y - r) * (y - r);
            if (owner.at(x, y) >= 0 && off < nearest) nearest = off, own = static_cast<int>(owner.at(x, y)) + 1000;
          }
        own = own >= 1000 ? own - 1000 : own;
        if (own >= 0) spots[static_cast<std::size_t>(own)].push_back({c, r, now.shown.values.at(c, r)});
      }
    Votes votes;
    for (int dr = -slide; dr <= slide; ++dr)
      for (int dc = -slide; dc <= slide; ++dc) {
        votes.clear();
        double all_ab = 0, all_aa = 0, all_bb = 0;
        for (std::size_t g = 0; g < spots.size(); ++g) {
          const std::vector<Spot>& own = spots[g];
          if (own.size() < kLeastSpots) continue;
          double ab = 0, aa = 0, bb = 0;
          std::size_t in = 0;
          for (const Spot& spot : own) {
            const int c = spot.c + dc, r = spot.r + dr;
            if (c < 0 || r < 0 || c >= view.columns || r >= view.rows || lf.inside.at(c, r) <= 0) continue;
            const auto a = static_cast<double>(wanted.values.at(c, r)), b = static_cast<double>(spot.value);
            ab += a * b, aa += a * a, bb += b * b;
            ++in;
          }
          all_ab += ab, all_aa += aa, all_bb += bb;
          if (in * 3 >= own.size() * 2)  // most of it has to be on the film
            votes.add(g, p.core, ab / std::sqrt(std::max(1e-12, aa * bb)));
        }
        const double score = votes.score();
        const double whole = score < 0 ? -1 : all_ab / std::sqrt(std::max(1e-12, all_aa * all_bb));
        const auto kept = [&](Start& best, double reached) {
          if (reached <= best.score) return;
          best.score = reached;
          Rigid shift = Rigid::Identity();
          shift.translate((dc * view.right + dr * view.down) * view.pixel_mm / magnification);
          best.moved = shift * f.moved;
        };
        kept(found[n], score);
        kept(found_whole[n], whole);
      }
  });
  // If every ray is in its place, the score of the whole foot is better; if not, the votes are: alternate.
  sortByScore(found);
  sortByScore(found_whole);
  std::vector<Start> starts;
  for (std::size_t n = 0; n < turns.size(); ++n)
    for (const Start& start : {found[n], found_whole[n]})
      if (start.score >= 0) starts.push_back(start);
  return starts;
}

FilmState turnedOver(const FilmState& film) {
  auto levels = std::make_shared<std::array<LevelFilm, kLevels>>(*film.levels);
  for (LevelFilm& lf : *levels)
    for (Film* picture : {&lf.film, &lf.inside})
      for (int r = 0; r < picture->rows; ++r) std::reverse(picture->row(r), picture->row(r) + picture->columns);
  FilmState out;
  out.levels = std::move(levels);
  out.moved = film.moved;
  out.bone_gain = film.bone_gain;
  return out;
}

/// Every start refined on one level, every ray separately as well, held by the rays' priors: in a wrong place they find
/// nothing, in the right one a displaced ray is found. First (`foot_first`) the foot moves as one, once as planned and
/// once by tarsus and hindfoot alone, which have not moved.
std::vector<Start> refined(const Problem& problem, const FilmState& film, std::span<const Start> starts, int level,
                           bool foot_first, const FilmRegistrationSettings& settings, const Progress& progress) {
  std::vector<bool> none(problem.groups.size(), false), bones = none;
  for (std::size_t g = 1; g < problem.bones; ++g) bones[g] = true;
  const std::size_t variants = foot_first ? 2 : 1;
  std::vector<Start> out(variants * starts.size());
  tbb::parallel_for(std::size_t{0}, out.size(), [&](std::size_t n) {
    Problem p = problem;
    p.films = {film};
    p.films[0].moved = starts[n / variants].moved;
    RefineSettings r;
    r.level = level;
    r.ray = {settings.ray_shift_mm, settings.ray_turn_rad};
    if (foot_first) {
      r.iterations = 8;
      r.mode.core = n % variants == 1;
      refine(p, unknowns(p, {true}, none), r, progress);
      r.mode.core = false;
    }
    holdRegion(p, level, {});
    r.iterations = 6;
    refine(p, unknowns(p, {true}, bones), r, progress);
    const Prediction now = predict(p, p.films[0], level, {});
    const int rim = pixelsOf(kRimMm, p.films[0].at(level).view);
    Votes votes;
    for (std::size_t g = 0; g < p.bones; ++g)
      if (now.groups[g].box.columns > 0) votes.add(g, p.core, similarity(now, &now.groups[g], rim));
    out[n] = {p.films[0].moved, votes.score()};
  });
  return out;
}

double bestScore(std::span<const Start> starts) {
  double best = -1;
  for (const Start& s : starts) best = std::max(best, s.score);
  return best;
}

/// The film turned by quarters in its own plane, clockwise, pixel by pixel, so that every turn of a film gives the same
/// result; the view's centre stays in place.
FilmExposure turnedBy(int quarters, const FilmExposure& e) {
  FilmExposure out = e;
  for (int n = 0; n < quarters; ++n) {
    const FilmExposure from = out;
    out.film = Film(from.film.rows, from.film.columns);
    for (int r = 0; r < from.film.rows; ++r)
      for (int c = 0; c < from.film.columns; ++c) out.film.at(from.film.rows - 1 - r, c) = from.film.at(c, r);
    out.column = from.film.rows - (from.row + from.rows);
    out.row = from.column;
    out.columns = from.rows;
    out.rows = from.columns;
    ProjectionView& v = out.view;
    const Vec3 middle = from.view.place((from.view.columns - 1) / 2.0, (from.view.rows - 1) / 2.0);
    v.columns = from.view.rows;
    v.rows = from.view.columns;
    v.detector = middle - v.pixel_mm * ((v.columns - 1) / 2.0 * v.right + (v.rows - 1) / 2.0 * v.down);
  }
  if (e.columns == 0) out.column = out.row = out.columns = out.rows = 0;
  return out;
}

LevelFilm levelFilm(const FilmExposure& e, const LevelSettings& s) {
  LevelFilm out;
  const int factor = std::max(1, static_cast<int>(std::lround(s.pixel_mm / e.view.pixel_mm)));
  out.view = e.view.binned(factor);
  out.film = binned(e.film, factor);
  out.inside = Film(out.view.columns, out.view.rows, 1);
  if (e.columns > 0) {
    for (int r = 0; r < out.view.rows; ++r)
      for (int c = 0; c < out.view.columns; ++c)
        if (c * factor < e.column || (c + 1) * factor > e.column + e.columns || r * factor < e.row ||
            (r + 1) * factor > e.row + e.rows)
          out.inside.at(c, r) = 0;
  }
  out.window_px = s.window_mm / out.view.pixel_mm;
  out.sorted = sortedValues(out.film, out.inside);
  return out;
}

}  // namespace

ProjectionView turnedBack(int quarters, const ProjectionView& turned) {
  ProjectionView v = turned;
  for (int n = 0; n < quarters; ++n) {
    const ProjectionView from = v;
    v.detector = from.place(from.columns - 1, 0);
    v.right = from.down;
    v.down = -from.right;
    v.columns = from.rows;
    v.rows = from.columns;
  }
  return v;
}

Status withinReach(const FilmState& f, const Vec3& centre, const FilmRegistrationSettings& s, const std::string& name) {
  constexpr double kSlackRad = 0.055, kSlackMm = 5, kDepthMm = 40;
  const ProjectionView& view = f.at(kFine).view;
  const Eigen::AngleAxisd turn(f.moved.linear());
  const Vec3 turned = filmAxes(view).transpose() * (turn.angle() * turn.axis());
  const Vec3 shifted = filmAxes(view).transpose() * (f.moved * centre - centre);
  const double across = turned.head<2>().norm(), about = std::abs(turned.z());
  const double least = s.search_turn_rad, beside = kAcross * s.search_turn_rad;
  if (about <= least + kSlackRad && across <= std::numbers::sqrt2 * beside + kSlackRad &&
      shifted.head<2>().norm() <= std::numbers::sqrt2 * s.search_shift_mm + kSlackMm &&
      std::abs(shifted.z()) <= kDepthMm)
    return {};
  return fail(Fault::kImages,
              Message("xray.foot_met_film_only_degrees_about", {{"about", number(toDegrees(about), 0)},
                                                                {"across", number(toDegrees(across), 0)},
                                                                {"head", mm(shifted.head<2>().norm(), 0)},
                                                                {"z", mm(std::abs(shifted.z()), 0)}}),
              name, Message("xray.check_film_shows_foot_say_views"));
}

Result<PlacedFilm> placeFilm(const Problem& p, const FilmExposure& e, const FilmRegistrationSettings& settings,
                             const Progress& progress) {
  constexpr std::size_t kSought = 20, kSoughtLong = 60;
  constexpr double kSameMm = 1.5, kSameRad = 0.02, kElsewhereMm = 3, kElsewhereRad = 0.07;
  if (e.film.columns != e.view.columns || e.film.rows != e.view.rows)
    return fail(Fault::kInternal, "xray.film_view_differ_size", e.name);
  struct Sought {
    PlacedFilm film;
    std::vector<Start> all;      // the best first, as found by the search
    std::vector<Start> refined;  // the first of them, refined
    [[nodiscard]] double best() const { return bestScore(refined); }
  };
  const auto firstOf = [](const std::vector<Start>& all, std::size_t count) {
    return std::span(all).first(std::min(count, all.size()));
  };
  const auto follow = [&](const FilmState& state, std::span<const Start> starts) {
    return refined(p, state, starts, kSearch, true, settings, progress);
  };
  const auto seek = [&](const PlacedFilm& film) {
    Sought out{film, seekStarts(p, film.state, settings), {}};
    out.refined = follow(film.state, firstOf(out.all, kSought));
    return out;
  };
  const auto lying = [&](int quarters) {
    const FilmExposure turned = turnedBy(quarters, e);
    auto at_levels = std::make_shared<std::array<LevelFilm, kLevels>>();
    for (std::size_t level = 0; level < kLevels; ++level) (*at_levels)[level] = levelFilm(turned, p.levels[level]);
    PlacedFilm out;
    out.state.levels = std::move(at_levels);
    out.nominal = turned.view;
    out.quarters = quarters;
    return out;
  };
  Sought sought = seek(lying(0));
  for (int quarters = 1; quarters < 4 && sought.best() < kUpright; ++quarters) {
    Sought other = seek(lying(quarters));
    if (other.best() >= sought.best() + kClearlyBetter) sought = std::move(other);
  }
  PlacedFilm out = sought.film;
  const auto same = [&](const Start& a, const Start& b) {
    return (a.moved * p.centre - b.moved * p.centre).norm() < kSameMm &&
           rotationAngle(a.moved.linear() * b.moved.linear().transpose()) < kSameRad;
  };
  const auto closer = [&](std::vector<Start> starts) {
    starts = bestApart(std::move(starts), 6, same);
    for (const int level : {kCoarse, kMiddle})
      starts = bestApart(refined(p, out.state, starts, level, false, settings, progress), 2, same);
    return starts;
  };
  std::vector<Start> sought_places = sought.refined;
  std::vector<Start> starts = closer(sought_places);
  if (bestScore(starts) < kWellFound) {
    const auto others = firstOf(sought.all, kSoughtLong).subspan(firstOf(sought.all, kSought).size());
    const std::vector<Start> more = follow(out.state, others);
    sought_places.insert(sought_places.end(), more.begin(), more.end());
    if (std::vector<Start> again = closer(sought_places); bestScore(again) > bestScore(starts))
      starts = std::move(again);
  }
  // A film that was turned over scores 0.72 to 0.76 as it is.
  double mirrored = 0;
  if (bestScore(sought_places) < kUpright) {
    PlacedFilm over = out;
    over.state = turnedOver(out.state);
    mirrored = seek(over).best();
  }
  if (progress.cancelled()) return cancelledError();
  if (mirrored > std::max(bestScore(sought_places) + kClearlyBetter, kUpright))
    return fail(Fault::kImages, "xray.film_shows_mirror_image_foot", e.name,
                Message("xray.check_right_side_not_turned_over"));
  const double best = bestScore(starts);
  if (best < kFound)
    return fail(Fault::kImages,
                Message("xray.film_does_not_match_foot_plan",
                        {{"best", number(std::max(0.0, best), 2)}, {"found", number(kFound, 2)}}),
                e.name, Message("xray.check_view_stated_side_patient"));
  out.state.moved = starts.front().moved;
  const auto elsewhere = std::find_if(starts.begin() + 1, starts.end(), [&](const Start& other) {
    return (other.moved * p.centre - out.state.moved * p.centre).cross(out.nominal.normal()).norm() > kElsewhereMm ||
           rotationAngle(other.moved.linear() * out.state.moved.linear().transpose()) > kElsewhereRad;
  });
  out.margin = elsewhere == starts.end() ? best : best - elsewhere->score;
  return out;
}

}  // namespace rayset::film_fit
