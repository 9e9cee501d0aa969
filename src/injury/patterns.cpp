// The rules, in full, are in docs/decisions/patterns.md. Sources: Quenu and Kuss, Rev Chir 1909; Hardcastle et al., J
// Bone Joint Surg Br 1982;64:349-56; Myerson et al., Foot Ankle 1986;6:225-42; Chiodo and Myerson, Orthop Clin North Am
// 2001;32:11-20.
#include "injury/patterns.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <optional>
#include <utility>

#include "base/words.h"

namespace rayset {
namespace {

using Way = RayDirection;
using Ways = EachRay<Way>;

bool displaced(Way way) { return way != Way::kInPlace; }

template <class Predicate>
std::vector<Ray> raysWhere(const Ways& ways, Predicate predicate) {
  std::vector<Ray> rays;
  for (const Ray ray : kRays)
    if (predicate(ways[ray])) rays.push_back(ray);
  return rays;
}
std::vector<Ray> raysGoing(const Ways& ways, Way way) {
  return raysWhere(ways, [&](Way w) { return w == way; });
}

// "the second ray", "the first and third rays", "the second to fifth rays", "all five rays".
Message words(const std::vector<Ray>& rays) {
  if (rays.size() == 5) return "injury.all_five_rays";
  if (rays.empty()) return "injury.no_ray";
  if (rays.size() == 1) return {"injury.the_ray", {{"ray", nameOf(rays.front())}}};
  const bool run = rays.back().index() - rays.front().index() == rays.size() - 1;
  if (run && rays.size() > 2)
    return {"injury.rays_from_to", {{"first", nameOf(rays.front())}, {"last", nameOf(rays.back())}}};
  std::vector<Message> names;
  for (const Ray ray : rays) names.push_back(nameOf(ray));
  return {"injury.the_rays", {{"rays", all(names)}}};
}

// Every group of rays with where it went: "the first ray is displaced medially, the second to fifth rays laterally".
Message account(const Ways& ways) {
  Message text;
  for (const auto& [way, adverb] :
       {std::pair{Way::kMedial, "injury.medially"}, std::pair{Way::kLateral, "injury.laterally"},
        std::pair{Way::kDorsal, "injury.dorsally_neither_side"},
        std::pair{Way::kPlantar, "injury.plantarwards_neither_side"}}) {
    const auto rays = raysGoing(ways, way);
    if (rays.empty()) continue;
    if (text.empty())
      text = {"injury.rays_displaced", {{"rays", words(rays)}, {"count", rays.size()}, {"way", Message(adverb)}}};
    else
      text = {
          "join.comma",
          {{"first", text}, {"second", Message("injury.rays_way", {{"rays", words(rays)}, {"way", Message(adverb)}})}}};
  }
  return text;
}

// The facts about the rays that the three schemes use.
struct Facts {
  std::vector<Ray> out, in_place, medial, lateral, dorsal, plantar;
  Way first = Way::kInPlace;
  bool all_five = false, none = false;
  bool opposed_sideways = false;  ///< some medial, some lateral
  bool opposed_upright = false;   ///< some dorsal, some plantar, among the rays that went to neither side
  bool one_direction = false;     ///< nothing opposed
};
Facts factsOf(const Ways& ways) {
  Facts f;
  f.out = raysWhere(ways, displaced);
  f.in_place = raysGoing(ways, Way::kInPlace);
  f.medial = raysGoing(ways, Way::kMedial);
  f.lateral = raysGoing(ways, Way::kLateral);
  f.dorsal = raysGoing(ways, Way::kDorsal);
  f.plantar = raysGoing(ways, Way::kPlantar);
  f.first = ways[Ray(1)];
  f.all_five = f.out.size() == 5;
  f.none = f.out.empty();
  f.opposed_sideways = !f.medial.empty() && !f.lateral.empty();
  f.opposed_upright = !f.dorsal.empty() && !f.plantar.empty();
  f.one_direction = !f.none && !f.opposed_sideways && !f.opposed_upright;
  return f;
}

PatternName quenuKuss(const Ways& ways) {
  const Facts f = factsOf(ways);
  if (f.none) return {"none", Message("injury.no_ray_displaced")};
  const Message what = capitalised(account(ways));
  if (f.opposed_sideways) return {"divergent", Message("injury.rays_part_coronal_plane", {{"what", what}})};
  if (f.opposed_upright) return {"divergent", Message("injury.rays_part_sagittal_plane", {{"what", what}})};
  if (f.all_five) return {"homolateral", Message("injury.all_five_went_together", {{"what", what}})};
  if (f.out.size() <= 2)
    return {"isolated", Message("injury.hold_their_place", {{"what", what}, {"in_place", words(f.in_place)}})};
  return {"isolated", Message("injury.place_more_rays_one_two_1909",
                              {{"what", what}, {"in_place", words(f.in_place)}, {"count", f.in_place.size()}})};
}

// Total incongruity in one direction. If the first ray went to neither side while others did, homolateral or divergent
// remains open, so it does not count.
bool totalOneDirection(const Facts& f) {
  if (!f.all_five || !f.one_direction) return false;
  const bool sided = !f.medial.empty() || !f.lateral.empty();
  return !sided || f.first == Way::kMedial || f.first == Way::kLateral;
}
// First ray in place, one or more lesser rays lateral, none medial.
bool partialLateral(const Facts& f) { return f.first == Way::kInPlace && !f.lateral.empty() && f.medial.empty(); }
// First ray medial, no lesser ray lateral, part of the joint in place.
bool partialMedial(const Facts& f) { return f.first == Way::kMedial && f.lateral.empty() && !f.all_five; }
// First ray medial, one or more lesser rays lateral.
bool divergent(const Facts& f) { return f.first == Way::kMedial && !f.lateral.empty(); }

// Why none of Hardcastle's and Myerson's types applies.
Message whyNot(const Facts& f, const Message& what) {
  if (f.medial.empty() && f.lateral.empty())
    return Message("injury.partial_but_neither_side_partial_types", {{"what", what}});
  if (f.first == Way::kLateral && !f.medial.empty())
    return Message("injury.first_ray_lateral_against_medial_lesser", {{"what", what}});
  if (f.first == Way::kLateral) return Message("injury.partial_types_have_first_ray_medial", {{"what", what}});
  if (f.first == Way::kDorsal || f.first == Way::kPlantar)
    return Message("injury.first_ray_went_neither_side_leaves", {{"what", what}});
  if (f.first == Way::kInPlace && !f.medial.empty() && !f.lateral.empty())
    return Message("injury.lesser_rays_part_while_first_place", {{"what", what}});
  if (f.first == Way::kInPlace) return Message("injury.lesser_rays_medial_first_place_none", {{"what", what}});
  return Message("injury.none_types_describes", {{"what", what}});
}

PatternName hardcastle(const Ways& ways) {
  const Facts f = factsOf(ways);
  if (f.none) return {"none", Message("injury.no_ray_displaced")};
  const Message what = capitalised(account(ways));
  if (totalOneDirection(f)) return {"A", Message("injury.total_incongruity", {{"account", account(ways)}})};
  if (divergent(f))
    return {
        "C",
        {f.all_five ? "injury.divergent_total_type" : "injury.divergent_partial_type", {{"account", account(ways)}}}};
  if (partialMedial(f)) {
    // The 1982 wording of the medial type: the first ray alone or with some of the second to fourth.
    if (!displaced(ways[Ray(5)]))
      return {"B", Message("injury.partial_incongruity_medial", {{"account", account(ways)}})};
    return {"unclassified", Message("injury.medial_partial_type_first_ray_some", {{"what", what}})};
  }
  if (partialLateral(f))
    return {"B", Message("injury.partial_incongruity_lateral_first_ray_place", {{"account", account(ways)}})};
  return {"unclassified", whyNot(f, what)};
}

PatternName myerson(const Ways& ways) {
  const Facts f = factsOf(ways);
  if (f.none) return {"none", Message("injury.no_ray_displaced")};
  const Message what = capitalised(account(ways));
  if (totalOneDirection(f)) return {"A", Message("injury.total_incongruity", {{"account", account(ways)}})};
  if (divergent(f)) {
    if (f.lateral.size() == 4) return {"C2", Message("injury.divergent_total", {{"account", account(ways)}})};
    if (!f.all_five)
      return {"C1",
              Message("injury.divergent_partial_place",
                      {{"account", account(ways)}, {"in_place", words(f.in_place)}, {"count", f.in_place.size()}})};
    return {"unclassified", Message("injury.divergent_all_five_rays_out_but", {{"what", what}})};
  }
  if (partialMedial(f)) {
    if (f.out.size() == 4 && !displaced(ways[Ray(5)]))
      return {"unclassified", Message("injury.all_but_fifth_ray_between_partial", {{"what", what}})};
    return {"B1", Message("injury.partial_incongruity_medial_led_first_ray", {{"account", account(ways)}})};
  }
  if (partialLateral(f))
    return {"B2", Message("injury.partial_incongruity_lateral_first_ray_place", {{"account", account(ways)}})};
  return {"unclassified", whyNot(f, what)};
}

// The name that applies whatever the unseen rays did, or "unclassified".
template <class Scheme>
PatternName forEveryPossibility(const Ways& seen, const std::vector<Ray>& unseen, Scheme scheme) {
  if (unseen.empty()) return scheme(seen);
  std::optional<PatternName> name;
  std::size_t possibilities = 1;
  for (std::size_t i = 0; i < unseen.size(); ++i) possibilities *= 5;
  for (std::size_t code = 0; code < possibilities; ++code) {
    Ways ways = seen;
    std::size_t rest = code;
    for (const Ray ray : unseen) {
      ways[ray] = static_cast<Way>(rest % 5);
      rest /= 5;
    }
    PatternName here = scheme(ways);
    if (!name) name = here;
    if (here.value != name->value) {
      const Message known = account(seen);
      return {"unclassified", known.empty()
                                  ? Message("injury.not_measured_name_open", {{"rays", capitalised(words(unseen))}})
                                  : Message("injury.not_measured_name_open_known",
                                            {{"rays", capitalised(words(unseen))}, {"known", known}})};
    }
  }
  return {name->value, Message("injury.could_not_measured_name_holds_whatever",
                               {{"seen", capitalised(account(seen))}, {"unseen", capitalised(words(unseen))}})};
}

}  // namespace

namespace {
/// Sideways shift from which a ray with this displacement counts as gone to a side.
double sidedFrom(const RayDisplacement& d) { return std::min(kSidedFromMm, kSidedFromFraction * d.asideMm()); }
bool wentToASide(const RayDisplacement& d) { return std::abs(d.lateral_mm) >= sidedFrom(d); }
}  // namespace

RayDirection rayDirection(const RayDisplacement& d) {
  if (!d.displaced) return Way::kInPlace;
  if (wentToASide(d)) return d.lateral_mm > 0 ? Way::kLateral : Way::kMedial;
  return d.dorsal_mm > 0 ? Way::kDorsal : Way::kPlantar;
}

namespace {

constexpr double kKnownFromMm = 0.5;  // a shift below this has no direction

/// A side is certain if nine in ten shifts fall on it (1.28 standard deviations; the radius that holds 95 % in space is
/// 2.80 of them).
constexpr double kSideways = 0.457;

/// Whether the interval decides if a displaced ray went to a side.
bool sideTold(const RayDisplacement& d, double within_mm) {
  return !d.displaced || std::abs(std::abs(d.lateral_mm) - sidedFrom(d)) >= kSideways * within_mm;
}

/// Every possible state of a ray, the likeliest first. One without a known shift may have gone anywhere.
std::vector<RayDisplacement> possibilities(RayDisplacement d, double within_mm) {
  const bool told = d.told;
  d.told = true;
  std::vector<RayDisplacement> out{d};
  if (told) {
    if (sideTold(d, within_mm)) return out;
    const double shift = d.asideMm(), side = d.lateral_mm < 0 ? -1 : 1;
    const bool sided = wentToASide(d);
    d.lateral_mm = sided ? 0 : side * shift;
    d.dorsal_mm = sided ? (d.dorsal_mm < 0 ? -1 : 1) * shift : 0;
    out.push_back(d);
    return out;
  }
  d.displaced = !d.displaced;
  if (!d.displaced || d.asideMm() >= kKnownFromMm) {
    out.push_back(d);
    return out;
  }
  for (const auto& [lateral, dorsal] : {std::pair(1, 0), std::pair(-1, 0), std::pair(0, 1), std::pair(0, -1)}) {
    d.lateral_mm = lateral * kDisplacedFromMm;
    d.dorsal_mm = dorsal * kDisplacedFromMm;
    out.push_back(d);
  }
  return out;
}

/// Half-width of the interval of a ray's shift; 0 if it is known.
double within(const PerRay<double>& within_mm, Ray ray) {
  const double* mm = find(within_mm, ray);
  return mm != nullptr ? *mm : 0;
}

/// The names of all possible states of the rays, the likeliest first.
std::vector<Patterns> possibleNames(const PerRay<RayDisplacement>& rays, const PerRay<double>& within_mm) {
  std::vector<PerRay<RayDisplacement>> all{rays};
  for (const auto& [ray, seen] : rays) {
    std::vector<PerRay<RayDisplacement>> more;
    for (const auto& so_far : all)
      for (const RayDisplacement& d : possibilities(seen, within(within_mm, ray))) {
        more.push_back(so_far);
        more.back().at(ray) = d;
      }
    all.swap(more);
  }
  std::vector<Patterns> out;
  out.reserve(all.size());
  for (const auto& way : all) out.push_back(classify(way));
  return out;
}

void withhold(const std::vector<Patterns>& all, PatternName Patterns::*scheme, const Message& who, Patterns& out) {
  std::vector<std::string> values;
  for (const Patterns& p : all)
    if (std::find(values.begin(), values.end(), (p.*scheme).value) == values.end()) values.push_back((p.*scheme).value);
  if (values.size() < 2) return;
  out.*scheme = {std::string(kCannotBeTold), {"injury.depends", {{"who", who}, {"either", any(values)}}}};
}

}  // namespace

Patterns classify(const PerRay<RayDisplacement>& rays, const PerRay<double>& within_mm) {
  std::vector<Ray> untold, either_side;
  for (const auto& [ray, d] : rays) {
    if (!d.told)
      untold.push_back(ray);
    else if (!sideTold(d, within(within_mm, ray)))
      either_side.push_back(ray);
  }
  if (!untold.empty() || !either_side.empty()) {
    const auto all = possibleNames(rays, within_mm);
    Patterns out = all.front();
    Message who;
    if (!untold.empty()) who = {"injury.cannot_tell_displaced", {{"rays", words(untold)}, {"count", untold.size()}}};
    if (!either_side.empty()) {
      Message side("injury.cannot_tell_side", {{"rays", words(either_side)}, {"count", either_side.size()}});
      who = who.empty() ? side : Message("injury.and_on_which", {{"first", who}, {"second", side}});
    }
    for (const auto scheme : {&Patterns::quenu_kuss, &Patterns::hardcastle, &Patterns::myerson})
      withhold(all, scheme, who, out);
    return out;
  }
  Ways ways{};
  std::vector<Ray> unseen;
  Patterns patterns;
  for (const Ray ray : kRays) {
    if (const RayDisplacement* d = find(rays, ray))
      ways[ray] = rayDirection(*d);
    else
      unseen.push_back(ray);
  }
  patterns.quenu_kuss = forEveryPossibility(ways, unseen, quenuKuss);
  patterns.hardcastle = forEveryPossibility(ways, unseen, hardcastle);
  patterns.myerson = forEveryPossibility(ways, unseen, myerson);
  for (const Column& column : kColumns)
    if (std::ranges::any_of(kRays, [&](Ray ray) { return column.has(ray) && displaced(ways[ray]); }))
      patterns.columns.emplace_back(column.name);
  return patterns;
}

std::vector<CloseCall> closeCalls(const PerRay<RayDisplacement>& rays, const PerRay<double>& within_mm) {
  const Patterns now = classify(rays);
  std::vector<CloseCall> out;
  for (const auto& [ray, d] : rays) {
    const double shift = d.asideMm();
    if (!d.told || shift < 1e-6 || std::abs(shift - kDisplacedFromMm) > within(within_mm, ray)) continue;
    auto changed = rays;
    changed.at(ray).displaced = !d.displaced;
    const Patterns other = classify(changed);
    if (other.quenu_kuss.value == now.quenu_kuss.value && other.hardcastle.value == now.hardcastle.value &&
        other.myerson.value == now.myerson.value)
      continue;
    out.push_back({ray, other});
  }
  return out;
}

}  // namespace rayset
