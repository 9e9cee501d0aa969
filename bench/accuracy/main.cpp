// Accuracy on feet whose truth is known: every foot x every named injury through the whole chain (scan -> bones ->
// reduction -> displacement -> patterns -> fixation), printed as a Markdown table.
//
//   bench_accuracy [--quick] [--only FOOT] [--injury NAME] [--pictures DIR] [--spacing MM] [--markdown FILE]
//
// Real feet come from ../shared/data/feet and are skipped, with a message, where the folder is missing.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <filesystem>
#include <fstream>
#include <numeric>

#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "case/case.h"
#include "geometry/ray_caster.h"
#include "phantom/injury_spec.h"
#include "phantom/scan.h"
#include "report/render.h"
#include "screw_check.h"

namespace rayset {
namespace {

struct TestFoot {
  std::string name;
  Side side;
  BoneSurfaces bones;
  BoneSurfaces other;  ///< the other foot in its own place; empty where there is none
};

struct Outcome {
  std::string foot, injury, method;
  int bones_right = 0, bones_all = 0;
  double surface_mean = 0, surface_p95 = 0, surface_worst = 0;
  std::string worst_bone;
  double shift_mean = 0, shift_worst = 0, turn_mean = 0, turn_worst = 0;  ///< reported displacement against truth
  double base_mean = 0, base_worst = 0, pose_mean = 0, pose_worst = 0;    ///< reduction at the base
  int inside_interval = 0, intervals = 0;
  bool patterns_right = false;
  std::string patterns;
  int screws_sound = 0, screws_all = 0;
  double breach_worst = 0;
  std::string failure;
};

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

Outcome evaluate(const TestFoot& foot, NamedInjury name, bool with_other, double spacing,
                 const std::filesystem::path& pictures) {
  Outcome o;
  o.foot = foot.name + (with_other ? " + other" : "");
  o.injury = wordOf(name);
  const auto injured = injure(foot.bones, foot.side, namedInjury(name));
  if (!injured) {
    o.failure = injured.error().message();
    return o;
  }
  ScanSettings settings;
  settings.pixel_mm = settings.slice_mm = spacing;
  settings.seed = 11 + static_cast<std::uint64_t>(name);
  auto ct = synthesiseCt(scannedParts(*injured), settings);
  std::optional<CtScan> other;
  if (with_other) {
    settings.seed = 99;
    auto scan = synthesiseCt(scannedParts(foot.other), settings);
    if (scan) other = CtScan{std::move(*scan), {}, {}};
  }
  if (!ct || (with_other && !other)) {
    o.failure = ct ? "the other foot could not be scanned" : ct.error().message();
    return o;
  }
  auto planned = planScan({std::move(*ct), {}, {}}, std::move(other), {});
  if (!planned) {
    o.failure = planned.error().message();
    return o;
  }
  const Case& c = *planned;
  o.method = c.reduction.method == ReductionMethod::kContralateral ? "contralateral" : "congruence";

  // Bones: right when the surface called X is nearest to the true X of all true bones, and close to it.
  std::vector<double> means, p95s;
  for (const Bone bone : kMidfootBones) {
    const auto truth = injured->injured.find(bone);
    if (truth == injured->injured.end()) continue;
    ++o.bones_all;
    const auto found = c.bones.find(bone);
    if (found == c.bones.end()) continue;
    const SurfaceDistance d = compareSurfaces(found->second.surface, truth->second);
    bool right = d.mean < 1.0;
    const Vec3 centre = centroid(found->second.surface);
    for (const auto& [other_bone, surface] : injured->injured) {
      if (other_bone != bone && (centroid(surface) - centre).norm() < (centroid(truth->second) - centre).norm())
        right = false;
    }
    o.bones_right += right ? 1 : 0;
    means.push_back(d.mean);
    p95s.push_back(d.percentile95);
    if (d.mean > o.surface_worst) {
      o.surface_worst = d.mean;
      o.worst_bone = boneId(bone);
    }
  }
  const auto mean = [](const std::vector<double>& v) {
    return v.empty() ? 0.0 : std::accumulate(v.begin(), v.end(), 0.0) / static_cast<double>(v.size());
  };
  o.surface_mean = mean(means);
  o.surface_p95 = p95s.empty() ? 0 : *std::max_element(p95s.begin(), p95s.end());

  std::vector<double> shifts, turns, bases, poses;
  for (int ray = 1; ray <= 5; ++ray) {
    const auto i = static_cast<std::size_t>(ray - 1);
    const RayReduction& r = c.reduction.rays[i];
    if (r.ray == 0) continue;
    const Rigid truth = injured->intact_to_injured[i].inverse();
    const Vec3 at = injured->intact_to_injured[i] * injured->base_points[i];
    const double base = (r.injured_to_reduced * at - truth * at).norm();
    const double pose = toDegrees(rotationAngle(r.injured_to_reduced.linear() * truth.linear().transpose()));
    bases.push_back(base);
    poses.push_back(pose);
    o.intervals += 2;
    o.inside_interval += (base <= r.uncertainty_mm ? 1 : 0) + (pose <= toDegrees(r.uncertainty_rad) ? 1 : 0);
    const RayDisplacement t = displacement(ray, injured->intact_to_injured[i], injured->base_points[i], injured->frame);
    const RayDisplacement& d = c.rays[i];
    shifts.push_back(Vec3(d.lateral_mm - t.lateral_mm, d.dorsal_mm - t.dorsal_mm, d.distal_mm - t.distal_mm).norm());
    turns.push_back(toDegrees(
        std::max({std::abs(d.abduction_rad - t.abduction_rad), std::abs(d.plantarflexion_rad - t.plantarflexion_rad),
                  std::abs(d.pronation_rad - t.pronation_rad)})));
  }
  const auto worst = [](const std::vector<double>& v) {
    return v.empty() ? 0.0 : *std::max_element(v.begin(), v.end());
  };
  o.shift_mean = mean(shifts);
  o.shift_worst = worst(shifts);
  o.turn_mean = mean(turns);
  o.turn_worst = worst(turns);
  o.base_mean = mean(bases);
  o.base_worst = worst(bases);
  o.pose_mean = mean(poses);
  o.pose_worst = worst(poses);

  const ExpectedPatterns expected = expectedPatterns(name);
  const auto agrees = [](const std::string& want, const PatternName& got) { return want.empty() || want == got.value; };
  o.patterns =
      fmt::format("{}/{}/{}", c.patterns.quenu_kuss.value, c.patterns.hardcastle.value, c.patterns.myerson.value);
  o.patterns_right = agrees(expected.quenu_kuss, c.patterns.quenu_kuss) &&
                     agrees(expected.hardcastle, c.patterns.hardcastle) && agrees(expected.myerson, c.patterns.myerson);

  // Screws against the true bones: true metatarsals as scanned, moved by the PLANNED reduction; true tarsus as scanned.
  std::vector<rayset_check::Bone> bones;
  for (const auto& [bone, surface] : injured->injured) {
    const auto ray = rayOf(bone);
    const bool moves = ray && c.reduction.rays[static_cast<std::size_t>(*ray - 1)].ray != 0;
    bones.push_back(
        plainBone(std::string(boneId(bone)),
                  moves ? transformed(surface, c.reduction.rays[static_cast<std::size_t>(*ray - 1)].injured_to_reduced)
                        : surface));
  }
  std::vector<rayset_check::Stick> sticks;
  for (const Device& d : c.fixation.devices) {
    sticks.push_back({d.id, d.through, plain(d.entry), plain(d.tip), d.diameter_mm / 2});
  }
  const auto verdicts = rayset_check::checkDevices(sticks, bones);
  for (std::size_t i = 0; i < verdicts.size(); ++i) {
    ++o.screws_all;
    o.screws_sound += verdicts[i].sound ? 1 : 0;
    o.breach_worst = std::max(o.breach_worst, verdicts[i].breach_mm);
    if (!verdicts[i].sound) {
      fmt::print(stderr, "  {} {} {}: entry off {:.2f}, breach {:.2f}, in {} {:.2f}, tip inside {}, nearest {:.2f}\n",
                 o.foot, o.injury, sticks[i].id, verdicts[i].entry_off_cortex_mm, verdicts[i].breach_mm,
                 verdicts[i].wrong_bone, verdicts[i].wrong_bone_mm, verdicts[i].tip_inside,
                 verdicts[i].nearest_device_mm);
    }
  }
  if (!pictures.empty()) {
    std::filesystem::create_directories(pictures);
    const std::string stem = o.foot + "-" + o.injury;
    static_cast<void>(
        writePng(pictures / (stem + "-bones.png"), overlaid(c.injured, injured->injured, c.reduction.frame)));
    static_cast<void>(writePng(pictures / (stem + "-reduced.png"),
                               overlaid(c.reduction.reduced, injured->intact, c.reduction.frame)));
  }
  return o;
}

/// Reduction alone, from the true surfaces: one line a ray with the error in the foot frame.
void reductionOnly(const TestFoot& foot, NamedInjury name, bool with_other) {
  const auto injured = injure(foot.bones, foot.side, namedInjury(name));
  if (!injured) return;
  const Foot prior = proceduralFoot({}, foot.side, 1.0);
  const auto result = reduceRays(injured->injured, foot.side, with_other ? &foot.other : nullptr, prior.bones);
  if (!result) {
    fmt::print("{} {}: {}\n", foot.name, wordOf(name), result.error().message());
    return;
  }
  for (int ray = 1; ray <= 5; ++ray) {
    const auto i = static_cast<std::size_t>(ray - 1);
    const RayReduction& r = result->rays[i];
    const Rigid truth = injured->intact_to_injured[i].inverse();
    const Vec3 at = injured->intact_to_injured[i] * injured->base_points[i];
    const Vec3 off = injured->frame.components(r.injured_to_reduced * at - truth * at);
    const Eigen::AngleAxisd turn(r.injured_to_reduced.linear() * truth.linear().transpose());
    const Vec3 about = injured->frame.components(turn.angle() * turn.axis());
    fmt::print(
        "{:20s} {:16s} {} ray {}: {:.2f} mm (medial {:+.2f} distal {:+.2f} dorsal {:+.2f}), {:.1f} deg (about medial "
        "{:+.1f} "
        "distal {:+.1f} dorsal {:+.1f}); stated {:.1f} mm {:.1f} deg\n",
        foot.name, wordOf(name), with_other ? "mirror  " : "template", ray, off.norm(), off.x(), off.y(), off.z(),
        toDegrees(turn.angle()), toDegrees(about.x()), toDegrees(about.y()), toDegrees(about.z()), r.uncertainty_mm,
        toDegrees(r.uncertainty_rad));
  }
}

const char* kHeader =
    "| foot | injury | bones named | surface mean (worst bone) mm | P95 of the worst mm | displacement mm (worst) | "
    "deg (worst) | "
    "reduction at "
    "base mm (worst) | deg (worst) | in interval | patterns | devices sound | breach mm |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|\n";

std::string row(const Outcome& o) {
  if (!o.failure.empty()) return fmt::format("| {} | {} | FAILED: {} |\n", o.foot, o.injury, o.failure);
  return fmt::format(
      "| {} | {} | {}/{} | {:.2f} ({} {:.2f}) | {:.2f} | {:.2f} ({:.2f}) | {:.1f} ({:.1f}) | {:.2f} ({:.2f}) | {:.1f} "
      "({:.1f}) | "
      "{}/{} | {} {} | {}/{} | {:.1f} |\n",
      o.foot, o.injury, o.bones_right, o.bones_all, o.surface_mean, o.worst_bone, o.surface_worst, o.surface_p95,
      o.shift_mean, o.shift_worst, o.turn_mean, o.turn_worst, o.base_mean, o.base_worst, o.pose_mean, o.pose_worst,
      o.inside_interval, o.intervals, o.patterns_right ? "right" : "WRONG", o.patterns, o.screws_sound, o.screws_all,
      o.breach_worst);
}

std::vector<TestFoot> feet(bool quick) {
  std::vector<TestFoot> all;
  const std::vector<std::uint32_t> seeds = quick ? std::vector<std::uint32_t>{3} : std::vector<std::uint32_t>{0, 3, 5};
  for (const std::uint32_t seed : seeds) {
    const Foot f = proceduralFoot(randomShape(seed));
    all.push_back({fmt::format("procedural-{}", seed), Side::kRight, f.bones, mirrored(f).bones});
  }
  const std::filesystem::path data = RAYSET_FEET_DIR;
  if (!std::filesystem::is_directory(data)) {
    fmt::print(stderr, "Real feet skipped: {} is not there.\n", data.string());
    return all;
  }
  const auto load = [&](const char* folder) { return readBoneFolder(data / folder); };
  const auto right = load("vsd-z027/right"), left = load("vsd-z027/left"), visible = load("visible-human-m/right");
  if (right && left) {
    all.push_back({"vsd-z027 right", Side::kRight, *right, *left});
    all.push_back({"vsd-z027 left", Side::kLeft, *left, *right});
  }
  if (visible) all.push_back({"visible-human right", sideFromAnatomy(*visible).value_or(Side::kRight), *visible, {}});
  return all;
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  using namespace rayset;
  CLI::App app{"Accuracy of the whole chain on feet whose truth is known"};
  bool quick = false, also_other = true, reduction_only = false;
  std::string only, injury, pictures, markdown;
  double spacing = 0.5;
  app.add_flag("--quick", quick, "one procedural foot and two injuries a real foot");
  app.add_flag("!--no-other", also_other, "skip the runs with the other foot");
  app.add_flag("--reduction", reduction_only, "the reduction alone, from the true surfaces, ray by ray");
  app.add_option("--only", only, "only feet whose name contains this");
  app.add_option("--injury", injury, "only this injury");
  app.add_option("--pictures", pictures, "folder for pictures of every run");
  app.add_option("--markdown", markdown, "write the table to this file as well");
  app.add_option("--spacing", spacing, "voxel size of the scans, mm");
  CLI11_PARSE(app, argc, argv);

  std::string table = kHeader;
  if (!reduction_only) fmt::print("{}", kHeader);
  std::vector<Outcome> all;
  for (const TestFoot& foot : feet(quick)) {
    if (foot.name.find(only) == std::string::npos) continue;
    int count = 0;
    for (const NamedInjury name : kNamedInjuries) {
      if (!injury.empty() && wordOf(name) != injury) continue;
      if (quick && injury.empty() && count++ >= 2) break;
      for (const bool with_other : {false, true}) {
        if (with_other && (foot.other.empty() || !also_other)) continue;
        if (reduction_only) {
          reductionOnly(foot, name, with_other);
          continue;
        }
        const Outcome o = evaluate(foot, name, with_other, spacing, pictures);
        const std::string line = row(o);
        fmt::print("{}", line);
        std::fflush(stdout);
        table += line;
        all.push_back(o);
      }
    }
  }
  // Summary by method.
  int failures = 0;
  for (const std::string method : {"congruence", "contralateral"}) {
    int n = 0, named = 0, bones = 0, right = 0, sound = 0, screws = 0, in = 0, intervals = 0;
    double surface = 0, base = 0, base_worst = 0, pose = 0, pose_worst = 0;
    for (const Outcome& o : all) {
      if (!o.failure.empty() || o.method != method) continue;
      ++n;
      named += o.bones_right;
      bones += o.bones_all;
      right += o.patterns_right ? 1 : 0;
      sound += o.screws_sound;
      screws += o.screws_all;
      in += o.inside_interval;
      intervals += o.intervals;
      surface += o.surface_mean;
      base += o.base_mean;
      base_worst = std::max(base_worst, o.base_worst);
      pose += o.pose_mean;
      pose_worst = std::max(pose_worst, o.pose_worst);
    }
    if (n == 0) continue;
    const std::string line = fmt::format(
        "\n{}: {} runs, bones {}/{}, surface {:.3f} mm, reduction {:.2f} mm (worst {:.2f}), {:.2f} deg (worst {:.2f}), "
        "true error "
        "inside the interval {:.0f} %, patterns {}/{}, devices sound {}/{}\n",
        method, n, named, bones, surface / n, base / n, base_worst, pose / n, pose_worst,
        intervals > 0 ? 100.0 * in / intervals : 0.0, right, n, sound, screws);
    fmt::print("{}", line);
    table += line;
  }
  for (const Outcome& o : all) failures += o.failure.empty() ? 0 : 1;
  if (!markdown.empty()) std::ofstream(markdown) << table;
  return failures == 0 ? 0 : 1;
}
