#include "films/foot_frame.h"

#include <fmt/format.h>

#include <array>
#include <cmath>

#include "geometry/side.h"

namespace rayset::films {
namespace {

using Pair = std::pair<std::string_view, std::string_view>;

const Vec2* at(const PointsMm& points, std::string_view name) {
  const auto it = points.find(name);
  return it == points.end() ? nullptr : &it->second;
}

// From the proximal to the distal point of each.
constexpr std::array<Pair, 14> kDistal{{{"C1.lateral.proximal", "C1.lateral.distal"},
                                        {"C2.medial.proximal", "C2.medial.distal"},
                                        {"M2.medial.proximal", "M2.medial.distal"},
                                        {"C3.medial.proximal", "C3.medial.distal"},
                                        {"C3.lateral.proximal", "C3.lateral.distal"},
                                        {"Cub.medial.proximal", "Cub.medial.distal"},
                                        {"Cub.lateral.proximal", "Cub.lateral.distal"},
                                        {"C1.dorsal.proximal", "C1.dorsal.distal"},
                                        {"C2.dorsal.proximal", "C2.dorsal.distal"},
                                        {"C3.dorsal.proximal", "C3.dorsal.distal"},
                                        {"Cub.dorsal.proximal", "Cub.dorsal.distal"},
                                        {"Nav.medial", "C1.medial"},
                                        {"Floor.proximal", "Floor.distal"},
                                        {"M1.lateral.proximal", "M1.head"}}};
// A dorsal or medial base corner to the head of the first metatarsal, and the talus: these are more oblique, so they
// only vote.
constexpr std::array<Pair, 6> kRoughlyDistal{{{"M1.dorsal.proximal", "M1.head"},
                                              {"M1.medial.proximal", "M1.head"},
                                              {"Tal.medial.proximal", "Tal.medial.distal"},
                                              {"Tal.lateral.proximal", "Tal.lateral.distal"},
                                              {"Tal.dorsal.proximal", "Tal.dorsal.distal"},
                                              {"Tal.plantar.proximal", "Tal.plantar.distal"}}};
// The first lies medial of the second (plantar of it on lateral films).
constexpr std::array<Pair, 10> kAcrossTop{{{"M1.medial.proximal", "M1.lateral.proximal"},
                                           {"C1.medial", "C1.lateral.distal"},
                                           {"C1.medial", "C1.lateral.proximal"},
                                           {"Nav.medial", "C2.medial.proximal"},
                                           {"C1.medial", "C2.medial.distal"},
                                           {"M1.medial.proximal", "M2.medial.proximal"},
                                           {"M1.medial.proximal", "M2.medial.distal"},
                                           {"C1.lateral.distal", "M2.medial.proximal"},
                                           {"Tal.medial.proximal", "Tal.lateral.proximal"},
                                           {"Tal.medial.distal", "Tal.lateral.distal"}}};
constexpr std::array<Pair, 7> kAcrossOblique{{{"C3.medial.proximal", "C3.lateral.proximal"},
                                              {"C3.medial.distal", "C3.lateral.distal"},
                                              {"C3.medial.distal", "Cub.medial.distal"},
                                              {"M3.medial.proximal", "M3.lateral.proximal"},
                                              {"M3.medial.proximal", "M4.medial.proximal"},
                                              {"Cub.medial.proximal", "Cub.lateral.proximal"},
                                              {"Cub.medial.distal", "M5.lateral"}}};
constexpr std::array<Pair, 8> kAcrossLateral{{{"C1.plantar", "C1.dorsal.proximal"},
                                              {"C1.plantar", "C1.dorsal.distal"},
                                              {"M1.plantar.proximal", "M1.dorsal.proximal"},
                                              {"Tal.plantar.proximal", "Tal.dorsal.proximal"},
                                              {"Tal.plantar.distal", "Tal.dorsal.distal"},
                                              {"M5.plantar", "M5.dorsal.proximal"},
                                              {"M5.plantar", "Cub.dorsal.distal"},
                                              {"Floor.proximal", "M1.dorsal.proximal"}}};

}  // namespace

Result<FootFrame> footFrame(const PointsMm& points, FilmView view, Side side, bool mirrored, double unit_mm,
                            const std::string& where) {
  FootFrame f;
  Vec2 sum = Vec2::Zero();
  const auto add = [&](const auto& pairs) {
    for (const auto& [proximal, distal] : pairs) {
      const Vec2 *a = at(points, proximal), *b = at(points, distal);
      if (a != nullptr && b != nullptr && (*b - *a).norm() > 0) sum += (*b - *a).normalized();
    }
  };
  add(kDistal);
  add(kRoughlyDistal);
  if (sum.norm() < 1e-6) {
    if (points.size() > 1 && sum.norm() == 0) f.cautions.emplace_back(Message("films.no_border_has_both_points_film"));
    return f;
  }
  f.distal = sum.normalized();
  const auto swapped = [&](std::string_view a, std::string_view b) {
    return fail(
        Fault::kRequest, Message("films.lie_against_direction_other_landmarks", {{"a", a}, {"b", b}}), where,
        Message("films.check_whether_proximal_distal_exchanged_whether", {{"word_of", nameOfKey(wordOf(view))}}));
  };
  for (const auto& [proximal, distal] : kDistal) {
    const Vec2 *a = at(points, proximal), *b = at(points, distal);
    // More than 72 degrees off the common direction; ours. Navicular to cuneiform and borders turn by up to 40.
    if (a != nullptr && b != nullptr && (*b - *a).normalized().dot(f.distal) < 0.3) return swapped(proximal, distal);
  }

  // From the tube, with toes up, the lateral side of a right foot is on the right of the picture.
  const Vec2 turned(-f.distal.y(), f.distal.x());
  const auto judge = [&](const auto& pairs, std::string_view inner, std::string_view outer) -> Status {
    int agree = 0, against = 0;
    Pair bad;
    for (const auto& [first, second] : pairs) {
      const Vec2 *a = at(points, first), *b = at(points, second);
      if (a == nullptr || b == nullptr) continue;
      const double d = (*b - *a).dot(f.across) * unit_mm;
      constexpr double kPlay = 2;  // mm, ours: borders may overlap a little in projection
      if (d > 0) ++agree;
      if (d < -kPlay) {
        ++against;
        bad = {first, second};
      }
    }
    if (against == 0) return {};
    if (view == FilmView::kLateral) {
      if (agree == 0) {  // the film is upside down: no matter
        f.across = -f.across;
        return {};
      }
    } else if (agree == 0) {
      return fail(Fault::kRequest,
                  Message("films.landmarks_lie_foot_but_film_called",
                          {{"seen", nameOf((side == Side::kRight) != mirrored ? Side::kLeft : Side::kRight)},
                           {"called", nameOf(side)},
                           {"mirrored", mirrored ? "yes" : "no"}}),
                  where, Message("films.correct_side_where_side_right_film"));
    }
    return fail(
        Fault::kRequest,
        Message("films.lies_against_other_landmarks", {{"bad", bad.first}, {"outer", outer}, {"bad_2", bad.second}}),
        where,
        Message("films.check_these_two_whether_view_belongs",
                {{"word_of", nameOfKey(wordOf(view))}, {"bad", bad.first}, {"inner", inner}, {"bad_2", bad.second}}));
  };
  if (view == FilmView::kLateral) {
    f.across = turned.y() < 0 ? turned : Vec2(-turned);  // dorsal is up unless the landmarks say otherwise
    if (const Status ok = judge(kAcrossLateral, "plantar", "dorsal"); !ok) return tl::unexpected(ok.error());
  } else {
    f.across = (side == Side::kRight) != mirrored ? turned : Vec2(-turned);
    const Status ok = view == FilmView::kOblique ? judge(kAcrossOblique, "medial", "lateral")
                                                 : judge(kAcrossTop, "medial", "lateral");
    if (!ok) return tl::unexpected(ok.error());
  }
  return f;
}

Vec2 wayOut(const LandmarkKind& kind, const PointsMm& points, const FootFrame& frame) {
  const double sign = kind.out == EdgeWay::kToLateral || kind.out == EdgeWay::kToDorsal ? 1 : -1;
  const Vec2 way = sign * frame.across;
  const Vec2 *here = at(points, kind.name), *there = kind.along.empty() ? nullptr : at(points, kind.along);
  if (here == nullptr || there == nullptr || (*here - *there).norm() < 1e-9) return way;
  const Vec2 border = (*there - *here).normalized();
  const Vec2 normal(-border.y(), border.x());
  return normal.dot(way) >= 0 ? normal : Vec2(-normal);
}

}  // namespace rayset::films
