// Devices of the default construct on real and invented feet, judged by straight lines through the true bones
// (accuracy/screw_check.h: nothing of the planner's own).
//
//   bench_fixation [--feet FOLDER] [--only NAME] [--verbose] [--least-sound N]
//   bench_fixation --plan PLAN --truth FOLDER [--verbose]
//
// Each foot is planned three times: on its own surfaces, on surfaces that lie 0.15 mm inside them (what scans of rough
// meshes gave) and on surfaces off by a smooth random error of 0.2 mm (one standard deviation). The second form judges
// a plan that was made from a scan: FOLDER holds the true bones as scanned, metatarsals are moved as the plan moves
// them. `open` is how far into the bone the last line of the side still lies outside the cortex that was entered, `gap`
// the widest joint gap along any line. Real feet come from ../shared/data/feet and are left out, with a message, where
// the folder is missing.
#include <fmt/format.h>
#include <fmt/ranges.h>

#include <CLI/CLI.hpp>
#include <chrono>
#include <filesystem>
#include <iostream>

#include "accuracy/screw_check.h"
#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/counter_random.h"
#include "bench_data.h"
#include "case/plan_record.h"
#include "fixation/construct.h"
#include "real_feet.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;

struct Count {
  int wanted = 0, planned = 0, sound = 0, warned = 0;
  void add(const Count& c) {
    wanted += c.wanted;
    planned += c.planned;
    sound += c.sound;
    warned += c.warned;
  }
};

rayset_check::Point plain(const Vec3& p) { return {p.x(), p.y(), p.z()}; }

std::vector<rayset_check::Bone> plainBones(const BoneSurfaces& bones) {
  std::vector<rayset_check::Bone> out;
  for (const Bone b : kMidfootBones) {
    const auto it = bones.find(b);
    if (it == bones.end()) continue;
    rayset_check::Bone bone{std::string(boneId(b)), {}};
    for (const auto& t : it->second.triangles)
      bone.triangles.push_back(
          {plain(it->second.vertices[t[0]]), plain(it->second.vertices[t[1]]), plain(it->second.vertices[t[2]])});
    out.push_back(std::move(bone));
  }
  return out;
}

/// Counts what is there and what is sound; prints every device that is not, all of them when `verbose`.
Count judge(const std::vector<Device>& devices, const BoneSurfaces& truth, int wanted, bool verbose) {
  std::vector<rayset_check::Stick> sticks;
  for (const Device& d : devices) sticks.push_back({d.id, d.through, plain(d.entry), plain(d.tip), d.diameter_mm / 2});
  const auto verdicts = rayset_check::checkDevices(sticks, plainBones(truth));
  Count count{wanted, static_cast<int>(devices.size()), 0, 0};
  for (std::size_t i = 0; i < devices.size(); ++i) {
    const Device& d = devices[i];
    const rayset_check::Verdict& v = verdicts[i];
    count.sound += v.sound ? 1 : 0;
    count.warned += d.warnings.empty() ? 0 : 1;
    if (!verbose && v.sound) continue;
    fmt::print(
        "    {:<3} {:3.0f} mm, {:4.1f} in {:<3}; open {:3.1f}, gap {:3.1f}, leaves {:4.2f} at {:.0f}, {}{}\n", d.id,
        d.length_mm, d.checks.length_in_last_mm, d.through.back(), v.open_mm, v.joint_gap_mm, v.breach_mm,
        v.breach_at_mm,
        v.sound ? "sound"
                : fmt::format("NOT SOUND (entry off {:.2f}, {:.2f} in {}, nearest {:.2f})", v.entry_off_cortex_mm,
                              v.wrong_bone_mm, v.wrong_bone, v.nearest_device_mm),
        d.warnings.empty() ? std::string() : fmt::format("; says: {}", fmt::join(english().texts(d.warnings), "; ")));
  }
  return count;
}

/// Vertices moved along their normals: `shift_mm` all over, and a sum of waves of random direction (wavelengths 6 to
/// 15 mm) with the standard deviation given.
Surface disturbed(const Surface& surface, double shift_mm, double sd_mm, std::uint64_t seed) {
  constexpr int kWaves = 24;
  struct Wave {
    Vec3 k;
    double phase;
  };
  std::vector<Wave> waves;
  for (int i = 0; i < kWaves; ++i) {
    const auto a = normalPair(seed * 1000 + static_cast<std::uint64_t>(2 * i)),
               b = normalPair(seed * 1000 + static_cast<std::uint64_t>(2 * i + 1));
    const double length = 6 + 9 * static_cast<double>(counterHash(seed + static_cast<std::uint64_t>(i)) % 1000) / 1000;
    waves.push_back(
        {2 * M_PI / length *
             Vec3(static_cast<double>(a[0]), static_cast<double>(a[1]), static_cast<double>(b[0])).normalized(),
         2 * M_PI * static_cast<double>(b[1])});
  }
  const auto normals = vertexNormals(surface);
  Surface out = surface;
  for (std::size_t v = 0; v < out.vertices.size(); ++v) {
    double error = 0;
    for (const Wave& w : waves) error += std::cos(w.k.dot(surface.vertices[v]) + w.phase);
    out.vertices[v] += (shift_mm + sd_mm * error * std::sqrt(2.0 / kWaves)) * normals[v];
  }
  return out;
}

Count planned(const std::string& name, const BoneSurfaces& truth, const Catalogue& catalogue, bool verbose) {
  struct Look {
    const char* what;
    double shift_mm, sd_mm;
  };
  Count all;
  for (const Look& look :
       {Look{"as they are", 0, 0}, Look{"0.15 mm too small", -0.15, 0}, Look{"off by 0.2 mm", 0, 0.2}}) {
    BoneSurfaces found;
    for (const auto& [b, s] : truth) found[b] = disturbed(s, look.shift_mm, look.sd_mm, 1 + static_cast<unsigned>(b));
    ConstructInput input;
    input.reduced = &found;
    const auto side = sideFromAnatomy(found);
    if (!side) {
      fmt::print(stderr, "{}: its side cannot be told\n", name);
      continue;
    }
    input.side = *side;
    input.frame = footFrame(found, input.side);
    const auto start = std::chrono::steady_clock::now();
    const auto result = planConstruct(input, catalogue);
    const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
    if (!result) {
      fmt::print(stderr, "{}: {}\n", name, english(result.error()));
      continue;
    }
    fmt::print("  {}, surfaces {} ({:.1f} s)\n", name, look.what, seconds);
    const Count count = judge(result->devices, truth, 10, verbose);
    for (const std::string& text : english().texts(result->cautions)) fmt::print("    ! {}\n", text);
    fmt::print("    {} of {} devices planned, {} sound, {} with warnings\n", count.planned, count.wanted, count.sound,
               count.warned);
    all.add(count);
  }
  return all;
}

/// A plan made from a scan, against the bones that were scanned.
int judgePlan(const fs::path& plan, const fs::path& truth_folder, bool verbose) {
  auto truth = readBoneFolder(truth_folder);
  if (!truth) {
    fmt::print(stderr, "{}\n", english(truth.error()));
    return 1;
  }
  const auto planned = readPlan(plan);
  if (!planned) {
    fmt::print(stderr, "{}\n", english(planned.error()));
    return 1;
  }
  for (const auto& [id, moved] : planned->injured_to_reduced)
    if (const auto bone = boneFromId(id); bone && truth->contains(*bone))
      truth->at(*bone) = transformed(truth->at(*bone), moved);
  const Count count = judge(planned->devices, *truth, 10, verbose);
  fmt::print("{}: {} devices planned, {} sound, {} with warnings\n", plan.filename().string(), count.planned,
             count.sound, count.warned);
  return 0;
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  using namespace rayset;
  CLI::App app{"Devices of the default construct against the true bones"};
  std::string feet = RAYSET_FEET_DIR, only, plan, truth;
  bool verbose = false;
  int least = -1;
  app.add_option("--feet", feet, "Folder of the real feet");
  app.add_option("--only", only, "Only feet whose name contains this");
  app.add_option("--plan", plan, "A plan to judge instead");
  app.add_option("--truth", truth, "Folder of the true bones as scanned")->needs("--plan");
  app.add_option("--least-sound", least, "Fail where fewer devices of the real feet are sound");
  app.add_flag("--verbose", verbose, "Every device, not only those that are not sound");
  CLI11_PARSE(app, argc, argv);
  if (!plan.empty()) return judgePlan(plan, truth, verbose);

  const Catalogue catalogue = bench::needed(readCatalogue(bench::dataFile("implants.json")));
  Count real, invented;
  for (const bench::RealFoot& foot : bench::kRealFeet) {
    if (foot.name().find(only) == std::string::npos) continue;
    const auto bones = readBoneFolder(foot.folder(feet));
    if (!bones) {
      fmt::print("{} is not here: {}\n", foot.name(), english(bones.error()));
      continue;
    }
    real.add(planned(foot.name(), *bones, catalogue, verbose));
  }
  for (const std::uint32_t seed : {0U, 3U, 11U}) {
    const std::string name = fmt::format("procedural-{}", seed);
    if (name.find(only) != std::string::npos)
      invented.add(planned(name, proceduralFoot(randomShape(seed), Side::kRight, 0.8).bones, catalogue, verbose));
  }
  for (const auto& [what, c] : {std::pair{"real", real}, {"procedural", invented}})
    fmt::print("{} feet: {} of {} devices planned, {} sound, {} with warnings\n", what, c.planned, c.wanted, c.sound,
               c.warned);
  if (real.wanted > 0 && real.sound < least) {
    fmt::print("fewer than {} of the devices on real feet are sound\n", least);
    return 1;
  }
  return 0;
}
