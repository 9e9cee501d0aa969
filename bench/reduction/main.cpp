// Accuracy of the reduction alone, on true surfaces: many invented feet and the real ones, each with the named
// injuries, random ones and none.
//
//   bench_reduction [--shapes N] [--random N] [--only FOOT] [--no-mirror | --no-template] [--cases FILE] [--cache DIR]
//                   [--threads N] [--directions MM] [--floor]
//
// Prints, for each kind of foot and of atlas, the error at the base and of the turn, ray by ray with its direction, the
// share of true errors inside the stated intervals, how many rays that were never displaced were moved, and the CPU
// time of one reduction. `--directions 3`: each ray alone by 3 mm in every direction, instead. Figures of healthy
// joints are used without those of the foot's own person. `--floor`: how the feet of a pair differ, `--figures`: the
// joints of the intact feet; no solver asked for either (floor.h). Real feet come from ../shared/data/feet and are left
// out, with a message, where the folder is missing.
#include <fmt/format.h>
#include <sys/resource.h>
#include <tbb/global_control.h>
#include <tbb/parallel_for.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <filesystem>
#include <fstream>
#include <map>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "bench_data.h"
#include "floor.h"
#include "phantom/injury_spec.h"
#include "real_feet.h"
#include "reduction/reduce.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;

constexpr double kDetailMm = 0.9;

struct TestFoot {
  std::string name;
  std::string person;  ///< left out of what is used on this foot; empty: nobody
  bool real = false;
  Side side = Side::kRight;
  BoneSurfaces bones, other;  ///< other: in its own place; empty where there is none
  std::uint64_t seed = 0;     ///< of its first random injury
};

/// What the reduction is asked about. Poses are of the metatarsals; everything else stays.
struct Task {
  std::size_t foot = 0;
  std::string injury;
  EachRay<Rigid> intact_to_injured;
  PerRay<Vec3> base_points;
  Frame frame;
};

struct PlacedRay {
  std::string foot, injury;
  bool real = false, mirror = false, moved = false;  ///< moved: the injury displaced it
  Ray ray;
  double mm = 0, deg = 0, stated_mm = 0, stated_deg = 0;
  double roll_deg = 0, stated_roll_deg = 0;       ///< of the turn about the ray's own axis
  Vec3 off = Vec3::Zero(), about = Vec3::Zero();  ///< along and about medial, distal, dorsal; mm, degrees
  double displaced_mm = 0;                        ///< what the reduction says about the ray
  double strain = 0;                              ///< of the reduction (reduction/standing.h)
  double injured_mm = 0;                          ///< how far the injury moved the base
  double away_mm = 0;                             ///< of a ray that stays: where it would go
  bool told = true;                               ///< the reduction says whether the ray is displaced
};

BoneSurfaces midfootOnly(BoneSurfaces bones) {
  std::erase_if(bones, [](const auto& entry) { return !isMidfootBone(entry.first); });
  return bones;
}

/// The invented foot, from the cache where it is there (making one takes seconds).
BoneSurfaces inventedFoot(std::uint32_t seed, const fs::path& cache) {
  const fs::path folder = cache / fmt::format("shape-{}", seed);
  if (!cache.empty() && fs::is_directory(folder)) {
    if (auto found = readBoneFolder(folder)) return *found;
  }
  BoneSurfaces bones = midfootOnly(proceduralFoot(randomShape(seed), Side::kRight, kDetailMm).bones);
  if (!cache.empty()) {
    fs::create_directories(folder);
    for (const auto& [bone, surface] : bones)
      static_cast<void>(writeStl(folder / fmt::format("{}.stl", boneId(bone)), surface));
  }
  return bones;
}

std::vector<TestFoot> testFeet(int shapes, const std::string& only, const fs::path& cache) {
  std::vector<TestFoot> all;
  for (int seed = 1; seed <= shapes; ++seed) {
    TestFoot foot{fmt::format("shape-{}", seed),         "", false, Side::kRight, {}, {},
                  100 * static_cast<std::uint64_t>(seed)};
    if (foot.name.find(only) == std::string::npos) continue;
    foot.bones = inventedFoot(static_cast<std::uint32_t>(seed), cache);
    foot.other = mirrored(foot.bones);
    all.push_back(std::move(foot));
  }
  const fs::path data = RAYSET_FEET_DIR;
  if (!fs::is_directory(data)) {
    fmt::print(stderr, "Real feet are left out: {} is not there.\n", data.string());
    return all;
  }
  std::uint64_t seed = 9000;
  for (const bench::RealFoot& f : bench::kRealFeet) {
    seed += 100;
    if (f.name().find(only) == std::string::npos) continue;
    auto bones = readBoneFolder(f.folder(data));
    if (!bones) {
      fmt::print(stderr, "Left out: {}\n", english(bones.error()));
      continue;
    }
    TestFoot foot{f.name(), std::string(f.person), true, f.side, midfootOnly(*bones), {}, seed};
    if (const bench::RealFoot* twin = bench::otherOf(f))
      if (auto other = readBoneFolder(twin->folder(data))) foot.other = midfootOnly(*other);
    all.push_back(std::move(foot));
  }
  return all;
}

/// No injury, the named ones and `random` of chance.
std::vector<std::pair<std::string, InjurySpec>> usualInjuries(std::uint64_t seed_of_foot, int random) {
  std::vector<std::pair<std::string, InjurySpec>> out{{"none", {}}};
  for (const NamedInjury name : kNamedInjuries) out.emplace_back(wordOf(name), namedInjury(name));
  for (int k = 1; k <= random; ++k) {
    const auto seed = seed_of_foot + static_cast<std::uint64_t>(k);
    out.emplace_back(fmt::format("random-{}", seed), randomInjury(seed).spec);
  }
  return out;
}

/// Each ray alone, by `mm` in each direction that its neighbours leave open.
std::vector<std::pair<std::string, InjurySpec>> everyDirection(double mm) {
  std::vector<std::pair<std::string, InjurySpec>> out;
  for (const Ray ray : kRays) {
    const auto add = [&](std::string_view towards, double RayInjury::*way, double by) {
      InjurySpec spec;
      spec.rays[ray].*way = by;
      out.emplace_back(fmt::format("ray{}-{}-{}", ray, towards, mm), spec);
    };
    add("medial", &RayInjury::lateral_mm, -mm);
    add("lateral", &RayInjury::lateral_mm, mm);
    add("dorsal", &RayInjury::dorsal_mm, mm);
    add("plantar", &RayInjury::dorsal_mm, -mm);
    add("distal", &RayInjury::distal_mm, mm);
  }
  return out;
}

std::vector<Task> tasksOf(const std::vector<TestFoot>& feet, std::size_t index,
                          const std::vector<std::pair<std::string, InjurySpec>>& wanted, const fs::path& cache) {
  const TestFoot& foot = feet[index];
  std::optional<IntactFoot> intact;
  std::vector<Task> out;
  for (const auto& [word, spec] : wanted) {
    const fs::path kept = cache / fmt::format("{}-{}.poses", foot.name, word);
    Task task;
    task.foot = index;
    task.injury = word;
    const auto numbers = [&](auto&& each) {
      for (Rigid& X : task.intact_to_injured.of)
        for (int k = 0; k < 12; ++k) each(X(k / 4, k % 4));
      for (auto& [ray, p] : task.base_points)
        for (int k = 0; k < 3; ++k) each(p[k]);
      for (Vec3* v : {&task.frame.origin, &task.frame.distal, &task.frame.medial, &task.frame.dorsal})
        for (int k = 0; k < 3; ++k) each((*v)[k]);
    };
    if (std::ifstream in(kept, std::ios::binary); !cache.empty() && in) {
      for (Rigid& X : task.intact_to_injured.of) X.setIdentity();
      for (const Ray ray : kRays) task.base_points[ray].setZero();
      numbers([&](double& x) { in.read(reinterpret_cast<char*>(&x), sizeof x); });
      out.push_back(task);
      continue;
    }
    if (!intact) intact.emplace(foot.bones, foot.side);
    const auto injured = injure(*intact, spec);
    if (!injured) {
      fmt::print(stderr, "{} {}: {}\n", foot.name, word, english(injured.error()));
      continue;
    }
    task.intact_to_injured = injured->intact_to_injured;
    task.base_points = injured->base_points;
    task.frame = injured->frame;
    if (!cache.empty()) {
      std::ofstream file(kept, std::ios::binary);
      numbers([&](double& x) { file.write(reinterpret_cast<const char*>(&x), sizeof x); });
    }
    out.push_back(task);
  }
  return out;
}

std::vector<PlacedRay> run(const TestFoot& foot, const Task& task, bool mirror, const BoneSurfaces& prior,
                           const fs::path& joints) {
  BoneSurfaces injured = foot.bones;
  for (const Ray ray : kRays) {
    Surface& bone = injured.at(metatarsal(ray));
    bone = transformed(bone, task.intact_to_injured.at(ray));
  }
  const auto result = reduceRays(injured, foot.side, mirror ? &foot.other : nullptr, prior,
                                 bench::needed(reduction::readJointNorms(joints, foot.person)));
  std::vector<PlacedRay> out;
  if (!result) {
    fmt::print(stderr, "{} {}: {}\n", foot.name, task.injury, english(result.error()));
    return out;
  }
  for (const Ray ray : kRays) {
    const RayReduction* found = find(result->rays, ray);
    if (found == nullptr) continue;
    const RayReduction& r = *found;
    const Rigid truth = task.intact_to_injured[ray].inverse();
    const Vec3 at = task.intact_to_injured[ray] * task.base_points.at(ray);
    PlacedRay o;
    o.foot = foot.name;
    o.injury = task.injury;
    o.real = foot.real;
    o.mirror = mirror;
    o.moved = !task.intact_to_injured[ray].isApprox(Rigid::Identity(), 1e-9);
    o.ray = ray;
    o.off = task.frame.components(r.injured_to_reduced * at - truth * at);
    o.mm = o.off.norm();
    const Eigen::AngleAxisd turn(Mat3(r.injured_to_reduced.linear() * truth.linear().transpose()));
    o.about = toDegrees(1) * task.frame.components(turn.angle() * turn.axis());
    o.deg = toDegrees(turn.angle());
    const Surface& bone = foot.bones.at(metatarsal(ray));
    const Vec3 away = centroid(bone) - centroid(foot.bones.at(tarsalPartner(ray)));
    o.roll_deg = toDegrees(std::abs(turn.angle() * turn.axis().dot(metatarsalAxis(bone, away).distal)));
    o.stated_roll_deg = toDegrees(r.roll_rad);
    o.stated_mm = r.uncertainty_mm;
    o.stated_deg = toDegrees(r.uncertainty_rad);
    o.strain = r.strain;
    o.injured_mm = (truth * at - at).norm();
    o.away_mm = r.away_mm;
    o.told = r.doubt.empty();
    o.displaced_mm = (r.injured_to_reduced * at - at).norm();
    out.push_back(o);
  }
  return out;
}

struct Sum {
  int n = 0, inside_mm = 0, inside_deg = 0, inside_roll = 0, still = 0, moved_in_vain = 0, missed = 0;
  double mm = 0, mm_worst = 0, deg = 0, deg_worst = 0;
  Vec3 off = Vec3::Zero(), about = Vec3::Zero();
  double stated_mm = 0, stated_deg = 0, roll = 0, stated_roll = 0;
  void add(const PlacedRay& o) {
    ++n;
    mm += o.mm;
    deg += o.deg;
    mm_worst = std::max(mm_worst, o.mm);
    deg_worst = std::max(deg_worst, o.deg);
    inside_mm += o.mm <= o.stated_mm ? 1 : 0;
    inside_deg += o.deg <= o.stated_deg ? 1 : 0;
    inside_roll += o.roll_deg <= o.stated_roll_deg ? 1 : 0;
    roll += o.roll_deg;
    stated_roll += o.stated_roll_deg;
    off += o.off;
    about += o.about;
    stated_mm += o.stated_mm;
    stated_deg += o.stated_deg;
    if (!o.moved) {
      ++still;
      moved_in_vain += o.displaced_mm >= 2 ? 1 : 0;
    } else {
      missed += o.displaced_mm == 0 ? 1 : 0;
    }
  }
  [[nodiscard]] std::string words() const {
    if (n == 0) return "none";
    const double k = n;
    return fmt::format(
        "{:4d} | {:.2f} ({:.2f}) mm | {:.1f} ({:.1f}) deg | inside {:3.0f} % {:3.0f} % of {:.1f} mm {:.1f} deg | own "
        "axis {:.1f} deg, inside {:3.0f} % of {:.1f} | off "
        "{:+.2f} {:+.2f} {:+.2f} about {:+.1f} {:+.1f} {:+.1f} | moved in vain {}/{}, missed {}",
        n, mm / k, mm_worst, deg / k, deg_worst, 100 * inside_mm / k, 100 * inside_deg / k, stated_mm / k,
        stated_deg / k, roll / k, 100 * inside_roll / k, stated_roll / k, off.x() / k, off.y() / k, off.z() / k,
        about.x() / k, about.y() / k, about.z() / k, moved_in_vain, still, missed);
  }
};

double cpuSeconds() {
  rusage used{};
  getrusage(RUSAGE_SELF, &used);
  return static_cast<double>(used.ru_utime.tv_sec + used.ru_stime.tv_sec) +
         1e-6 * static_cast<double>(used.ru_utime.tv_usec + used.ru_stime.tv_usec);
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  using namespace rayset;
  CLI::App app{"Accuracy of the reduction alone, on true surfaces"};
  int shapes = 12, random = 3, threads = 0;
  double directions = 0;
  bool mirror = true, by_template = true, asymmetry = false, likeness = false, figures = false;
  std::string only, cases, cache, injury, joints = bench::dataFile("joints.json");
  app.add_option("--shapes", shapes, "invented feet: random shapes 1 to N");
  app.add_option("--random", random, "random injuries a foot");
  app.add_option("--directions", directions, "each ray alone by this many mm in every direction, instead");
  app.add_option("--only", only, "only feet whose name contains this");
  app.add_option("--injury", injury, "only injuries whose name contains this");
  app.add_flag("!--no-mirror", mirror, "leave out the runs with the other foot");
  app.add_flag("!--no-template", by_template, "leave out the runs without it");
  app.add_option("--cases", cases, "one line a ray and case, tab separated, to this file");
  app.add_option(
      "--cache", cache,
      "keep invented feet and injuries in this folder between runs (empty it when the invented foot changes)");
  app.add_flag("--floor", asymmetry, "how the intact feet of a pair differ");
  app.add_flag("--likeness", likeness, "how the invented foot lies on the intact real ones");
  app.add_flag("--figures", figures, "the joints of the intact feet in figures (data/joints.json)");
  app.add_option("--joints", joints, "figures of healthy joints in place of data/joints.json");
  app.add_option("--threads", threads, "at most this many");
  CLI11_PARSE(app, argc, argv);
  std::optional<tbb::global_control> limit;
  if (threads > 0) limit.emplace(tbb::global_control::max_allowed_parallelism, static_cast<std::size_t>(threads));

  if (!cache.empty()) fs::create_directories(cache);
  const std::vector<TestFoot> feet = testFeet(shapes, only, cache);
  if (asymmetry || figures || likeness) {
    for (const TestFoot& foot : feet) {
      fmt::print("{}\n", foot.name);
      if (likeness && foot.real) printLikeness(foot.bones, foot.side);
      if (figures) printFigures(foot.bones, foot.side);
      if (asymmetry && foot.real && !foot.other.empty()) printAsymmetry(foot.bones, foot.other, foot.side);
    }
    return 0;
  }
  const BoneSurfaces right = inventedFoot(0, cache), left = mirrored(right);
  std::vector<std::pair<Task, bool>> todo;
  for (std::size_t i = 0; i < feet.size(); ++i) {
    for (const Task& task :
         tasksOf(feet, i, directions > 0 ? everyDirection(directions) : usualInjuries(feet[i].seed, random), cache)) {
      if (task.injury.find(injury) == std::string::npos) continue;
      if (by_template) todo.emplace_back(task, false);
      if (mirror && !feet[i].other.empty()) todo.emplace_back(task, true);
    }
  }
  std::vector<std::vector<PlacedRay>> outcomes(todo.size());
  const double before = cpuSeconds();
  tbb::parallel_for(std::size_t{0}, todo.size(), [&](std::size_t i) {
    const TestFoot& foot = feet[todo[i].first.foot];
    outcomes[i] = run(foot, todo[i].first, todo[i].second, foot.side == Side::kRight ? right : left, joints);
  });
  const double seconds = (cpuSeconds() - before) / static_cast<double>(std::max<std::size_t>(todo.size(), 1));

  std::map<std::string, Sum> sums;
  std::ofstream file;
  if (!cases.empty()) file.open(cases);
  for (const auto& list : outcomes) {
    for (const PlacedRay& o : list) {
      const std::string group = fmt::format("{} {}", o.real ? "real" : "invented", o.mirror ? "mirror" : "template");
      sums[group + " all"].add(o);
      sums[group + fmt::format(" ray {}", o.ray)].add(o);
      if (o.moved) sums[group + " displaced"].add(o);
      if (o.injury == "none") sums[group + " uninjured"].add(o);
      if (o.real) sums[group + " " + o.foot].add(o);
      if (file)
        file << fmt::format(
            "{}\t{}\t{}\t{}\t{}\t{:.3f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}\t{:.2f}"
            "\t"
            "{:.2f}\t{:.2f}\t{:d}\t{:.2f}\n",
            o.foot, o.injury, o.mirror ? "mirror" : "template", o.ray, o.moved ? 1 : 0, o.mm, o.deg, o.stated_mm,
            o.stated_deg, o.off.x(), o.off.y(), o.off.z(), o.about.x(), o.about.y(), o.about.z(), o.strain,
            o.injured_mm, o.away_mm, o.told, o.displaced_mm);
    }
  }
  for (const auto& [group, sum] : sums) fmt::print("{:32s} {}\n", group, sum.words());
  fmt::print("{} reductions, {:.2f} s of CPU each\n", todo.size(), seconds);
  return 0;
}
