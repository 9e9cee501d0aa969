#include "baseline.h"

#include <fmt/format.h>

#include <fstream>

#include "geometry/json.h"

namespace rayset::accuracy {
namespace {

constexpr double kTolerated = 0.10;
constexpr double kMeanMm = 0.01, kMeanDeg = 0.1, kWorstMm = 0.05, kWorstDeg = 0.3, kShare = 0.002;

/// A figure of which less is better.
struct Figure {
  std::string name;
  double value;
  double slack;
};

std::vector<Figure> flattened(const std::vector<Record>& records) {
  std::vector<const Record*> all;
  for (const Record& r : records) all.push_back(&r);
  const Figures f = figuresOf(all);
  std::vector<Figure> list;
  const auto count = [&](const char* name, int value) { list.push_back({name, static_cast<double>(value), 0}); };
  count("failed_runs", f.failed);
  count("bones_not_right", f.bones_all - f.bones_right);
  count("rays_missing", f.rays_missing);
  count("runs_in_part", f.partial);
  count("patterns_wrong", f.patterns_all - f.patterns_right);
  count("patterns_withheld", f.patterns_withheld);
  count("uninjured_called_injured", f.uninjured_called_injured);
  count("displaced_not_called", f.displaced_all - f.displaced_called);
  count("displaced_in_place", f.displaced_all - f.displaced_called - f.displaced_untold);
  count("undisplaced_moved", f.still_called);
  count("undisplaced_untold", f.still_untold);
  count("bones_overlap", f.overlapping);
  count("devices_not_sound", f.devices_all - f.devices_sound);
  count("pieces_missed", f.pieces_missed);
  const auto spread = [&](const std::string& name, const Spread& s, double mean_slack, double worst_slack) {
    if (s.count == 0) return;
    list.push_back({name + "_mean", s.mean(), mean_slack});
    list.push_back({name + "_worst", s.worst, worst_slack});
  };
  spread("surface_mm", f.surface, kMeanMm, kWorstMm);
  spread("surface_p95_mm", f.p95, kMeanMm, kWorstMm);
  spread("piece_p95_mm", f.piece_p95, kMeanMm, kWorstMm);
  spread("dice_loss", f.dice_loss, kShare, 5 * kShare);
  spread("label_dice_loss", f.label_dice_loss, kShare, 5 * kShare);
  spread("volume_error", f.volume_error, kShare, 5 * kShare);
  spread("displacement_mm", f.shift, kMeanMm, kWorstMm);
  spread("displacement_deg", f.turn, kMeanDeg, kWorstDeg);
  for (const auto& [method, s] : f.base) spread("reduction_" + method + "_mm", s, kMeanMm, kWorstMm);
  for (const auto& [method, s] : f.pose) spread("reduction_" + method + "_deg", s, kMeanDeg, kWorstDeg);
  for (const auto& [method, s] : f.moved_base) spread("moved_rays_" + method + "_mm", s, kMeanMm, kWorstMm);
  for (const auto& [method, s] : f.moved_pose) spread("moved_rays_" + method + "_deg", s, kMeanDeg, kWorstDeg);
  Coverage inside;
  for (const auto* kind : {&f.inside_mm, &f.inside_deg})
    for (const auto& [method, c] : *kind) {
      inside.inside += c.inside;
      inside.count += c.count;
    }
  // Outside up to a fifth is within the mark of honest intervals (80 to 97 % inside): only beyond that it is worse.
  list.push_back({"outside_interval_beyond_a_fifth", std::max(0.0, 0.8 - inside.share()), 0.01});
  return list;
}

nlohmann::ordered_json keysOf(const std::vector<Record>& records) {
  auto keys = nlohmann::ordered_json::array();
  for (const Record& r : records) keys.push_back(r["key"]);
  return keys;
}

}  // namespace

Status writeBaseline(const std::filesystem::path& file, const std::vector<Record>& records) {
  nlohmann::ordered_json j{{"schema", "rayset.accuracy-baseline/1"}, {"runs", keysOf(records)}};
  for (const Figure& figure : flattened(records)) j["figures"][figure.name] = rounded(figure.value, 5);
  std::ofstream out(file);
  out << j.dump(2) << '\n';
  out.close();
  if (!out)
    return fail(Fault::kInternal, "the baseline could not be written", file.string(),
                "Check free space and permissions.");
  return {};
}

Result<Comparison> compareWithBaseline(const std::filesystem::path& file, const std::vector<Record>& records) {
  std::ifstream in(file);
  const auto stored = nlohmann::ordered_json::parse(in, nullptr, false);
  if (stored.is_discarded() || !stored.is_object() || !stored.contains("figures") || !stored.contains("runs"))
    return fail(Fault::kRequest, "there is no baseline to compare with", file.string(), "Write one with --update.");
  if (stored["runs"] != keysOf(records))
    return fail(Fault::kRequest, "the baseline holds for other runs than these", file.string(),
                "Choose the same subset, or write a new one with --update.");
  Comparison result;
  for (const Figure& now : flattened(records)) {
    if (!stored["figures"].contains(now.name)) {
      result.regressed.push_back(fmt::format("{} is {:.4g}, and the baseline has no such figure", now.name, now.value));
      continue;
    }
    const double before = stored["figures"][now.name].get<double>();
    const bool worse = now.value > before * (1 + kTolerated) + 1e-9 && now.value > before + now.slack + 1e-9;
    result.lines.push_back(fmt::format("{:38s} {:9.4f}  was {:9.4f}{}", now.name, now.value, before,
                                       worse                                   ? "  WORSE"
                                       : now.value < before * (1 - kTolerated) ? "  better"
                                                                               : ""));
    if (worse) result.regressed.push_back(fmt::format("{} is {:.4g}, was {:.4g}", now.name, now.value, before));
  }
  return result;
}

}  // namespace rayset::accuracy
