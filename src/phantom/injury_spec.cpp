#include "phantom/injury_spec.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <random>
#include <set>
#include <sstream>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/distance_field.h"
#include "geometry/nearest.h"
#include "geometry/ray_caster.h"
#include "injury/displacement.h"
#include "phantom/fracture.h"

namespace rayset {
namespace {

constexpr double kOverlapMm = 0.2;   // bones may touch by this much
constexpr double kEaseLimitMm = 15;  // beyond this a bone has left its place altogether
constexpr double kEaseStepMm = 0.1;

RayInjury rayInjury(double lateral, double dorsal, double distal, double abduction_deg, double plantarflexion_deg,
                    double pronation_deg) {
  return {lateral, dorsal, distal, toRadians(abduction_deg), toRadians(plantarflexion_deg), toRadians(pronation_deg)};
}

constexpr std::array<std::pair<NamedInjury, std::string_view>, 6> kInjuryWords{
    {{NamedInjury::kNone, "none"},
     {NamedInjury::kHomolateral, "homolateral"},
     {NamedInjury::kIsolated, "isolated"},
     {NamedInjury::kDivergent, "divergent"},
     {NamedInjury::kMedialPartial, "medial-partial"},
     {NamedInjury::kLateralPartial, "lateral-partial"}}};
constexpr std::array<std::pair<BaseFragment, std::string_view>, 5> kFragmentWords{
    {{BaseFragment::kNone, "none"},
     {BaseFragment::kShear, "shear"},
     {BaseFragment::kButterfly, "butterfly"},
     {BaseFragment::kY, "y"},
     {BaseFragment::kFleck, "fleck"}}};

RayDisplacement asDisplacement(Ray ray, const RayInjury& r) {
  RayDisplacement d;
  d.ray = ray;
  d.lateral_mm = r.lateral_mm;
  d.dorsal_mm = r.dorsal_mm;
  d.distal_mm = r.distal_mm;
  d.abduction_rad = r.abduction_rad;
  d.plantarflexion_rad = r.plantarflexion_rad;
  d.pronation_rad = r.pronation_rad;
  return d;
}

/// A bone that can be checked against others in any pose.
struct Body {
  DistanceField field;  ///< where it belongs
  Points samples;       ///< on its surface, where it belongs, about one a square millimetre

  explicit Body(const Surface& surface) : field(surface, 0.5, 1.5) {
    for (const OrientedPoint& p : sampleEvenly(surface, 3000)) samples.push_back(p.position);
  }
};

/// The depth of the deepest sample; stops looking once it is beyond `enough`.
double depthOf(const Points& samples, const Rigid& samples_to_field, const DistanceField& field, double enough) {
  const Box& box = field.box();
  const Mat3 R = samples_to_field.linear();
  const Vec3 t = samples_to_field.translation();
  double depth = 0;
  for (const Vec3& p : samples) {
    const Vec3 q = R * p + t;
    if (!box.contains(q)) continue;
    depth = std::max(depth, -field.value(q));
    if (depth > enough) break;
  }
  return depth;
}

double overlap(const Body& a, const Rigid& a_pose, const Body& b, const Rigid& b_pose, double enough = 1e9) {
  const Rigid X_BA = b_pose.inverse() * a_pose;
  const double depth = depthOf(a.samples, X_BA, b.field, enough);
  return depth > enough ? depth : std::max(depth, depthOf(b.samples, X_BA.inverse(), a.field, enough));
}

/// The order in which displaced rays are placed: leading ones first, so that those behind find room.
std::vector<Ray> placingOrder(const InjurySpec& spec) {
  std::vector<Ray> medial, lateral;
  for (const Ray ray : kRays) {
    const RayInjury& r = spec.rays.at(ray);
    if (!r.moves()) continue;
    if (r.lateral_mm < 0)
      medial.push_back(ray);
    else
      lateral.insert(lateral.begin(), ray);
  }
  medial.insert(medial.end(), lateral.begin(), lateral.end());
  return medial;
}

constexpr double kContactReachMm = 6;  // bones farther apart than this are not neighbours
constexpr double kFacingMm = 1.2;  // a joint's facing area: at most this much farther apart than at its closest spot

/// From each vertex of `a` the vector to the nearest point of `b`; empty if they are too far apart.
std::vector<Vec3> waysAcross(const Surface& a, const Surface& b, double* closest) {
  const RayCaster target({&b});
  std::vector<Vec3> ways(a.vertices.size(), Vec3::Constant(1e3));
  *closest = 1e9;
  for (std::size_t n = 0; n < ways.size(); ++n)
    if (const auto hit = target.nearest(a.vertices[n], kContactReachMm + kFacingMm)) {
      ways[n] = hit->position - a.vertices[n];
      *closest = std::min(*closest, hit->distance);
    }
  return ways;
}

/// Both surfaces grown towards each other over their facing areas: half the gap each where it is narrowest, fading out.
/// False if too far apart.
bool growTogether(Surface& a, Surface& b) {
  double closest = 0;
  const std::vector<Vec3> from_a = waysAcross(a, b, &closest), from_b = waysAcross(b, a, &closest);
  if (closest > kContactReachMm) return false;
  const auto grow = [closest](Surface& s, const std::vector<Vec3>& ways) {
    const std::vector<Vec3> normals = vertexNormals(s);
    for (std::size_t n = 0; n < ways.size(); ++n) {
      const double gap = ways[n].norm(), beyond = (gap - closest) / kFacingMm;
      if (beyond >= 1 || gap <= 0 || ways[n].dot(normals[n]) < 0.3 * gap) continue;
      const double t = std::clamp(2 * beyond - 1, 0.0, 1.0);  // whole over the inner half
      s.vertices[n] += 0.5 * (1 - t * t * (3 - 2 * t)) * ways[n];
    }
  };
  grow(a, from_a);
  grow(b, from_b);
  return true;
}

bool ofTarsus(const std::pair<Bone, Bone>& pair) { return !rayOf(pair.first) && !rayOf(pair.second); }

Error noContact(const std::pair<Bone, Bone>& pair) {
  return {
      Fault::kRequest,
      Message("phantom.cannot_pressed_into_contact", {{"bone", boneId(pair.first)}, {"bone_2", boneId(pair.second)}}),
      "contact", Message("phantom.name_two_bones_foot_lie_within", {{"contact_reach_mm", mm(kContactReachMm, -1)}})};
}

/// Every toe bone goes with the ray it belongs to: grown outward from the metatarsal heads, always across the narrowest
/// remaining gap, since the joints of a toe are narrower than the space between two toes.
std::vector<std::optional<Ray>> raysOfToes(const std::vector<Surface>& toes, const BoneSurfaces& bones) {
  struct Seed {
    Ray ray;
    NearestPoints tree;
  };
  const auto samples = [](const Surface& s) {
    Points points;
    for (const OrientedPoint& p : sampleEvenly(s, 600)) points.push_back(p.position);
    return points;
  };
  std::vector<Seed> seeds;
  for (const Ray ray : kRays)
    if (const auto found = bones.find(metatarsal(ray)); found != bones.end())
      seeds.push_back({ray, NearestPoints(samples(found->second))});
  std::vector<Points> points;
  for (const Surface& toe : toes) points.push_back(samples(toe));
  std::vector<std::optional<Ray>> rays(toes.size());
  if (seeds.empty()) return rays;
  std::vector<double> gap(toes.size(), 1e9);
  std::vector<Ray> nearest(toes.size());
  const auto look = [&](const Seed& seed) {
    for (std::size_t n = 0; n < toes.size(); ++n) {
      if (rays[n]) continue;
      for (const Vec3& p : points[n]) {
        const double d = seed.tree.nearest(p).distance;
        if (d < gap[n]) {
          gap[n] = d;
          nearest[n] = seed.ray;
        }
      }
    }
  };
  for (const Seed& seed : seeds) look(seed);
  for (std::size_t done = 0; done < toes.size(); ++done) {
    std::size_t best = toes.size();
    for (std::size_t n = 0; n < toes.size(); ++n)
      if (!rays[n] && (best == toes.size() || gap[n] < gap[best])) best = n;
    rays[best] = nearest[best];
    look(Seed{nearest[best], NearestPoints(points[best])});
  }
  return rays;
}

Surface movedWithRays(const Surface& surface, const BoneSurfaces& intact, const EachRay<Rigid>& poses) {
  const std::vector<Surface> parts = pieces(surface);
  const std::vector<std::optional<Ray>> rays = raysOfToes(parts, intact);
  std::vector<Surface> moved;
  for (std::size_t n = 0; n < parts.size(); ++n)
    moved.push_back(rays[n] ? transformed(parts[n], poses[*rays[n]]) : parts[n]);
  std::vector<const Surface*> pointers;
  for (const Surface& s : moved) pointers.push_back(&s);
  return merged(pointers);
}

}  // namespace

InjurySpec namedInjury(NamedInjury name) {
  InjurySpec s;
  switch (name) {
    case NamedInjury::kNone:
      break;
    case NamedInjury::kHomolateral:
      s.rays[Ray(1)] = rayInjury(4.5, 3.0, 0.5, 6, 2, 2);
      s.rays[Ray(2)] = rayInjury(6.0, 4.0, 0.5, 8, 3, 1);
      s.rays[Ray(3)] = rayInjury(6.5, 4.0, 0.3, 9, 3, 2);
      s.rays[Ray(4)] = rayInjury(7.0, 3.5, 0.0, 10, 2, 3);
      s.rays[Ray(5)] = rayInjury(7.5, 3.0, -0.5, 12, 3, 4);
      break;
    case NamedInjury::kIsolated:
      s.rays[Ray(1)] = rayInjury(-4.5, 3.2, 0.0, -7, -3, 4);
      break;
    case NamedInjury::kDivergent:
      s.rays[Ray(1)] = rayInjury(-5.0, 2.5, 0.0, -8, 2, 5);
      s.rays[Ray(2)] = rayInjury(5.0, 4.0, 0.5, 7, 3, 1);
      s.rays[Ray(3)] = rayInjury(5.5, 4.0, 0.3, 8, 3, 2);
      s.rays[Ray(4)] = rayInjury(6.0, 3.5, 0.0, 10, 2, 3);
      s.rays[Ray(5)] = rayInjury(6.5, 3.0, -0.5, 11, 3, 4);
      break;
    case NamedInjury::kMedialPartial:
      s.rays[Ray(1)] = rayInjury(-5.5, 3.5, 0.0, -9, 3, 5);
      s.rays[Ray(2)] = rayInjury(-1.0, 3.8, 0.3, -2, 4, 1);
      break;
    case NamedInjury::kLateralPartial:
      s.rays[Ray(2)] = rayInjury(4.0, 4.0, 0.5, 6, 3, 1);
      s.rays[Ray(3)] = rayInjury(5.0, 4.0, 0.3, 8, 3, 2);
      s.rays[Ray(4)] = rayInjury(6.0, 3.5, 0.0, 10, 2, 3);
      s.rays[Ray(5)] = rayInjury(7.0, 3.0, -0.5, 13, 3, 4);
      break;
  }
  return s;
}

std::optional<NamedInjury> namedInjuryFromWord(std::string_view word) {
  for (const auto& [name, text] : kInjuryWords)
    if (text == word) return name;
  return std::nullopt;
}
std::string_view wordOf(NamedInjury name) {
  for (const auto& [value, text] : kInjuryWords)
    if (value == name) return text;
  return "none";
}
std::optional<BaseFragment> baseFragmentFromWord(std::string_view word) {
  for (const auto& [value, text] : kFragmentWords)
    if (text == word) return value;
  return std::nullopt;
}
std::string_view wordOf(BaseFragment fragment) {
  for (const auto& [value, text] : kFragmentWords)
    if (value == fragment) return text;
  return "none";
}

ExpectedPatterns expectedPatterns(NamedInjury name) {
  switch (name) {
    case NamedInjury::kNone:
      return {"none", "none", "none"};
    case NamedInjury::kHomolateral:
      return {"homolateral", "A", "A"};
    case NamedInjury::kIsolated:
    case NamedInjury::kMedialPartial:
      return {"isolated", "B", "B1"};  // Quenu and Kuss: one or two metatarsals
    case NamedInjury::kDivergent:
      return {"divergent", "C", "C2"};
    case NamedInjury::kLateralPartial:
      return {"", "B", "B2"};  // four rays one way: neither all five nor one or two
  }
  return {};
}

Result<InjurySpec> parseInjurySpec(const std::string& text, const std::string& where) {
  using Json = nlohmann::json;
  const auto wrong = [&](Message what, std::string field, Message remedy) {
    return fail(Fault::kRequest, std::move(what), where + (field.empty() ? "" : ", " + field), std::move(remedy));
  };
  const Json root = Json::parse(text, nullptr, false);
  if (root.is_discarded())
    return wrong("phantom.injury_not_valid_json", {}, Message("phantom.check_brackets_quotes_commas"));
  if (!root.is_object()) return wrong("phantom.injury_not_json_object", {}, writeForm(R"({"rays": [...]})"));
  InjurySpec spec;
  // Reads the named numbers of an object into `targets` and refuses any other name.
  struct Target {
    const char* name;
    double* value;
    double limit;  // largest magnitude
    double scale;  // to inside units
  };
  const auto numbers = [&](const Json& object, const std::string& field, const std::vector<Target>& targets) -> Status {
    if (!object.is_object()) return wrong("phantom.not_object", field, writeForm(R"({"name": number, ...})"));
    for (const auto& [key, value] : object.items()) {
      const auto target =
          std::find_if(targets.begin(), targets.end(), [&key = key](const Target& t) { return t.name == key; });
      if (target == targets.end()) {
        std::vector<std::string> names;
        for (const Target& t : targets) names.emplace_back(t.name);
        return wrong("phantom.unknown_component", field + "." + key, Message("phantom.known", {{"names", all(names)}}));
      }
      if (!value.is_number())
        return wrong("phantom.not_number", field + "." + key, Message("phantom.write_plain_number"));
      const double v = value.get<double>();
      if (!(std::abs(v) <= target->limit))
        return wrong(
            Message("phantom.out_range", {{"v", plain(v)}}), field + "." + key,
            Message("phantom.give_value", {{"limit", plain(-target->limit)}, {"limit_2", plain(target->limit)}}));
      *target->value = v * target->scale;
    }
    return {};
  };
  for (const auto& [key, value] : root.items()) {
    if (key == "rays") {
      if (!value.is_array()) return wrong("phantom.rays_not_list", key, writeForm(R"("rays": [{"ray": 2, ...}])"));
      std::set<Ray> seen;
      for (std::size_t n = 0; n < value.size(); ++n) {
        const std::string field = fmt::format("rays[{}]", n);
        const Json& entry = value[n];
        if (!entry.is_object() || !entry.contains("ray") || !entry["ray"].is_number_integer() ||
            entry["ray"].get<long long>() < 1 || entry["ray"].get<long long>() > 5)
          return wrong("phantom.ray_without_number_1", field, Message("phantom.write_ray_1"));
        const Ray ray(entry["ray"].get<int>());
        if (!seen.insert(ray).second)
          return wrong(Message("phantom.ray_appears_twice", {{"ray", ray.number()}}), field,
                       Message("phantom.give_every_ray_most_once"));
        RayInjury& r = spec.rays[ray];
        for (const auto& [part, content] : entry.items()) {
          Status status;
          if (part == "shift_mm")
            status = numbers(
                content, field + ".shift_mm",
                {{"lateral", &r.lateral_mm, 40, 1}, {"dorsal", &r.dorsal_mm, 40, 1}, {"distal", &r.distal_mm, 40, 1}});
          else if (part == "turn_deg")
            status = numbers(content, field + ".turn_deg",
                             {{"abduction", &r.abduction_rad, 80, toRadians(1)},
                              {"plantarflexion", &r.plantarflexion_rad, 80, toRadians(1)},
                              {"pronation", &r.pronation_rad, 80, toRadians(1)}});
          else if (part != "ray")
            return wrong("phantom.unknown_entry", field + "." + part, Message("phantom.known_ray_shift_mm_turn_deg"));
          if (!status) return tl::unexpected(status.error());
        }
      }
    } else if (key == "fragment") {
      const auto fragment = value.is_string() ? baseFragmentFromWord(value.get<std::string>()) : std::nullopt;
      if (!fragment) return wrong("phantom.unknown_fragment", key, Message("phantom.known_none_shear_butterfly_fleck"));
      spec.fragment = *fragment;
    } else if (key == "fragment_gap_mm") {
      if (!value.is_number() || !(value.get<double>() >= 0 && value.get<double>() <= 10))
        return wrong("phantom.fragment_gap_out_range", key, Message("phantom.give_number_0_10_mm"));
      spec.fragment_gap_mm = value.get<double>();
    } else if (key == "contact") {
      for (std::size_t n = 0; n < value.size() || !value.is_array(); ++n) {
        const std::string field = fmt::format("contact[{}]", n);
        if (!value.is_array() || !value[n].is_string())
          return wrong("phantom.contacts_not_list_pairs", key, writeForm(R"("contact": ["M1-C1", ...])"));
        const auto pair = contactsFromWords(value[n].get<std::string>());
        if (!pair) return wrong(pair.error().what, field, pair.error().remedy);
        spec.contacts.insert(spec.contacts.end(), pair->begin(), pair->end());
      }
    } else if (key == "fleck_mm3") {
      if (!value.is_number() || !(value.get<double>() >= 20 && value.get<double>() <= 200))
        return wrong("phantom.fleck_size_out_range", key, Message("phantom.give_number_20_200_mm3"));
      spec.fleck_mm3 = value.get<double>();
    } else {
      return wrong("phantom.unknown_entry", key, Message("phantom.known_rays_fragment_fragment_gap_mm"));
    }
  }
  return spec;
}

Result<std::vector<std::pair<Bone, Bone>>> contactsFromWords(const std::string& words) {
  std::vector<std::pair<Bone, Bone>> contacts;
  std::istringstream list(words);
  for (std::string word; std::getline(list, word, ',');) {
    const std::size_t dash = word.find('-');
    const auto midfootBone = [](const std::string& id) {
      const auto bone = boneFromId(id);
      return bone && isMidfootBone(*bone) ? bone : std::nullopt;
    };
    const auto a = midfootBone(word.substr(0, dash));
    const auto b = dash == std::string::npos ? std::nullopt : midfootBone(word.substr(dash + 1));
    if (!a || !b || *a == *b)
      return fail(Fault::kRequest, Message("phantom.not_pair_bones", {{"word", word}}), "contact",
                  Message("phantom.write_two_twelve_midfoot_bones_dash"));
    contacts.emplace_back(*a, *b);
  }
  return contacts;
}

std::string wordsOf(const std::vector<std::pair<Bone, Bone>>& contacts) {
  std::string words;
  for (const auto& [a, b] : contacts) words += fmt::format("{}{}-{}", words.empty() ? "" : ",", boneId(a), boneId(b));
  return words;
}

Result<InjurySpec> readInjurySpec(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::ostringstream text;
  if (!in || !(text << in.rdbuf()))
    return fail(Fault::kRequest, "phantom.injury_file_cannot_read", file.string(),
                Message("phantom.give_json_file_one_named_injuries"));
  return parseInjurySpec(text.str(), file.string());
}

RandomInjury randomInjury(std::uint64_t seed) {
  // std::mt19937_64 is the same everywhere; the library's distributions are not, so uniforms are made by hand.
  std::mt19937_64 generator(seed * 0x9E3779B97F4A7C15ULL + 1);
  const auto uniform = [&](double low, double high) {
    return low + (high - low) * static_cast<double>(generator() >> 11) * 0x1p-53;
  };
  RandomInjury out;
  out.kind = kNamedInjuries[static_cast<std::size_t>(generator() % kNamedInjuries.size())];
  const InjurySpec model = namedInjury(out.kind);
  // One force: the rays share its size and its slope, with small individual deviations.
  const double size = uniform(3.5, 9.5), slope = uniform(0.15, 0.9), turn = uniform(3, 14);
  for (const Ray ray : kRays) {
    const RayInjury& m = model.rays[ray];
    if (!m.moves()) continue;
    RayInjury& r = out.spec.rays[ray];
    const double shift = std::clamp(size * uniform(0.8, 1.25), 3.0, 12.0);
    // The second base can hardly go medially: the first cuneiform is there.
    const bool held = m.lateral_mm < 0 && ray == 2;
    const double rise = held ? 1.3 : std::clamp(slope + uniform(-0.15, 0.15), 0.05, 1.1);  // radians towards dorsal
    r.lateral_mm = (m.lateral_mm < 0 ? -1 : 1) * shift * std::cos(rise);
    r.dorsal_mm = shift * std::sin(rise);
    r.distal_mm = uniform(-0.5, 1.5);
    r.abduction_rad =
        toRadians((m.lateral_mm < 0 ? -1 : 1) * (held ? 0.3 : 1) * std::clamp(turn * uniform(0.7, 1.3), 1.0, 20.0));
    r.plantarflexion_rad = toRadians(uniform(-4, 8));
    r.pronation_rad = toRadians(uniform(-6, 10));
  }
  return out;
}

double overlapMm(const Surface& a, const Surface& b) {
  return overlap(Body(a), Rigid::Identity(), Body(b), Rigid::Identity());
}

struct IntactFoot::Impl {
  Side side;
  BoneSurfaces bones;
  Frame frame;
  PerRay<MetatarsalAxis> axes;
  std::map<Bone, Body> bodies;                      ///< bones that a displaced metatarsal can run into
  std::map<std::pair<Bone, Bone>, double> resting;  ///< overlap of each pair where it belongs, mm
};

IntactFoot::IntactFoot(BoneSurfaces bones, Side side) {
  auto impl = std::make_shared<Impl>();
  impl->side = side;
  impl->frame = footFrame(bones, side);
  for (const Ray ray : kRays)
    if (const auto found = bones.find(metatarsal(ray)); found != bones.end())
      impl->axes[ray] = metatarsalAxis(found->second, impl->frame.distal);
  std::vector<std::pair<Bone, const Surface*>> obstacles;
  for (const Bone bone :
       {Bone::kM1, Bone::kM2, Bone::kM3, Bone::kM4, Bone::kM5, Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub})
    if (const auto found = bones.find(bone); found != bones.end()) obstacles.emplace_back(bone, &found->second);
  std::vector<std::optional<Body>> made(obstacles.size());
  tbb::parallel_for(std::size_t{0}, obstacles.size(), [&](std::size_t n) { made[n].emplace(*obstacles[n].second); });
  for (std::size_t n = 0; n < obstacles.size(); ++n) impl->bodies.emplace(obstacles[n].first, std::move(*made[n]));
  const Rigid still = Rigid::Identity();
  for (const auto& [a, body_a] : impl->bodies)
    for (const auto& [b, body_b] : impl->bodies)
      if (a < b) impl->resting[{a, b}] = impl->resting[{b, a}] = overlap(body_a, still, body_b, still);
  impl->bones = std::move(bones);
  impl_ = std::move(impl);
}

namespace {

Rigid shifted(const Vec3& by, const Rigid& pose) {
  Rigid out = Rigid::Identity();
  out.translate(by);
  return out * pose;
}

/// An obstacle to a bone.
struct Obstacle {
  const Body* body;
  Rigid pose;
  double allowed_mm;  // of overlap
};
using Obstacles = std::vector<Obstacle>;

bool isClear(const Body& body, const Rigid& pose, const Obstacles& obstacles) {
  return std::all_of(obstacles.begin(), obstacles.end(), [&](const Obstacle& o) {
    return overlap(body, pose, *o.body, o.pose, o.allowed_mm) <= o.allowed_mm;
  });
}

/// One injury of one foot, step by step; injured() shows the order.
class Injuring {
 public:
  Injuring(const IntactFoot::Impl& ready, const InjurySpec& spec) : ready_(ready), spec_(spec) {
    foot_.side = ready.side;
    foot_.intact = ready.bones;
    foot_.injured = ready.bones;
    foot_.frame = ready.frame;
    foot_.intact_to_injured.of.fill(Rigid::Identity());
    for (const auto& [bone, body] : ready.bodies) poses_[bone] = Rigid::Identity();
  }

  Result<InjuredFoot> injured();

 private:
  Status findBases();
  [[nodiscard]] Obstacles obstaclesOf(Bone bone, const std::set<Bone>& waiting) const;
  void placeRay(Ray ray, const Obstacles& obstacles);
  [[nodiscard]] std::optional<Rigid> easedOut(Ray ray, const Obstacles& obstacles);
  [[nodiscard]] Rigid heldBack(Ray ray, const Obstacles& obstacles);
  Status press(const std::pair<Bone, Bone>& contact);
  void moveToes();
  Status breakBase();
  [[nodiscard]] Rigid parted(const BrokenPiece& piece, const Body& main) const;

  /// Where an injury would take a ray, and its base, if nothing stood in the way.
  [[nodiscard]] Rigid displaced(Ray ray, const RayInjury& r) const {
    return displacementTransform(asDisplacement(ray, r), foot_.base_points.at(ray), foot_.frame);
  }
  [[nodiscard]] Vec3 shiftOf(const RayInjury& r) const {
    return -r.lateral_mm * foot_.frame.medial + r.dorsal_mm * foot_.frame.dorsal + r.distal_mm * foot_.frame.distal;
  }
  [[nodiscard]] double allowedMm(Bone a, Bone b) const { return std::max(kOverlapMm, ready_.resting.at({a, b})); }
  void put(Ray ray, const Rigid& pose) {
    const Bone bone = metatarsal(ray);
    poses_[bone] = pose;
    foot_.intact_to_injured[ray] = pose;
    foot_.injured[bone] = transformed(ready_.bones.at(bone), pose);
  }

  const IntactFoot::Impl& ready_;
  const InjurySpec& spec_;
  InjuredFoot foot_;
  std::map<Bone, Rigid> poses_;  // of all possible obstacles
};

Result<InjuredFoot> Injuring::injured() {
  if (Status ok = findBases(); !ok) return tl::unexpected(ok.error());
  const std::vector<Ray> order = placingOrder(spec_);
  std::set<Bone> waiting;
  for (const Ray ray : order) waiting.insert(metatarsal(ray));
  for (const Ray ray : order) {
    placeRay(ray, obstaclesOf(metatarsal(ray), waiting));
    waiting.erase(metatarsal(ray));
  }
  for (const auto& contact : spec_.contacts)
    if (Status ok = press(contact); !ok) return tl::unexpected(ok.error());
  if (!order.empty() || !spec_.contacts.empty()) moveToes();
  if (spec_.fragment != BaseFragment::kNone)
    if (Status ok = breakBase(); !ok) return tl::unexpected(ok.error());
  return std::move(foot_);
}

Status Injuring::findBases() {
  for (const Ray ray : kRays) {
    if (const MetatarsalAxis* axis = find(ready_.axes, ray))
      foot_.base_points[ray] = axis->base_point;
    else if (spec_.rays[ray].moves())
      return fail(Fault::kRequest, Message("phantom.metatarsal_should_displaced_but_not", {{"ray", nameOf(ray)}}),
                  std::string(boneId(metatarsal(ray))), Message("phantom.add_surface_leave_ray_out_injury"));
  }
  if (spec_.fragment != BaseFragment::kNone && !ready_.bones.contains(Bone::kM2))
    return fail(Fault::kRequest, "phantom.base_second_metatarsal_should_break_but", "M2",
                Message("phantom.add_surface_leave_fragment_out"));
  return {};
}

/// Those not placed yet are not obstacles.
Obstacles Injuring::obstaclesOf(Bone bone, const std::set<Bone>& waiting) const {
  Obstacles obstacles;
  for (const auto& [other, body] : ready_.bodies)
    if (other != bone && !waiting.contains(other))
      obstacles.push_back({&body, poses_.at(other), allowedMm(bone, other)});
  return obstacles;
}

void Injuring::placeRay(Ray ray, const Obstacles& obstacles) {
  const auto pose = easedOut(ray, obstacles);
  put(ray, pose ? *pose : heldBack(ray, obstacles));
}

/// The displaced bone moved just enough to clear its obstacles.
std::optional<Rigid> Injuring::easedOut(Ray ray, const Obstacles& obstacles) {
  const Body& body = ready_.bodies.at(metatarsal(ray));
  const RayInjury& r = spec_.rays[ray];
  const Rigid wanted = displaced(ray, r);
  const Vec3 along = shiftOf(r), distal = foot_.frame.distal;
  const Vec3 up = (r.dorsal_mm < 0 ? -1.0 : 1.0) * foot_.frame.dorsal;
  std::vector<Vec3> ways;
  if (along.norm() > 0.1) ways.push_back(along.normalized());
  ways.push_back(up);
  ways.push_back(distal);
  ways.push_back((up + distal).normalized());
  if (along.norm() > 0.1) ways.push_back((along.normalized() + distal).normalized());
  for (double eased = 0; eased <= kEaseLimitMm; eased += kEaseStepMm)
    for (const Vec3& way : ways) {
      Rigid candidate = shifted(eased * way, wanted);
      if (isClear(body, candidate, obstacles)) {
        foot_.eased_mm[ray] = eased;
        return candidate;
      }
      if (eased == 0) break;  // makes no difference
    }
  return std::nullopt;
}

/// If there is no way out, the bone stops where it meets its neighbours. At a share of 0 it is where it belongs, which
/// is clear.
Rigid Injuring::heldBack(Ray ray, const Obstacles& obstacles) {
  const Body& body = ready_.bodies.at(metatarsal(ray));
  const RayInjury& r = spec_.rays[ray];
  double share = 0.98;
  Rigid pose = Rigid::Identity();
  for (; share > 0; share = std::max(0.0, share - 0.02)) {
    RayInjury less = r;
    for (double* value : {&less.lateral_mm, &less.dorsal_mm, &less.distal_mm, &less.abduction_rad,
                          &less.plantarflexion_rad, &less.pronation_rad})
      *value *= share;
    const Rigid candidate = displaced(ray, less);
    if (!isClear(body, candidate, obstacles)) continue;
    pose = candidate;
    break;
  }
  foot_.eased_mm[ray] = (1 - share) * shiftOf(r).norm();
  return pose;
}

/// In small steps along the mean direction across the facing areas, until it touches that bone or meets another.
Status Injuring::press(const std::pair<Bone, Bone>& contact) {
  const bool first = rayOf(contact.first).has_value();
  const Bone bone = first ? contact.first : contact.second, other = first ? contact.second : contact.first;
  constexpr double kStepMm = 0.04, kTouchMm = 0.04;
  const auto& bodies = ready_.bodies;
  if (!bodies.contains(other)) return tl::unexpected(noContact(contact));
  const auto meets = [&](const Rigid& pose) {
    return std::any_of(bodies.begin(), bodies.end(), [&](const auto& neighbour) {
      if (neighbour.first == bone) return false;
      const double allowed = neighbour.first == other ? kTouchMm : allowedMm(bone, neighbour.first);
      return overlap(bodies.at(bone), pose, neighbour.second, poses_.at(neighbour.first), allowed) > allowed;
    });
  };
  const Surface still = foot_.injured.at(other);
  Rigid pose = poses_.at(bone);
  Vec3 way = Vec3::Zero();
  for (int step = 0; step * kStepMm < kContactReachMm + 1; ++step) {
    if (step % 10 == 0) {
      double closest = 0;
      const std::vector<Vec3> ways = waysAcross(transformed(ready_.bones.at(bone), pose), still, &closest);
      if (closest > kContactReachMm) return tl::unexpected(noContact(contact));
      way.setZero();
      for (const Vec3& w : ways)
        if (w.norm() < closest + kFacingMm && w.norm() > 0) way += w.normalized();
      way.normalize();
    }
    const Rigid next = shifted(kStepMm * way, pose);
    if (meets(next)) break;
    pose = next;
  }
  put(*rayOf(bone), pose);
  return {};
}

/// And sesamoids, with their metatarsals.
void Injuring::moveToes() {
  for (const Bone bone : {Bone::kToes, Bone::kSesamoids})
    if (const auto found = ready_.bones.find(bone); found != ready_.bones.end()) {
      BoneSurfaces heads = ready_.bones;
      if (bone == Bone::kSesamoids)  // they lie under the first head, whichever is nearest
        for (const Ray ray : kRays)
          if (ray != 1) heads.erase(metatarsal(ray));
      foot_.injured[bone] = movedWithRays(found->second, heads, foot_.intact_to_injured);
    }
}

/// The final position of a piece: it drifts away from the break, and slides along any neighbour in its way.
Rigid Injuring::parted(const BrokenPiece& piece, const Body& main) const {
  const Body body(piece.surface);
  const Rigid& X = foot_.intact_to_injured.at(Ray(2));
  std::vector<Vec3> ways;
  for (const double lean : {0.0, 0.5, 1.0, 2.0, 1e3})
    for (const Vec3& to : {foot_.frame.plantar(), foot_.frame.dorsal, foot_.frame.medial, foot_.frame.lateral()}) {
      ways.push_back((piece.away + lean * to).normalized());
      if (lean == 0) break;
    }
  const auto fits = [&](const Rigid& pose) {
    return overlap(body, pose, main, X, kOverlapMm) <= kOverlapMm &&
           std::all_of(ready_.bodies.begin(), ready_.bodies.end(), [&](const auto& other) {
             return other.first == Bone::kM2 ||
                    overlap(body, pose, other.second, poses_.at(other.first), kOverlapMm) <= kOverlapMm;
           });
  };
  for (double gap = spec_.fragment_gap_mm;; gap *= 0.5) {
    if (gap < 0.05) gap = 0;
    for (const Vec3& way : ways) {
      Rigid candidate = shifted(gap * (X.linear() * way), X);
      if (gap == 0 || fits(candidate)) return candidate;
    }
  }
}

/// Of the second metatarsal.
Status Injuring::breakBase() {
  const Surface& m2 = ready_.bones.at(Bone::kM2);
  const Rigid& X = foot_.intact_to_injured.at(Ray(2));
  const auto broken = breakSecondBase(m2, ready_.axes.at(Ray(2)), foot_.frame, spec_.fragment, spec_.fleck_mm3);
  if (!broken) return tl::unexpected(broken.error());
  const Body main(broken->main);
  for (std::size_t n = 0; n < broken->fragments.size(); ++n) {
    const BrokenPiece& piece = broken->fragments[n];
    const Rigid pose = parted(piece, main);
    const std::string id = fmt::format("M2.{}", n + 1);
    foot_.fragments[id] = transformed(piece.surface, pose);
    foot_.fragment_injured_to_reduced[id] = pose.inverse();
    foot_.whole[id] = transformed(m2, pose);
  }
  foot_.injured[Bone::kM2] = transformed(broken->main, X);
  foot_.whole["M2"] = transformed(m2, X);
  return {};
}

}  // namespace

Result<InjuredFoot> injure(const BoneSurfaces& intact, Side side, const InjurySpec& spec) {
  return injure(IntactFoot(intact, side), spec);
}

Result<InjuredFoot> injure(const IntactFoot& ready, const InjurySpec& spec) {
  const BoneSurfaces& intact = ready.impl().bones;
  for (const auto& pair : spec.contacts)
    if (!intact.contains(pair.first) || !intact.contains(pair.second)) return tl::unexpected(noContact(pair));
  if (std::none_of(spec.contacts.begin(), spec.contacts.end(), ofTarsus)) return Injuring(ready.impl(), spec).injured();
  // A worn joint of the tarsus is worn in the intact foot too.
  BoneSurfaces grown = intact;
  InjurySpec rest = spec;
  rest.contacts.clear();
  for (const auto& pair : spec.contacts) {
    if (!ofTarsus(pair))
      rest.contacts.push_back(pair);
    else if (!growTogether(grown.at(pair.first), grown.at(pair.second)))
      return tl::unexpected(noContact(pair));
  }
  return injure(IntactFoot(std::move(grown), ready.impl().side), rest);
}

std::vector<ScannedPart> scannedParts(const BoneSurfaces& foot, int number) {
  std::vector<ScannedPart> parts;
  for (const auto& [bone, surface] : foot)
    parts.push_back({.id = std::string(boneId(bone)), .surface = &surface, .whole = nullptr, .foot = number});
  return parts;
}

std::vector<ScannedPart> scannedParts(const InjuredFoot& foot, int number) {
  std::vector<ScannedPart> parts = scannedParts(foot.injured, number);
  for (const auto& [id, surface] : foot.fragments)
    parts.push_back({.id = id, .surface = &surface, .whole = nullptr, .foot = number});
  for (ScannedPart& part : parts)
    if (const auto found = foot.whole.find(part.id); found != foot.whole.end()) part.whole = &found->second;
  return parts;
}

}  // namespace rayset
