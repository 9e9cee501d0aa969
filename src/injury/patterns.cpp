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
std::string words(const std::vector<Ray>& rays) {
  if (rays.size() == 5) return "all five rays";
  if (rays.empty()) return "no ray";
  const auto name = [](Ray ray) { return std::string(ordinal(ray)); };
  if (rays.size() == 1) return "the " + name(rays.front()) + " ray";
  const bool run = rays.back().index() - rays.front().index() == rays.size() - 1;
  if (run && rays.size() > 2) return "the " + name(rays.front()) + " to " + name(rays.back()) + " rays";
  std::vector<std::string> names;
  std::transform(rays.begin(), rays.end(), std::back_inserter(names), name);
  return "the " + listed(names) + " rays";
}

std::string verb(const std::vector<Ray>& rays) { return rays.size() == 1 ? " is " : " are "; }

// Every group of rays with where it went: "the first ray is displaced medially; the second to fifth rays laterally".
std::string account(const Ways& ways) {
  std::string text;
  for (const auto& [way, adverb] : {std::pair{Way::kMedial, "medially"}, std::pair{Way::kLateral, "laterally"},
                                    std::pair{Way::kDorsal, "dorsally, to neither side"},
                                    std::pair{Way::kPlantar, "plantarwards, to neither side"}}) {
    const auto rays = raysGoing(ways, way);
    if (rays.empty()) continue;
    text += text.empty() ? words(rays) + verb(rays) + "displaced " + adverb : ", " + words(rays) + " " + adverb;
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
  if (f.none) return {"none", "No ray is displaced."};
  const std::string what = capitalised(account(ways));
  if (f.opposed_sideways) return {"divergent", what + ": the rays part in the coronal plane."};
  if (f.opposed_upright) return {"divergent", what + ": the rays part in the sagittal plane."};
  if (f.all_five) return {"homolateral", what + ": all five went together."};
  if (f.out.size() <= 2) return {"isolated", what + "; " + words(f.in_place) + " hold their place."};
  return {"isolated",
          what + "; " + words(f.in_place) + (f.in_place.size() == 1 ? " holds its" : " hold their") +
              " place. More rays than the one or two of the 1909 wording, but not all five as homolateral asks."};
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
std::string whyNot(const Facts& f, const std::string& what) {
  if (f.medial.empty() && f.lateral.empty())
    return what + ": partial, but to neither side, and the partial types go by the side.";
  if (f.first == Way::kLateral && !f.medial.empty())
    return what + ": the first ray lateral against medial lesser rays is none of the types.";
  if (f.first == Way::kLateral)
    return what + ": the partial types have the first ray medial or in place, the total type needs all five rays.";
  if (f.first == Way::kDorsal || f.first == Way::kPlantar)
    return what + ": the first ray went to neither side, which leaves open whether the rays diverge.";
  if (f.first == Way::kInPlace && !f.medial.empty() && !f.lateral.empty())
    return what + ": the lesser rays part while the first is in place; the divergent type has the first ray medial.";
  if (f.first == Way::kInPlace) return what + ": lesser rays medial with the first in place is none of the types.";
  return what + ": none of the types describes this.";
}

PatternName hardcastle(const Ways& ways) {
  const Facts f = factsOf(ways);
  if (f.none) return {"none", "No ray is displaced."};
  const std::string what = capitalised(account(ways));
  if (totalOneDirection(f)) return {"A", "Total incongruity: " + account(ways) + "."};
  if (divergent(f))
    return {"C", std::string("Divergent, ") + (f.all_five ? "total" : "partial") + ": " + account(ways) + "."};
  if (partialMedial(f)) {
    // The 1982 wording of the medial type: the first ray alone or with some of the second to fourth.
    if (!displaced(ways[Ray(5)])) return {"B", "Partial incongruity, medial: " + account(ways) + "."};
    return {"unclassified",
            what + ": the medial partial type is the first ray with some of the second to fourth, not the fifth."};
  }
  if (partialLateral(f))
    return {"B", "Partial incongruity, lateral: " + account(ways) + "; the first ray is in place."};
  return {"unclassified", whyNot(f, what)};
}

PatternName myerson(const Ways& ways) {
  const Facts f = factsOf(ways);
  if (f.none) return {"none", "No ray is displaced."};
  const std::string what = capitalised(account(ways));
  if (totalOneDirection(f)) return {"A", "Total incongruity: " + account(ways) + "."};
  if (divergent(f)) {
    if (f.lateral.size() == 4) return {"C2", "Divergent, total: " + account(ways) + "."};
    if (!f.all_five)
      return {"C1", "Divergent, partial: " + account(ways) + "; " + words(f.in_place) + verb(f.in_place) + "in place."};
    return {"unclassified", what +
                                ": divergent with all five rays out, but not all lesser rays lateral, so neither the "
                                "partial (C1) nor the total (C2) type."};
  }
  if (partialMedial(f)) {
    if (f.out.size() == 4 && !displaced(ways[Ray(5)]))
      return {"unclassified", what + ": all but the fifth ray, between the partial (B1) and the total (A) type."};
    return {"B1", "Partial incongruity, medial, led by the first ray: " + account(ways) + "."};
  }
  if (partialLateral(f))
    return {"B2", "Partial incongruity, lateral: " + account(ways) + "; the first ray is in place."};
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
      const std::string known = account(seen);
      return {"unclassified", capitalised(words(unseen)) + " could not be measured" +
                                  (known.empty() ? "" : "; " + known) + ". The name depends on what is missing."};
    }
  }
  return {name->value, capitalised(account(seen)) + ". " + capitalised(words(unseen)) +
                           " could not be measured; the name holds whatever happened there."};
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

void withhold(const std::vector<Patterns>& all, PatternName Patterns::*scheme, const std::string& who, Patterns& out) {
  std::vector<std::string> values;
  for (const Patterns& p : all)
    if (std::find(values.begin(), values.end(), (p.*scheme).value) == values.end()) values.push_back((p.*scheme).value);
  if (values.size() < 2) return;
  std::string either;
  for (const std::string& value : values) either += (either.empty() ? "" : " or ") + value;
  out.*scheme = {std::string(kCannotBeTold), "It depends on " + who + ": " + either + "."};
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
    const auto which = [](const std::vector<Ray>& of, const std::string& doubt) {
      return of.empty()
                 ? std::string()
                 : words(of) + ", of which it cannot be told whether " + (of.size() > 1 ? "they " : "it ") + doubt;
    };
    std::string who = which(untold, untold.size() > 1 ? "are displaced" : "is displaced");
    const std::string side = which(either_side, "went to a side");
    who += (who.empty() || side.empty() ? "" : ", and on ") + side;
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
