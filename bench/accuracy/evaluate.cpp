#include "evaluate.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <chrono>
#include <numeric>
#include <sstream>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/hash.h"
#include "base/units.h"
#include "bench_data.h"
#include "case/case.h"
#include "geometry/distance_field.h"
#include "geometry/json.h"
#include "geometry/ray_caster.h"
#include "phantom/narrow.h"
#include "report/render.h"
#include "screw_check.h"

namespace rayset::accuracy {
namespace {

using Json = nlohmann::ordered_json;

rayset_check::Point plain(const Vec3& v) { return {v.x(), v.y(), v.z()}; }

rayset_check::Bone plainBone(const std::string& id, const Surface& s) {
  rayset_check::Bone bone{id, {}};
  for (const auto& t : s.triangles) {
    bone.triangles.push_back({plain(s.vertices[t[0]]), plain(s.vertices[t[1]]), plain(s.vertices[t[2]])});
  }
  return bone;
}

Picture overlaid(const BoneSurfaces& found, const BoneSurfaces& truth, const Frame& frame) {
  // Found bones solid, truth as a ghost, from dorsal with the toes up.
  const std::array<std::array<float, 3>, 4> kColours{
      {{0.85F, 0.6F, 0.1F}, {0.35F, 0.7F, 0.9F}, {0.0F, 0.6F, 0.5F}, {0.8F, 0.5F, 0.7F}}};
  std::vector<RenderPart> parts;
  Box box;
  for (const auto& [bone, surface] : found) {
    parts.push_back({&surface, kColours[label(bone) % 4], 1});
    box.extend(bounds(surface));
  }
  for (const auto& [bone, surface] : truth) parts.push_back({&surface, {0.2F, 0.2F, 0.2F}, 0.25F});
  return render(
      parts, {box.center(), frame.distal.cross(frame.dorsal), frame.distal, 1.05 * box.diagonal().norm(), 1000, 1000});
}

/// Noise and texture of a run follow from its key.
std::uint64_t seedOf(const std::string& key) { return fnv1a(key) % 1000003; }

struct Injury {
  InjurySpec spec;
  NamedInjury kind = NamedInjury::kNone;
  bool random = false;
};

Injury injuryOf(const AccuracyCase& c) {
  Injury injury;
  if (c.injury.rfind("random:", 0) == 0) {
    const RandomInjury made = randomInjury(std::stoull(c.injury.substr(7)));
    injury = {made.spec, made.kind, true};
  } else if (c.injury.rfind("only:", 0) == 0) {
    std::istringstream parts(c.injury.substr(5));
    std::string ray, way, mm;
    std::getline(parts, ray, ':');
    std::getline(parts, way, ':');
    std::getline(parts, mm);
    RayInjury& moved = injury.spec.rays.at(Ray(std::stoi(ray)));
    const double by = std::stod(mm);
    if (way == "lateral") moved.lateral_mm = by;
    if (way == "medial") moved.lateral_mm = -by;
    if (way == "dorsal") moved.dorsal_mm = by;
    if (way == "plantar") moved.dorsal_mm = -by;
    if (way == "distal") moved.distal_mm = by;
    injury.random = true;  // named by the rules
  } else {
    injury.kind = namedInjuryFromWord(c.injury).value();
    injury.spec = namedInjury(injury.kind);
  }
  std::istringstream words(c.hindrance);
  std::string kind, what;
  words >> kind >> what;
  if (kind == "fragment") injury.spec.fragment = baseFragmentFromWord(what).value();
  if (kind == "contact") injury.spec.contacts = contactsFromWords(what).value();
  return injury;
}

ScanSettings scanOf(const AccuracyCase& c, const InjuredFoot& foot) {
  ScanSettings s;
  s.pixel_mm = c.pixel_mm;
  s.slice_mm = c.slice_mm;
  s.noise_hu = c.noise_hu;
  s.density = c.density;
  s.kernel = c.kernel;
  s.seed = seedOf(c.key());
  const auto turn = [&](std::size_t n, const Vec3& axis) {
    return Eigen::AngleAxisd(toRadians(c.orientation_deg[n]), axis);
  };
  s.scanner_from_patient =
      (turn(2, Vec3::UnitZ()) * turn(1, Vec3::UnitY()) * turn(0, Vec3::UnitX())).toRotationMatrix();
  std::istringstream words(c.hindrance);
  std::string kind;
  words >> kind;
  if (kind == "crop") words >> s.proximal_crop_mm;
  s.bone_hardening = kind == "hardened";
  if (kind == "plates") {  // joint faces have half the cortex of a shaft
    words >> s.cortex_mm;
    s.cortex_mm *= 2;
  }
  if (kind == "cast") words >> s.cast.thickness_mm >> s.cast.hu;
  if (kind == "staple") {
    std::string bone;
    words >> bone;
    s.staples.push_back(stapleIn(foot.injured.at(boneFromId(bone).value()), foot.frame));
  }
  return s;
}

bool inView(const Grid& grid, const Vec3& p, double inset_mm) {
  const Vec3 q = grid.toIndex(p);
  for (int a = 0; a < 3; ++a)
    if (q[a] * grid.spacing[a] < inset_mm || (grid.size[a] - 1 - q[a]) * grid.spacing[a] < inset_mm) return false;
  return true;
}

/// As compareSurfaces(), over the parts of both that lie well inside the field of view: the cut face is no surface of
/// the bone.
SurfaceDistance compareInView(const Surface& found, const Surface& truth, const Grid& grid) {
  constexpr double kInsetMm = 2;
  std::vector<double> all;
  double sum = 0;
  for (const auto& [from, to] : {std::pair(&found, &truth), std::pair(&truth, &found)}) {
    const RayCaster target({to});
    std::vector<double> distances;
    for (const OrientedPoint& p : sampleEvenly(*from, 4000))
      if (inView(grid, p.position, kInsetMm)) distances.push_back(target.nearest(p.position)->distance);
    if (distances.empty()) return {1e3, 1e3, 1e3};
    sum += std::accumulate(distances.begin(), distances.end(), 0.0) / static_cast<double>(distances.size());
    all.insert(all.end(), distances.begin(), distances.end());
  }
  std::sort(all.begin(), all.end());
  return {sum / 2, all[static_cast<std::size_t>(0.95 * static_cast<double>(all.size() - 1))], all.back()};
}

/// A box of voxels of the scan.
struct VoxelBox {
  Eigen::Vector3i low, size;
};

/// One for every voxel of the box whose centre lies inside the surface: rows of voxels cut with it.
std::vector<std::uint8_t> voxelised(const Surface& surface, const Grid& grid, const VoxelBox& box) {
  const RayCaster caster({&surface});
  std::vector<std::uint8_t> inside(static_cast<std::size_t>(box.size.prod()), 0);
  tbb::parallel_for(0, box.size.z(), [&](int k) {
    for (int j = 0; j < box.size.y(); ++j) {
      std::uint8_t* row =
          inside.data() + static_cast<std::size_t>(k * box.size.y() + j) * static_cast<std::size_t>(box.size.x());
      const double start = box.low.x() - 1000 / grid.spacing.x();  // well outside any bone
      const auto hits =
          caster.all(grid.toPatient(Vec3(start, box.low.y() + j, box.low.z() + k)), grid.direction.col(0));
      for (std::size_t n = 0; n + 1 < hits.size(); ++n) {
        if (!hits[n].entering || hits[n + 1].entering) continue;
        const double from = start + hits[n].distance / grid.spacing.x() - box.low.x();
        const double to = start + hits[n + 1].distance / grid.spacing.x() - box.low.x();
        for (int i = std::max(0, static_cast<int>(std::ceil(from))); i <= std::min<double>(box.size.x() - 1, to); ++i)
          row[i] = 1;
      }
    }
  });
  return inside;
}

/// Dice of the found surface and of the label map against the true surface, on the voxels of the scan.
struct Dice {
  double surface, labels;
};
Dice diceOf(const LabelVolume& labels, Bone bone, const Surface& found, const Surface& truth) {
  const Grid& grid = labels.grid;
  Box box;
  for (const Surface* s : {&found, &truth})
    for (const Vec3& v : s->vertices) box.extend(grid.toIndex(v));
  VoxelBox voxels;
  for (int a = 0; a < 3; ++a) {
    voxels.low[a] = std::clamp(static_cast<int>(std::floor(box.min()[a])), 0, grid.size[a] - 1);
    voxels.size[a] = std::clamp(static_cast<int>(std::ceil(box.max()[a])), 0, grid.size[a] - 1) - voxels.low[a] + 1;
  }
  const auto is = voxelised(found, grid, voxels), was = voxelised(truth, grid, voxels);
  std::int64_t in_surface = 0, in_truth = 0, in_both = 0, labelled_truth = 0;
  std::size_t n = 0;
  for (int k = 0; k < voxels.size.z(); ++k)
    for (int j = 0; j < voxels.size.y(); ++j)
      for (int i = 0; i < voxels.size.x(); ++i, ++n) {
        in_surface += is[n];
        in_truth += was[n];
        in_both += is[n] & was[n];
        if (was[n] != 0)
          labelled_truth +=
              labels.at(voxels.low.x() + i, voxels.low.y() + j, voxels.low.z() + k) == label(bone) ? 1 : 0;
      }
  const auto labelled = std::count(labels.voxels.begin(), labels.voxels.end(), label(bone));
  const auto dice = [](std::int64_t both, std::int64_t sum) {
    return sum > 0 ? 2 * static_cast<double>(both) / static_cast<double>(sum) : 0;
  };
  return {dice(in_both, in_surface + in_truth), dice(labelled_truth, labelled + in_truth)};
}

Json displacementJson(const RayDisplacement& d) {
  return {{"lateral_mm", rounded(d.lateral_mm, 3)},
          {"dorsal_mm", rounded(d.dorsal_mm, 3)},
          {"distal_mm", rounded(d.distal_mm, 3)},
          {"abduction_deg", rounded(toDegrees(d.abduction_rad), 3)},
          {"plantarflexion_deg", rounded(toDegrees(d.plantarflexion_rad), 3)},
          {"pronation_deg", rounded(toDegrees(d.pronation_rad), 3)},
          {"displaced", d.displaced},
          {"told", d.told}};
}

Json boneRecords(const Case& c, const InjuredFoot& foot) {
  Json list = Json::array();
  for (const Bone bone : kMidfootBones) {
    const auto truth = foot.injured.find(bone);
    if (truth == foot.injured.end()) continue;
    std::size_t seen = 0;
    const auto samples = sampleEvenly(truth->second, 1000);
    for (const OrientedPoint& p : samples) seen += inView(c.grid, p.position, 0) ? 1 : 0;
    const double in_view = static_cast<double>(seen) / static_cast<double>(samples.size());
    const bool whole = seen == samples.size();
    Json record{{"id", boneId(bone)}, {"in_view", rounded(in_view, 3)}, {"counted", in_view >= 0.5}};
    const auto found = c.bones.find(bone);
    record["found"] = found != c.bones.end();
    record["right"] = false;
    if (found != c.bones.end()) {
      const Surface& surface = found->second.surface;
      const SurfaceDistance d =
          whole ? compareSurfaces(surface, truth->second) : compareInView(surface, truth->second, c.grid);
      // Right when the surface called X is near the true X, and nearer to it than to any other true bone.
      bool right = d.mean < 1.0;
      const Vec3 centre = centroid(surface);
      for (const auto& [other, other_truth] : foot.injured)
        if (whole && other != bone &&
            (centroid(other_truth) - centre).norm() < (centroid(truth->second) - centre).norm())
          right = false;
      record["right"] = right;
      record["mean_mm"] = rounded(d.mean, 4);
      record["p95_mm"] = rounded(d.percentile95, 4);
      record["max_mm"] = rounded(d.maximum, 3);
      const Dice dice = diceOf(c.labels, bone, surface, truth->second);
      record["dice"] = rounded(dice.surface, 4);
      record["dice_labels"] = rounded(dice.labels, 4);
      record["volume_error"] = whole ? Json(rounded(volume(surface) / volume(truth->second) - 1, 4)) : Json(nullptr);
      record["confidence"] = rounded(found->second.confidence, 3);
      record["doubt"] = english(found->second.doubt);
    }
    list.push_back(record);
  }
  return list;
}

/// Deepest vertex of one found bone inside another, mm. The distance is to the surface itself: a field on a lattice
/// shows 0.3 mm at sharp rims that touch.
Json overlapRecord(const Case& c) {
  const BoneSurfaces& bones = c.injured;
  double deepest = 0;
  std::string pair;
  for (const auto& [b, other] : bones) {
    const RayCaster caster({&other});
    const Box box = bounds(other);
    for (const auto& [a, bone] : bones) {
      if (a == b || !bounds(bone).intersects(box)) continue;
      std::vector<double> depth(bone.vertices.size(), 0.0);
      tbb::parallel_for(std::size_t{0}, depth.size(), [&](std::size_t v) {
        const Vec3& p = bone.vertices[v];
        if (!box.contains(p) || !caster.inside(p)) return;
        constexpr double kFarMm = 10;
        const auto nearest = caster.nearest(p, kFarMm);
        depth[v] = nearest ? nearest->distance : kFarMm;
      });
      if (const double most = *std::max_element(depth.begin(), depth.end()); most > deepest)
        deepest = most, pair = fmt::format("{}-{}", boneId(a), boneId(b));
    }
  }
  return {{"mm", rounded(deepest, 3)}, {"bones", pair}};
}

Json rayRecords(const Case& c, const InjuredFoot& foot) {
  Json list = Json::array();
  for (const Ray ray : kRays) {
    if (!foot.intact.contains(metatarsal(ray))) continue;
    if (!c.reduction.rays.contains(ray)) {
      list.push_back({{"ray", ray}, {"missing", true}});
      continue;
    }
    const RayReduction& r = c.reduction.rays.at(ray);
    const Rigid& injured = foot.intact_to_injured[ray];
    const Rigid truth = injured.inverse();
    const Vec3 at = injured * foot.base_points.at(ray);
    const RayDisplacement t = displacement(ray, injured, foot.base_points.at(ray), foot.frame);
    const RayDisplacement& d = c.rays.at(ray);
    const double shift = Vec3(d.lateral_mm - t.lateral_mm, d.dorsal_mm - t.dorsal_mm, d.distal_mm - t.distal_mm).norm();
    const double turn =
        std::max({std::abs(d.abduction_rad - t.abduction_rad), std::abs(d.plantarflexion_rad - t.plantarflexion_rad),
                  std::abs(d.pronation_rad - t.pronation_rad)});
    const Vec3 off = foot.frame.components(r.injured_to_reduced * at - truth * at);
    const double pose = rotationAngle(r.injured_to_reduced.linear() * truth.linear().transpose());
    list.push_back(
        {{"ray", ray},
         {"truth", displacementJson(t)},
         {"found", displacementJson(d)},
         {"shift_error_mm", rounded(shift, 4)},
         {"turn_error_deg", rounded(toDegrees(turn), 3)},
         {"base_error_mm", rounded(off.norm(), 4)},
         {"base_off_mm",
          {{"medial", rounded(off.x(), 3)}, {"distal", rounded(off.y(), 3)}, {"dorsal", rounded(off.z(), 3)}}},
         {"pose_error_deg", rounded(toDegrees(pose), 3)},
         {"stated_mm", rounded(r.uncertainty_mm, 3)},
         {"stated_deg", rounded(toDegrees(r.uncertainty_rad), 3)}});
  }
  return list;
}

constexpr double kSameMm = 8;  ///< between centres of a true and a found piece: pieces of one base lie farther apart

/// The found piece nearest to a true one; end() where none is near.
std::map<std::string, CaseFragment>::const_iterator foundPiece(const Case& c, const Vec3& centre) {
  auto match = c.fragments.end();
  double least = kSameMm;
  for (auto f = c.fragments.begin(); f != c.fragments.end(); ++f)
    if (const double away = (centroid(f->second.bone.surface) - centre).norm(); away < least) least = away, match = f;
  return match;
}

/// Screws against the true bones: true metatarsals as scanned, moved by the PLANNED reduction; true tarsus as scanned.
Json deviceRecords(const Case& c, const InjuredFoot& foot) {
  std::vector<rayset_check::Bone> bones;
  for (const auto& [bone, surface] : foot.injured) {
    const auto ray = rayOf(bone);
    const RayReduction* r = ray ? find(c.reduction.rays, *ray) : nullptr;
    bones.push_back(
        plainBone(std::string(boneId(bone)), r != nullptr ? transformed(surface, r->injured_to_reduced) : surface));
  }
  for (const auto& [id, surface] : foot.fragments)
    if (const auto f = foundPiece(c, centroid(surface)); f != c.fragments.end())
      bones.push_back(plainBone(f->first, transformed(surface, f->second.injured_to_reduced)));
  std::vector<rayset_check::Stick> sticks;
  // The pieces of a broken bone are that bone: a device through it may pass them, and the break between.
  const auto withPieces = [&](std::vector<std::string> through) {
    auto m2 = std::find(through.begin(), through.end(), "M2");
    if (m2 == through.end()) return through;
    std::vector<std::string> pieces;
    for (const auto& b : bones)
      if (b.id.starts_with("M2.") && std::find(through.begin(), through.end(), b.id) == through.end())
        pieces.push_back(b.id);
    if (m2 + 1 != through.end()) ++m2;  // the ends of the path stay: entry and tip are looked for in them
    through.insert(m2, pieces.begin(), pieces.end());
    return through;
  };
  for (const Device& d : c.fixation.devices)
    sticks.push_back({d.id, withPieces(d.through), plain(d.entry), plain(d.tip), d.diameter_mm / 2});
  const auto verdicts = rayset_check::checkDevices(sticks, bones);
  Json list = Json::array();
  for (std::size_t i = 0; i < verdicts.size(); ++i) {
    const auto& v = verdicts[i];
    list.push_back({{"id", sticks[i].id},
                    {"sound", v.sound},
                    {"breach_mm", rounded(v.breach_mm, 3)},
                    {"entry_off_mm", rounded(v.entry_off_cortex_mm, 3)},
                    {"wrong_bone", v.wrong_bone},
                    {"wrong_bone_mm", rounded(v.wrong_bone_mm, 3)},
                    {"tip_inside", v.tip_inside > 0},
                    {"nearest_mm", rounded(v.nearest_device_mm, 3)}});
  }
  return list;
}

/// Each true piece against the found piece or fleck nearest to it.
Json fragmentRecords(const Case& c, const InjuredFoot& foot) {
  Json list = Json::array();
  for (const auto& [id, surface] : foot.fragments) {
    const Vec3 centre = centroid(surface);
    Json record{{"id", id}, {"volume_mm3", rounded(volume(surface), 1)}, {"found", nullptr}};
    double least = kSameMm;
    for (const Fleck& f : c.flecks) {
      const double away = (f.centre - centre).norm();
      if (away >= least) continue;
      least = away;
      record["found"] = "fleck";
      record["found_mm3"] = rounded(f.volume_mm3, 1);
      record["centre_mm"] = rounded(away, 2);
    }
    if (const auto found = foundPiece(c, centre); found != c.fragments.end()) {
      const auto& [name, f] = *found;
      record["found"] = name;
      record["found_mm3"] = rounded(f.bone.volume_mm3, 1);
      record["centre_mm"] = rounded((centroid(f.bone.surface) - centre).norm(), 2);
      const SurfaceDistance d = compareSurfaces(f.bone.surface, surface);
      record["mean_mm"] = rounded(d.mean, 3);
      record["p95_mm"] = rounded(d.percentile95, 3);
      record["confidence"] = rounded(f.bone.confidence, 3);
      record["put_back"] = f.fit.doubt.empty();
      // On its bone, which is where the ray's own reduction does not enter.
      const Rigid wanted = foot.intact_to_injured.at(Ray(2)) * foot.fragment_injured_to_reduced.at(id);
      const Rigid& got = f.fit.injured_to_bone;
      record["on_bone_mm"] = rounded((got * centre - wanted * centre).norm(), 3);
      record["on_bone_deg"] = rounded(toDegrees(rotationAngle(got.linear().transpose() * wanted.linear())), 2);
      record["stated_mm"] = rounded(f.fit.uncertainty_mm, 3);
      record["stated_deg"] = rounded(toDegrees(f.fit.uncertainty_rad), 2);
    }
    list.push_back(record);
  }
  return list;
}

Json patternRecord(const Case& c, const InjuredFoot& foot, const Injury& injury) {
  PerRay<RayDisplacement> truth;
  for (const auto& [ray, base] : foot.base_points)
    truth[ray] = displacement(ray, foot.intact_to_injured[ray], base, foot.frame);
  // A random injury has no name but the one its true displacements have by the rules.
  ExpectedPatterns expected = expectedPatterns(injury.kind);
  if (injury.random) {
    const Patterns by_rule = classify(truth);
    expected = {by_rule.quenu_kuss.value, by_rule.hardcastle.value, by_rule.myerson.value};
  }
  bool withheld = false;  // said that it cannot be told: neither right nor wrong
  for (const PatternName* got : {&c.patterns.quenu_kuss, &c.patterns.hardcastle, &c.patterns.myerson})
    withheld = withheld || got->value == kCannotBeTold;
  const auto agrees = [](const std::string& want, const PatternName& got) {
    return want.empty() || want == got.value || got.value == kCannotBeTold;
  };
  return {
      {"expected", {expected.quenu_kuss, expected.hardcastle, expected.myerson}},
      {"found", {c.patterns.quenu_kuss.value, c.patterns.hardcastle.value, c.patterns.myerson.value}},
      {"right", agrees(expected.quenu_kuss, c.patterns.quenu_kuss) &&
                    agrees(expected.hardcastle, c.patterns.hardcastle) && agrees(expected.myerson, c.patterns.myerson)},
      {"withheld", withheld}};
}

}  // namespace

nlohmann::ordered_json evaluate(const AccuracyCase& c, const std::filesystem::path& pictures) {
  Json record{{"key", c.key()}, {"case", c.json()}, {"failure", nullptr}, {"exit", 0}};
  const auto failed = [&](const Error& error) {
    record["failure"] = english(error);
    record["exit"] = exitStatus(error.fault);
    return record;
  };
  const auto test = testFoot(c.foot);
  if (!test) return failed(test.error());
  const TestFoot& foot = **test;
  const Injury injury = injuryOf(c);
  const auto as_asked = [&](const BoneSurfaces& bones) {
    if (c.hindranceKind() != "narrow" || bones.empty()) return bones;
    return withJointSpace(bones, std::stod(c.hindrance.substr(c.hindrance.find(' '))));
  };
  const auto injured = injure(as_asked(foot.bones), foot.side, injury.spec);
  if (!injured) return failed(injured.error());

  const auto now = [] { return std::chrono::steady_clock::now(); };
  const auto since = [&](auto start) { return std::chrono::duration<double>(now() - start).count(); };
  auto start = now();
  ScanSettings settings = scanOf(c, *injured);
  std::vector<ScannedPart> parts = scannedParts(*injured, 0);
  BoneSurfaces other = as_asked(foot.other);
  // A procedural foot's twin is put beside it; real feet lie where they lay.
  if (c.other == OtherFoot::kSameScan && c.foot.rfind("procedural-", 0) == 0)
    other = otherFootBeside(injured->intact, injured->frame, foot.side);
  if (c.other == OtherFoot::kSameScan) {
    const auto more = scannedParts(other, 1);
    parts.insert(parts.end(), more.begin(), more.end());
  }
  auto ct = synthesiseCt(parts, settings);
  if (!ct) return failed(ct.error());
  std::optional<CtScan> other_scan;
  if (c.other == OtherFoot::kOwnScan) {
    settings.seed += 1000003;
    settings.cast = {};
    settings.staples.clear();
    auto scan = synthesiseCt(scannedParts(other), settings);
    if (!scan) return failed(scan.error());
    other_scan = CtScan{std::move(*scan), {}, {}};
  }
  record["scan_seconds"] = rounded(since(start), 1);

  start = now();
  PlanRequest request;
  // Which of two feet is injured the program has to find out itself, unless neither is.
  if (c.other == OtherFoot::kSameScan && c.injury == "none") request.side = foot.side;
  auto planned = planScan({std::move(*ct), {}, {}}, std::move(other_scan), request, bench::resources(foot.person));
  record["plan_seconds"] = rounded(since(start), 1);
  if (!planned) return failed(planned.error());
  const Case& plan = *planned;
  record["cautions"] = english().texts(plan.cautions);
  for (const auto& [stage, seconds] : plan.timings_s) record["seconds"][stage] = rounded(seconds, 1);
  if (plan.side != foot.side)
    return failed({Fault::kInternal, "the other foot was planned, not the injured one", {}, {}});
  record["exit"] = plan.partial ? 4 : 0;
  record["method"] = plan.reduction.method == ReductionMethod::kContralateral ? "contralateral" : "congruence";
  record["bones"] = boneRecords(plan, *injured);
  record["overlap"] = overlapRecord(plan);
  record["rays"] = rayRecords(plan, *injured);
  record["patterns"] = patternRecord(plan, *injured, injury);
  bool truly = false, called = false;
  for (const Json& ray : record["rays"]) {
    if (ray.contains("missing")) continue;
    truly = truly || ray["truth"]["displaced"].get<bool>();
    called = called || ray["found"]["displaced"].get<bool>();
  }
  record["truly_injured"] = truly;
  record["called_injured"] = called;
  record["devices"] = deviceRecords(plan, *injured);
  record["fragments"] = fragmentRecords(plan, *injured);
  if (!pictures.empty()) {
    std::filesystem::create_directories(pictures);
    std::string stem = c.key();
    for (char& letter : stem)
      if (letter == '/' || letter == ' ' || letter == ':') letter = '_';
    for (const auto& [name, picture] :
         {std::pair("-bones.png", overlaid(plan.injured, injured->injured, plan.reduction.frame)),
          std::pair("-reduced.png", overlaid(plan.reduction.reduced, injured->intact, plan.reduction.frame))})
      if (const Status written = writePng(pictures / (stem + name), picture); !written)
        fmt::print(stderr, "{}\n", english(written.error()));
  }
  return record;
}

}  // namespace rayset::accuracy
