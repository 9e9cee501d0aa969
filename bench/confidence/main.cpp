// Does a bone's confidence mean something? Invented and real feet are scanned well and badly; for every bone the true
// error of its surface is set against its confidence. One line a bone (comma-separated), then the summary that
// docs/decisions/confidence.md quotes.
//
//   bench_confidence [--only FOOT] [--scan NAME] [--csv FILE]
//   bench_confidence --from FILE...   judges the evidence of earlier runs anew, without scanning
//
// Real feet come from ../shared/data/feet and are skipped, with a message, where the folder is missing.
#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <numeric>
#include <sstream>

#include "anatomy/procedural_foot.h"
#include "bench_data.h"
#include "bones/confidence.h"
#include "bones/segment.h"
#include "geometry/ray_caster.h"
#include "phantom/injury_spec.h"
#include "real_feet.h"

namespace rayset {
namespace {

struct TestFoot {
  std::string name;
  Side side;
  BoneSurfaces bones;
};

enum class Crop { kNone, kMidfoot, kShafts, kMedial };

struct TestScan {
  const char* name;
  double pixel, slice, noise, density, blur;
  Crop crop;
  bool metal;
};
const std::vector<TestScan> kScans{
    {"good", 0.6, 0.6, 30, 1.0, 0.7, Crop::kNone, false},
    {"density 0.4", 0.6, 0.6, 30, 0.4, 0.7, Crop::kNone, false},
    {"noise 60", 0.6, 0.6, 60, 1.0, 0.7, Crop::kNone, false},
    {"slices 1.0", 0.6, 1.0, 30, 1.0, 0.7, Crop::kNone, false},
    {"voxels 1.0", 1.0, 1.0, 30, 1.0, 0.9, Crop::kNone, false},
    {"midfoot", 0.6, 0.6, 30, 1.0, 0.7, Crop::kMidfoot, false},
    {"shafts cut", 0.6, 0.6, 30, 1.0, 0.7, Crop::kShafts, false},
    {"medial cut", 0.6, 0.6, 30, 1.0, 0.7, Crop::kMedial, false},
    {"metal", 0.6, 0.6, 30, 1.0, 0.7, Crop::kNone, true},
    {"soft kernel", 0.6, 0.6, 20, 1.0, 1.4, Crop::kNone, false},
    {"density 0.4, noise 60", 0.6, 0.6, 60, 0.4, 0.7, Crop::kNone, false},
    {"density 0.4, noise 60, slices 1.0", 0.6, 1.0, 60, 0.4, 0.9, Crop::kNone, false},
    {"density 0.4, voxels 1.0, soft", 1.0, 1.0, 40, 0.4, 1.6, Crop::kNone, false},
};

/// The part of a volume between two voxels, both included.
CtVolume part(const CtVolume& ct, const Eigen::Vector3i& low, const Eigen::Vector3i& high) {
  Grid grid = ct.grid;
  grid.size = high - low + Eigen::Vector3i::Ones();
  grid.origin = ct.grid.toPatient(low.cast<double>());
  CtVolume out(grid);
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i) out.at(i, j, k) = ct.at(low.x() + i, low.y() + j, low.z() + k);
  return out;
}

/// What lies beyond the plane through `point` along `direction` is cut off, square to the grid axis nearest to it.
CtVolume cutBeyond(const CtVolume& ct, const Vec3& point, const Vec3& direction) {
  const Vec3 along = ct.grid.direction.transpose() * direction;
  int axis = 0;
  along.cwiseAbs().maxCoeff(&axis);
  Eigen::Vector3i low = Eigen::Vector3i::Zero(), high = ct.grid.size - Eigen::Vector3i::Ones();
  const int at = std::clamp(static_cast<int>(std::lround(ct.grid.toIndex(point)[axis])), 20, high[axis] - 20);
  (along[axis] > 0 ? high : low)[axis] = at;
  return part(ct, low, high);
}

/// A steel staple of 2.5 mm wire from C2 to the shaft of M2, dorsally: voxels saturate at 3071 HU, and in its slices
/// dark and bright rays run out from it (a plain picture of streaks: 500 HU beside the wire, falling as 1 / distance,
/// twelve rays a turn; ours).
void addStaple(CtVolume& ct, const InjuredFoot& foot) {
  const Vec3 a = centroid(foot.injured.at(Bone::kC2)),
             b = foot.injured.at(Bone::kM2).empty() ? a : centroid(foot.injured.at(Bone::kM2));
  const Vec3 up = foot.frame.dorsal;
  const std::vector<std::pair<Vec3, Vec3>> wires{{a, a + 14 * up}, {a + 14 * up, b + 14 * up}, {b + 14 * up, b}};
  const auto fromWires = [&](const Vec3& p) {
    double least = 1e9;
    for (const auto& [s, t] : wires) {
      const double at = std::clamp((p - s).dot(t - s) / (t - s).squaredNorm(), 0.0, 1.0);
      least = std::min(least, (p - s - at * (t - s)).norm());
    }
    return least;
  };
  std::vector<float> distance(ct.voxels.size());
  const Grid& g = ct.grid;
  std::vector<Vec3> middle(static_cast<std::size_t>(g.size.z()), Vec3::Zero());
  std::vector<int> count(middle.size(), 0);
  for (int k = 0; k < g.size.z(); ++k)
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i) {
        const double d = fromWires(g.toPatient(Vec3(i, j, k)));
        distance[g.offset(i, j, k)] = static_cast<float>(d);
        if (d < 1.25) middle[static_cast<std::size_t>(k)] += Vec3(i, j, k), ++count[static_cast<std::size_t>(k)];
      }
  for (int k = 0; k < g.size.z(); ++k) {
    const auto u = static_cast<std::size_t>(k);
    if (count[u] == 0) continue;
    const Vec3 c = middle[u] / count[u];
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i) {
        const double dx = (i - c.x()) * g.spacing.x(), dy = (j - c.y()) * g.spacing.y();
        const double r = std::max(2.0, std::hypot(dx, dy));
        const double streak = 1000 / r * std::cos(12 * std::atan2(dy, dx));
        std::int16_t& v = ct.at(i, j, k);
        v = static_cast<std::int16_t>(std::clamp(v + streak, -1024.0, 3071.0));
      }
  }
  for (std::size_t n = 0; n < distance.size(); ++n)
    if (distance[n] < 1.25F) ct.voxels[n] = 3071;
}

struct Error {
  double mean = 0, p95 = 0, p99 = 0;
};
/// Distances both ways, of what lies at least 1.5 mm within the scan.
Error errorOf(const Surface& found, const Surface& truth, const Grid& grid) {
  const auto seen = [&](const Vec3& p) {
    const Vec3 i = grid.toIndex(p);
    const Vec3 margin = Vec3::Constant(1.5).cwiseQuotient(grid.spacing);
    return (i.array() > margin.array()).all() &&
           (i.array() < grid.size.cast<double>().array() - 1 - margin.array()).all();
  };
  std::vector<double> d;
  const RayCaster to_truth({&truth}), to_found({&found});
  for (const auto& p : sampleEvenly(found, 3000))
    if (seen(p.position)) d.push_back(to_truth.nearest(p.position)->distance);
  for (const auto& p : sampleEvenly(truth, 3000))
    if (seen(p.position)) d.push_back(to_found.nearest(p.position)->distance);
  if (d.empty()) return {};
  std::sort(d.begin(), d.end());
  return {std::accumulate(d.begin(), d.end(), 0.0) / static_cast<double>(d.size()),
          d[static_cast<std::size_t>(0.95 * static_cast<double>(d.size() - 1))],
          d[static_cast<std::size_t>(0.99 * static_cast<double>(d.size() - 1))]};
}

struct Line {
  std::string foot, scan;
  Bone bone = Bone::kM1;
  bool found = false;
  Error error;
  SegmentedBone bone_found;
  TemplateEvidence evidence;  ///< of bone_found
};

std::vector<Line> evaluate(const TestFoot& foot, const TestScan& how, std::uint64_t seed) {
  std::vector<Line> out;
  const NamedInjury name = kNamedInjuries[seed % kNamedInjuries.size()];
  const auto injured = injure(foot.bones, foot.side, namedInjury(name));
  if (!injured) {
    fmt::print(stderr, "{}: {}\n", foot.name, english(injured.error()));
    return out;
  }
  ScanSettings settings;
  settings.pixel_mm = how.pixel;
  settings.slice_mm = how.slice;
  settings.noise_hu = how.noise;
  settings.density = how.density;
  settings.blur_fwhm_mm = how.blur;
  settings.seed = 17 + seed;
  if (how.crop == Crop::kMidfoot) settings.proximal_crop_mm = 25;
  auto ct = synthesiseCt(scannedParts(*injured), settings);
  if (!ct) {
    fmt::print(stderr, "{} {}: {}\n", foot.name, how.name, english(ct.error()));
    return out;
  }
  if (how.metal) addStaple(*ct, *injured);
  if (how.crop == Crop::kShafts)
    *ct = cutBeyond(*ct, centroid(injured->injured.at(Bone::kM3)) - 5 * injured->frame.distal, injured->frame.distal);
  if (how.crop == Crop::kMedial) *ct = cutBeyond(*ct, centroid(injured->injured.at(Bone::kC1)), injured->frame.medial);
  const auto result = segmentBones(*ct);
  if (!result) fmt::print(stderr, "{} {}: {}\n", foot.name, how.name, english(result.error()));
  for (const Bone bone : kMidfootBones) {
    const auto truth = injured->injured.find(bone);
    if (truth == injured->injured.end()) continue;
    // A bone of which less than a tenth lies in the scan cannot be expected.
    std::size_t in = 0;
    for (const auto& v : truth->second.vertices) {
      const Vec3 i = ct->grid.toIndex(v);
      in += (i.array() > 0).all() && (i.array() < ct->grid.size.cast<double>().array() - 1).all() ? 1 : 0;
    }
    if (in * 10 < truth->second.vertices.size()) continue;
    Line line{foot.name, how.name, bone, false, {}, {}, {}};
    if (result && result->feet.front().bones.contains(bone)) {
      line.bone_found = result->feet.front().bones.at(bone);
      line.evidence = std::get<TemplateEvidence>(line.bone_found.evidence);
      line.found = true;
      line.error = errorOf(line.bone_found.surface, truth->second, ct->grid);
      line.bone_found.surface = {};
    }
    out.push_back(std::move(line));
  }
  return out;
}

/// Feet whose name contains `only`; the others keep their place in the order, without bones.
std::vector<TestFoot> feet(const std::string& only) {
  std::vector<TestFoot> all;
  const auto wanted = [&](const std::string& name) { return name.find(only) != std::string::npos; };
  for (const std::uint32_t seed : {3U, 5U, 9U}) {
    const std::string name = fmt::format("procedural-{}", seed);
    all.push_back({name, Side::kRight, wanted(name) ? proceduralFoot(randomShape(seed)).bones : BoneSurfaces{}});
  }
  const std::filesystem::path data = RAYSET_FEET_DIR;
  for (const bench::RealFoot& foot : bench::kRealFeet) {
    if (!wanted(foot.name())) {
      all.push_back({foot.name(), foot.side, {}});
      continue;
    }
    auto bones = readBoneFolder(foot.folder(data));
    if (!bones) {
      fmt::print(stderr, "Skipped: {}\n", english(bones.error()));
      continue;
    }
    all.push_back({foot.name(), foot.side, std::move(*bones)});
  }
  return all;
}

std::string csv(const Line& l) {
  const TemplateEvidence& e = l.evidence;
  std::string words;
  for (const Doubt d : l.bone_found.doubts) words += std::string(words.empty() ? "" : "|") + std::string(doubtWord(d));
  std::string line = fmt::format("{},\"{}\",{},{},{:.3f},{:.3f},{:.3f},{:.3f}", l.foot, l.scan, boneId(l.bone),
                                 l.found ? 1 : 0, l.error.mean, l.error.p95, l.error.p99, l.bone_found.confidence);
  for (const EvidenceField& f : kEvidenceFields) line += fmt::format(",{:.{}f}", e.*f.value, f.digits);
  return line + "," + words + "\n";
}

/// Lines of csv() with today's verdict on their evidence.
std::vector<Line> linesFrom(const std::string& file) {
  std::vector<Line> out;
  std::ifstream in(file);
  std::string text;
  std::getline(in, text);
  while (std::getline(in, text)) {
    Line l;
    const std::size_t quote = text.find('"'), end = text.find('"', quote + 1);
    if (quote == std::string::npos || end == std::string::npos) continue;
    l.foot = text.substr(0, quote - 1);
    l.scan = text.substr(quote + 1, end - quote - 1);
    std::replace(text.begin(), text.end(), ',', ' ');
    std::istringstream fields(text.substr(end + 1));
    std::string id;
    int found = 0;
    double before = 0;
    TemplateEvidence& e = l.evidence;
    fields >> id >> found >> l.error.mean >> l.error.p95 >> l.error.p99 >> before;
    for (const EvidenceField& f : kEvidenceFields) fields >> e.*f.value;
    if (!fields || !boneFromId(id)) continue;
    l.bone = *boneFromId(id);
    l.found = found != 0;
    out.push_back(std::move(l));
  }
  // Foot by foot: lines of one scan stand together.
  for (std::size_t from = 0, to = 0; from < out.size(); from = to) {
    while (to < out.size() && out[to].foot == out[from].foot && out[to].scan == out[from].scan) ++to;
    std::vector<Verdict> verdicts;
    std::vector<Verdict*> together;
    for (std::size_t n = from; n < to; ++n) verdicts.push_back(verdictOn(out[n].evidence, true));
    for (std::size_t n = from; n < to; ++n)
      if (out[n].found) together.push_back(&verdicts[n - from]);
    judgeTogether(together);
    for (std::size_t n = from; n < to; ++n) {
      out[n].bone_found.confidence = verdicts[n - from].confidence;
      out[n].bone_found.doubts = verdicts[n - from].doubts;
    }
  }
  return out;
}

void summarise(const std::vector<Line>& all) {
  // By confidence.
  fmt::print(
      "\n| confidence | bones | mean error, mm | over {} mm | worst, mm | within {} mm on 99 % of "
      "the surface |\n|---|---|---|---|---|---|\n",
      kDoubtfulErrorMm, kDoubtfulErrorMm);
  const std::array<double, 7> steps{0, 0.3, kDoubtful, 0.7, 0.85, 0.95, 1.0001};
  for (std::size_t s = 0; s + 1 < steps.size(); ++s) {
    int n = 0, bad = 0, everywhere = 0;
    double sum = 0, worst = 0;
    for (const Line& l : all) {
      if (!l.found || l.bone_found.confidence < steps[s] || l.bone_found.confidence >= steps[s + 1]) continue;
      ++n;
      sum += l.error.mean;
      worst = std::max(worst, l.error.mean);
      bad += l.error.mean > kDoubtfulErrorMm ? 1 : 0;
      everywhere += l.error.p99 <= kDoubtfulErrorMm ? 1 : 0;
    }
    fmt::print("| {:.2f} to {:.2f} | {} | {:.2f} | {} | {:.2f} | {} |\n", steps[s], std::min(1.0, steps[s + 1]), n,
               n > 0 ? sum / n : 0.0, bad, worst, everywhere);
  }
  // By scan.
  fmt::print(
      "\n| scan | bones | not found | mean error, mm | over {} mm | of these doubted | doubted without need | "
      "lowest confidence of a good bone |\n|---|---|---|---|---|---|---|---|\n",
      kDoubtfulErrorMm);
  int bad_all = 0, caught_all = 0, false_all = 0, good_all = 0;
  for (const TestScan& scan : kScans) {
    int n = 0, missing = 0, bad = 0, caught = 0, needless = 0;
    double sum = 0, lowest = 1;
    for (const Line& l : all) {
      if (l.scan != scan.name) continue;
      if (!l.found) {
        ++missing;
        continue;
      }
      ++n;
      sum += l.error.mean;
      const bool doubted = l.bone_found.confidence < kDoubtful;
      if (l.error.mean > kDoubtfulErrorMm) {
        ++bad;
        caught += doubted ? 1 : 0;
      } else {
        ++good_all;
        needless += doubted ? 1 : 0;
        if (l.error.mean < 0.3) lowest = std::min(lowest, l.bone_found.confidence);
      }
    }
    if (n + missing == 0) continue;
    fmt::print("| {} | {} | {} | {:.2f} | {} | {} | {} | {:.2f} |\n", scan.name, n, missing, n > 0 ? sum / n : 0.0, bad,
               caught, needless, lowest);
    bad_all += bad;
    caught_all += caught;
    false_all += needless;
  }
  fmt::print("\nOver {} mm: {}, doubted {}. At most {} mm: {}, doubted {}.\n", kDoubtfulErrorMm, bad_all, caught_all,
             kDoubtfulErrorMm, good_all, false_all);
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  using namespace rayset;
  CLI::App app{"Confidence of the segmented bones against their true error"};
  std::string only, scan, file;
  app.add_option("--only", only, "only feet whose name contains this");
  app.add_option("--scan", scan, "only scans whose name contains this");
  std::vector<std::string> from;
  app.add_option("--from", from, "judge the lines of earlier runs instead of scanning");
  app.add_option("--csv", file, "write the lines to this file instead of standard output");
  CLI11_PARSE(app, argc, argv);
  std::string lines = "foot,scan,bone,found,mean,p95,p99,confidence";
  for (const EvidenceField& f : kEvidenceFields) lines += std::string(",") + f.key;
  lines += ",doubts\n";
  std::vector<Line> all;
  for (const std::string& name : from) {
    for (Line& l : linesFrom(name)) {
      lines += csv(l);
      all.push_back(std::move(l));
    }
  }
  if (!from.empty()) {
    if (!file.empty()) std::ofstream(file) << lines;
    summarise(all);
    return 0;
  }
  std::uint64_t seed = 0;
  for (const TestFoot& foot : feet(only)) {
    for (const TestScan& how : kScans) {
      ++seed;
      if (foot.name.find(only) == std::string::npos || std::string(how.name).find(scan) == std::string::npos) continue;
      for (Line& l : evaluate(foot, how, seed)) {
        lines += csv(l);
        all.push_back(std::move(l));
      }
      fmt::print(stderr, "{} {}\n", foot.name, how.name);
      if (!file.empty()) std::ofstream(file) << lines;
    }
  }
  if (file.empty()) fmt::print("{}", lines);
  summarise(all);
  return 0;
}
