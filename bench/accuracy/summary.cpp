#include "summary.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <functional>
#include <iterator>
#include <set>

namespace rayset::accuracy {
namespace {

constexpr double kDisplacedMm = 3;  ///< from here on a ray is to be called displaced, in every direction
constexpr double kOverlapMm = 0.2;  ///< more of one bone in another is an overlap
constexpr double kStillMm = 0.1;    ///< a ray that moved by less did not move

std::vector<std::string> missedBones(const Record& r) {
  std::vector<std::string> missed;
  if (!r.contains("bones")) return missed;
  for (const Record& b : r["bones"])
    if (b["counted"].get<bool>() && !b["right"].get<bool>()) missed.push_back(b["id"]);
  return missed;
}

std::string joined(const std::vector<std::string>& words) {
  std::string text;
  for (const auto& word : words) text += fmt::format("{}{}", text.empty() ? "" : " ", word);
  return text;
}

/// 0.5 to 0.6 mm both ways: the scans the marks speak of.
bool atTheMarksResolution(const Record& r) {
  const auto within = [](double v) { return v >= 0.49 && v <= 0.61; };
  return within(r["case"]["pixel_mm"]) && within(r["case"]["slice_mm"]);
}
bool plainScan(const Record& r) {
  const Record& c = r["case"];
  return c["hindrance"] == "none" && c["noise_hu"] <= 45 && c["density"] >= 0.8;
}

using Chosen = std::vector<const Record*>;

Chosen chosen(const std::vector<Record>& records, const std::function<bool(const Record&)>& which) {
  Chosen list;
  for (const Record& r : records)
    if (which(r)) list.push_back(&r);
  return list;
}

std::string meanWorst(const Spread& s, int digits) {
  return s.count == 0 ? "-" : fmt::format("{:.{}f} ({:.{}f})", s.mean(), digits, s.worst, digits);
}
std::string percent(const Coverage& c) { return c.count == 0 ? "-" : fmt::format("{:.0f} %", 100 * c.share()); }

Coverage together(const Coverage& a, const Coverage& b) { return {a.inside + b.inside, a.count + b.count}; }
Coverage coverageOf(const Figures& f) {
  Coverage all;
  for (const auto* kind : {&f.inside_mm, &f.inside_deg})
    for (const auto& [method, coverage] : *kind) all = together(all, coverage);
  return all;
}
template <class T>
T of(const std::map<std::string, T>& by_method, const char* method) {
  const auto found = by_method.find(method);
  return found == by_method.end() ? T{} : found->second;
}

constexpr const char* kMirror = "contralateral";
constexpr const char* kAlone = "congruence";

/// An accuracy target: mean and worst allowed, and what was measured.
std::string markRow(const std::string& what, double mark, double mark_worst, const Spread& s, int digits) {
  if (s.count == 0) return fmt::format("| {} | {:g} ({:g}) | - | - |\n", what, mark, mark_worst);
  const bool met = s.mean() <= mark && s.worst <= mark_worst;
  std::string verdict = "met";
  if (!met) {
    verdict.clear();
    if (s.mean() > mark) verdict += fmt::format("mean over by {:.{}f}", s.mean() - mark, digits);
    if (s.worst > mark_worst)
      verdict += fmt::format("{}worst over by {:.{}f} ({}, {})", verdict.empty() ? "" : "; ", s.worst - mark_worst,
                             digits, s.worst_part, s.worst_key);
  }
  return fmt::format("| {} | {:g} ({:g}) | {} | {} |\n", what, mark, mark_worst, meanWorst(s, digits), verdict);
}

std::string countRow(const std::string& what, int right, int all) {
  const std::string verdict = all == 0 ? "-" : right == all ? "met" : fmt::format("{} not", all - right);
  return fmt::format("| {} | all | {}/{} | {} |\n", what, right, all, verdict);
}

std::string marksTable(const std::string& title, const Chosen& records) {
  if (records.empty()) return {};
  const Figures f = figuresOf(records);
  std::string t =
      fmt::format("### {}: {} runs\n\n| | mark: mean (worst) | measured | |\n|---|---|---|---|\n", title, f.runs);
  t += countRow("runs that end with a plan", f.runs - f.failed, f.runs);
  t += countRow("bones found and named right", f.bones_right, f.bones_all);
  t += countRow("no overlap above 0.2 mm", f.overlap.count - f.overlapping, f.overlap.count);
  t += markRow("surface, mean distance, mm", 0.10, 0.25, f.surface, 3);
  t += markRow("surface, 95th percentile, mm", 0.3, 0.8, f.p95, 2);
  t += markRow("displaced ray at its base, with the other foot, mm", 0.6, 1.3, of(f.moved_base, kMirror), 2);
  t += markRow("displaced ray, with the other foot, degrees", 2.5, 6, of(f.moved_pose, kMirror), 1);
  t += markRow("displaced ray at its base, without it, mm", 1.0, 2.2, of(f.moved_base, kAlone), 2);
  t += markRow("displaced ray, without it, degrees", 3, 8, of(f.moved_pose, kAlone), 1);
  t += countRow("displaced from 3 mm called displaced", f.displaced_called, f.displaced_all);
  t += countRow("undisplaced rays not moved", f.still_all - f.still_called, f.still_all);
  t += countRow("patterns not wrong", f.patterns_right, f.patterns_all);
  t += fmt::format("| patterns withheld | 10 % | {}/{} | {} |\n", f.patterns_withheld, f.patterns_all,
                   10 * f.patterns_withheld <= f.patterns_all ? "met" : "not met");
  t += countRow("uninjured feet called uninjured", f.uninjured - f.uninjured_called_injured, f.uninjured);
  const Coverage all = coverageOf(f);
  t += fmt::format("| true error inside the stated interval | 90 to 98 % | {} | {} |\n", percent(all),
                   all.share() >= 0.9 && all.share() <= 0.98 ? "met" : "not met");
  t += fmt::format("| devices sound in the true bones | (no mark) | {}/{} | |\n", f.devices_sound, f.devices_all);
  t += fmt::format(
      "\nDice of the surfaces {:.3f} (worst {:.3f}, {} of {}), of the label map {:.3f} (worst {:.3f}), volume error "
      "{:.1f} % (worst {:.1f} %), {} runs ended with exit 4, {} "
      "rays could not be dealt with, {:.0f} s a plan.\n\n",
      1 - f.dice_loss.mean(), 1 - f.dice_loss.worst, f.dice_loss.worst_part, f.dice_loss.worst_key,
      1 - f.label_dice_loss.mean(), 1 - f.label_dice_loss.worst, 100 * f.volume_error.mean(),
      100 * f.volume_error.worst, f.partial, f.rays_missing, f.runs > f.failed ? f.seconds / (f.runs - f.failed) : 0.0);
  return t;
}

const char* const kLevelHeader =
    "| | runs | bones right | surface mm | P95 mm | displacement mm | deg | with other mm | deg | without mm | deg | "
    "in "
    "interval | patterns | devices |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n";

std::string levelRow(const std::string& level, const Chosen& records) {
  const Figures f = figuresOf(records);
  return fmt::format("| {} | {}{} | {}/{} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {}/{} | {}/{} |\n", level,
                     f.runs, f.failed > 0 ? fmt::format(", {} failed", f.failed) : "", f.bones_right, f.bones_all,
                     meanWorst(f.surface, 2), meanWorst(f.p95, 2), meanWorst(f.shift, 2), meanWorst(f.turn, 1),
                     meanWorst(of(f.base, kMirror), 2), meanWorst(of(f.pose, kMirror), 1),
                     meanWorst(of(f.base, kAlone), 2), meanWorst(of(f.pose, kAlone), 1), percent(coverageOf(f)),
                     f.patterns_right, f.patterns_all, f.devices_sound, f.devices_all);
}

/// The person of a run's foot: its name without the side.
std::string personOf(const Record& r) {
  const std::string foot = r["case"]["foot"];
  return foot.substr(0, foot.rfind('-'));
}

/// Each person's rows apart, nobody's figures used on their own feet: what holds for people it has not seen.
std::string byPerson(const std::vector<Record>& records) {
  std::map<std::string, Chosen> people;
  for (const Record& r : records)
    if (!personOf(r).starts_with("procedural")) people[personOf(r)].push_back(&r);
  if (people.empty()) return {};
  std::string t =
      "## By person\n\nReal feet, the figures of the person's joints left out. Displaced rays moved by 0.1 mm or more, "
      "\"called\" are those of 3 mm or more called displaced and those left untold; undisplaced rays moved by less "
      "than 0.1 "
      "mm.\n\n| person | runs | bones right | overlaps | surface mm | P95 mm | displaced, other foot known: mm | deg | "
      "without: mm | deg | called, untold | undisplaced moved, untold | patterns right, withheld | uninjured feet "
      "right | "
      "inside, mm | deg | devices |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n";
  for (const auto& [person, runs] : people) {
    const Figures f = figuresOf(runs);
    Coverage mm, deg;
    for (const char* method : {kMirror, kAlone}) {
      mm = together(mm, of(f.inside_mm, method));
      deg = together(deg, of(f.inside_deg, method));
    }
    t += fmt::format(
        "| {} | {}{} | {}/{} | {}/{} | {} | {} | {} | {} | {} | {} | {}, {}/{} | {}, {}/{} | {}, {}/{} | {}/{} | {} | "
        "{} | "
        "{}/{} |\n",
        person, f.runs, f.failed > 0 ? fmt::format(", {} failed", f.failed) : "", f.bones_right, f.bones_all,
        f.overlapping, f.overlap.count, meanWorst(f.surface, 2), meanWorst(f.p95, 2),
        meanWorst(of(f.moved_base, kMirror), 2), meanWorst(of(f.moved_pose, kMirror), 1),
        meanWorst(of(f.moved_base, kAlone), 2), meanWorst(of(f.moved_pose, kAlone), 1), f.displaced_called,
        f.displaced_untold, f.displaced_all, f.still_called, f.still_untold, f.still_all,
        f.patterns_right - f.patterns_withheld, f.patterns_withheld, f.patterns_all,
        f.uninjured - f.uninjured_called_injured, f.uninjured, percent(mm), percent(deg), f.devices_sound,
        f.devices_all);
  }
  return t + "\n";
}

std::string level(const Record& value) {
  return value.is_string() ? value.get<std::string>() : fmt::format("{:g}", value.get<double>());
}

/// One row a level of a factor.
std::string factorRows(const std::string& name, const std::vector<Record>& records,
                       const std::function<std::string(const Record&)>& level_of) {
  std::map<std::pair<double, std::string>, Chosen> by_level;  // numbers in their order, words in theirs
  for (const Record& r : records) {
    const std::string word = level_of(r);
    char* end = nullptr;
    const double number = std::strtod(word.c_str(), &end);
    by_level[{*end == 0 ? number : 0, word}].push_back(&r);
  }
  std::string rows;
  for (const auto& [key, list] : by_level) rows += levelRow(fmt::format("{} {}", name, key.second), list);
  return rows;
}

/// The three worst, worst first: a line each.
struct Bad {
  double value;
  std::string text;
};
std::string worstThree(const std::string& title, std::vector<Bad> all) {
  std::stable_sort(all.begin(), all.end(), [](const Bad& a, const Bad& b) { return a.value > b.value; });
  std::string text = fmt::format("**{}**\n\n", title);
  for (std::size_t n = 0; n < std::min<std::size_t>(3, all.size()); ++n)
    text += fmt::format("{}. {}\n", n + 1, all[n].text);
  return all.empty() ? std::string() : text + "\n";
}

double number(const Record& r, const char* name) { return r[name].get<double>(); }

std::string worstCases(const std::vector<Record>& records) {
  // One entry a run, its worst bone, ray or device, so that one bad run does not fill the list.
  std::vector<Bad> bones, shifts, mirrors, alone, devices;
  for (const Record& r : records) {
    if (!r["failure"].is_null()) continue;
    const std::string key = fmt::format("`{}`: ", r["key"].get<std::string>());
    const auto worst = [](const Record& list, const std::function<double(const Record&)>& value) {
      const Record* found = nullptr;
      for (const Record& entry : list)
        if (value(entry) >= 0 && (found == nullptr || value(entry) > value(*found))) found = &entry;
      return found;
    };
    const auto bone_value = [](const Record& b) {
      if (!b["counted"].get<bool>()) return -1.0;
      return b["found"].get<bool>() ? number(b, "mean_mm") : 1e3;
    };
    if (const Record* b = worst(r["bones"], bone_value)) {
      const std::string id = (*b)["id"];
      const bool there = (*b)["found"].get<bool>();
      std::string text = fmt::format("{}{} not found", key, id);
      if (there) {
        const std::string doubt = (*b)["doubt"];
        text = fmt::format("{}{} mean {:.2f} mm, P95 {:.2f}, confidence {:g}, {}", key, id, number(*b, "mean_mm"),
                           number(*b, "p95_mm"), number(*b, "confidence"), doubt.empty() ? "no doubt" : doubt);
      }
      bones.push_back({bone_value(*b), text});
    }
    const auto ray_value = [](const char* name) {
      return [name](const Record& ray) { return ray.contains("missing") ? -1.0 : number(ray, name); };
    };
    if (const Record* ray = worst(r["rays"], ray_value("shift_error_mm")))
      shifts.push_back({number(*ray, "shift_error_mm"),
                        fmt::format("{}ray {} off by {:.2f} mm, {:.1f} deg", key, (*ray)["ray"].get<int>(),
                                    number(*ray, "shift_error_mm"), number(*ray, "turn_error_deg"))});
    if (const Record* ray = worst(r["rays"], ray_value("base_error_mm"))) {
      const Record& off = (*ray)["base_off_mm"];
      (r["method"] == kMirror ? mirrors : alone)
          .push_back({number(*ray, "base_error_mm"),
                      fmt::format("{}ray {} {:.2f} mm (medial {:+.2f}, distal {:+.2f}, dorsal {:+.2f}), {:.1f} deg; "
                                  "stated {:.1f} mm, {:.1f} deg",
                                  key, (*ray)["ray"].get<int>(), number(*ray, "base_error_mm"), number(off, "medial"),
                                  number(off, "distal"), number(off, "dorsal"), number(*ray, "pose_error_deg"),
                                  number(*ray, "stated_mm"), number(*ray, "stated_deg"))});
    }
    const auto device_value = [](const Record& d) {
      return d["sound"].get<bool>() ? -1.0 : std::max(number(d, "breach_mm"), number(d, "wrong_bone_mm"));
    };
    if (const Record* d = worst(r["devices"], device_value))
      devices.push_back(
          {device_value(*d),
           fmt::format(
               "{}{} entry off {:.2f} mm, breach {:.2f}, in {} {:.2f}, tip inside {}", key,
               (*d)["id"].get<std::string>(), number(*d, "entry_off_mm"), number(*d, "breach_mm"),
               (*d)["wrong_bone"].get<std::string>().empty() ? "no other bone" : (*d)["wrong_bone"].get<std::string>(),
               number(*d, "wrong_bone_mm"), (*d)["tip_inside"].get<bool>() ? "yes" : "no")});
  }
  return worstThree("Bones", bones) + worstThree("Displacement", shifts) +
         worstThree("Reduction with the other foot", mirrors) + worstThree("Reduction without it", alone) +
         worstThree("Devices", devices);
}

}  // namespace

void Spread::add(double value, const std::string& key, const std::string& part) {
  sum += value;
  ++count;
  if (count == 1 || value > worst) {
    worst = value;
    worst_key = key;
    worst_part = part;
  }
}

Figures figuresOf(const std::vector<const Record*>& records) {
  Figures f;
  for (const Record* record : records) {
    const Record& r = *record;
    const std::string key = r["key"];
    ++f.runs;
    if (!r["failure"].is_null()) {
      ++f.failed;
      f.bones_all += 12;
      ++f.patterns_all;
      continue;
    }
    f.partial += r["exit"] == 4 ? 1 : 0;
    f.seconds += r["plan_seconds"].get<double>();
    for (const Record& b : r["bones"]) {
      if (!b["counted"].get<bool>()) continue;
      const std::string id = b["id"];
      ++f.bones_all;
      f.bones_right += b["right"].get<bool>() ? 1 : 0;
      if (!b["found"].get<bool>()) continue;
      f.surface.add(number(b, "mean_mm"), key, id);
      f.p95.add(number(b, "p95_mm"), key, id);
      f.dice_loss.add(1 - number(b, "dice"), key, id);
      f.label_dice_loss.add(1 - number(b, "dice_labels"), key, id);
      if (!b["volume_error"].is_null()) f.volume_error.add(std::abs(number(b, "volume_error")), key, id);
    }
    const std::string method = r["method"];
    for (const Record& ray : r["rays"]) {
      const std::string part = fmt::format("ray {}", ray["ray"].get<int>());
      if (ray.contains("missing")) {
        ++f.rays_missing;
        continue;
      }
      f.shift.add(number(ray, "shift_error_mm"), key, part);
      f.turn.add(number(ray, "turn_error_deg"), key, part);
      f.base[method].add(number(ray, "base_error_mm"), key, part);
      f.pose[method].add(number(ray, "pose_error_deg"), key, part);
      f.inside_mm[method].add(number(ray, "base_error_mm"), number(ray, "stated_mm"));
      f.inside_deg[method].add(number(ray, "pose_error_deg"), number(ray, "stated_deg"));
      const Record& truth = ray["truth"];
      const double moved =
          std::hypot(number(truth, "lateral_mm"), number(truth, "dorsal_mm"), number(truth, "distal_mm"));
      const Record& found = ray["found"];
      const bool told = found.value("told", true), called = told && found["displaced"].get<bool>();
      if (moved >= kDisplacedMm) {
        ++f.displaced_all;
        f.displaced_called += called ? 1 : 0;
        f.displaced_untold += told ? 0 : 1;
      }
      if (moved < kStillMm) {
        ++f.still_all;
        f.still_called += called ? 1 : 0;
        f.still_untold += told ? 0 : 1;
        continue;
      }
      f.moved_base[method].add(number(ray, "base_error_mm"), key, part);
      f.moved_pose[method].add(number(ray, "pose_error_deg"), key, part);
      f.moved_inside_mm[method].add(number(ray, "base_error_mm"), number(ray, "stated_mm"));
      f.moved_inside_deg[method].add(number(ray, "pose_error_deg"), number(ray, "stated_deg"));
    }
    ++f.patterns_all;
    f.patterns_right += r["patterns"]["right"].get<bool>() ? 1 : 0;
    f.patterns_withheld += r["patterns"].value("withheld", false) ? 1 : 0;
    if (r.contains("overlap")) {
      f.overlap.add(number(r["overlap"], "mm"), key, r["overlap"]["bones"]);
      f.overlapping += number(r["overlap"], "mm") > kOverlapMm ? 1 : 0;
    }
    if (!r["truly_injured"].get<bool>()) {
      ++f.uninjured;
      f.uninjured_called_injured += r["called_injured"].get<bool>() ? 1 : 0;
    }
    for (const Record& d : r["devices"]) {
      ++f.devices_all;
      f.devices_sound += d["sound"].get<bool>() ? 1 : 0;
    }
    for (const Record& piece : r.value("fragments", Record::array())) {
      f.pieces_missed += piece["found"].is_null() ? 1 : 0;
      if (piece.contains("p95_mm")) f.piece_p95.add(number(piece, "p95_mm"), key, piece["id"]);
    }
  }
  return f;
}

const char* const kRowHeader =
    "| run | bones named | surface mean (worst bone) mm | P95 of the worst mm | Dice | displacement mm (worst) | deg "
    "(worst) | reduction at base mm (worst) | deg (worst) | in interval | patterns | devices sound | exit | s |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n";

std::string rowOf(const Record& r) {
  const std::string key = r["key"];
  if (!r["failure"].is_null()) return fmt::format("| {} | FAILED: {} |\n", key, r["failure"].get<std::string>());
  const Figures f = figuresOf({&r});
  const std::string method = r["method"];
  const Coverage all = coverageOf(f);
  const auto missed = missedBones(r);
  std::string patterns;
  for (const Record& name : r["patterns"]["found"])
    patterns += fmt::format("{}{}", patterns.empty() ? "" : "/", name.get<std::string>());
  return fmt::format(
      "| {} | {}/{}{} | {:.2f} ({} {:.2f}) | {:.2f} ({}) | {:.3f} | {} | {} | {} | {} | {}/{} | {} {} | {}/{} | {} | "
      "{:.0f} |\n",
      key, f.bones_right, f.bones_all, missed.empty() ? std::string() : fmt::format(" not {}", joined(missed)),
      f.surface.mean(), f.surface.worst_part, f.surface.worst, f.p95.worst, f.p95.worst_part, 1 - f.dice_loss.mean(),
      meanWorst(f.shift, 2), meanWorst(f.turn, 1), meanWorst(of(f.base, method.c_str()), 2),
      meanWorst(of(f.pose, method.c_str()), 1), all.inside, all.count,
      r["patterns"]["right"].get<bool>() ? "right" : "WRONG", patterns, f.devices_sound, f.devices_all,
      r["exit"].get<int>(), r["plan_seconds"].get<double>());
}

/// What a person wrote above the tables stays when they are made anew.
const char* const kMadeBelow = "<!-- made by bench_accuracy from here on -->\n";

std::string prefaceOf(const std::string& report) {
  std::ifstream file(report);
  const std::string all{std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
  const std::size_t at = all.find(kMadeBelow);
  return at == std::string::npos ? "# Accuracy\n\n" : all.substr(0, at);
}

/// Pieces of broken second bases, run by run.
std::string fragmentTable(const std::vector<Record>& records) {
  std::string t =
      "\n## Pieces of the second base\n\nEach true piece against the found one: volume, surface, and where it was put "
      "on its bone, with the stated 95 % interval. A fleck is reported with size and place only.\n\n"
      "| run | piece | true mm3 | found | mm3 | centre off mm | surface mm (P95) | put back off mm (stated) | deg "
      "(stated) |\n|---|---|---|---|---|---|---|---|---|\n";
  for (const Record& r : records) {
    if (!r["failure"].is_null()) continue;
    for (const Record& f : r["fragments"]) {
      t += fmt::format("| {} | {} | {:.0f} | ", r["key"].get<std::string>(), f["id"].get<std::string>(),
                       number(f, "volume_mm3"));
      if (f["found"].is_null()) {
        t += "no | | | | | |\n";
        continue;
      }
      t += fmt::format("{} | {:.0f} | {:.1f} | ", f["found"].get<std::string>(), number(f, "found_mm3"),
                       number(f, "centre_mm"));
      if (!f.contains("mean_mm")) {
        t += "| | |\n";
        continue;
      }
      t += fmt::format("{:.2f} ({:.2f}) | ", number(f, "mean_mm"), number(f, "p95_mm"));
      if (f["put_back"].get<bool>())
        t += fmt::format("{:.2f} ({:.1f}) | {:.1f} ({:.1f}) |\n", number(f, "on_bone_mm"), number(f, "stated_mm"),
                         number(f, "on_bone_deg"), number(f, "stated_deg"));
      else
        t += "left out, in doubt | |\n";
    }
  }
  return t;
}

std::string markdown(const std::vector<Record>& records) {
  std::string t =
      std::string(kMadeBelow) +
      "\nFeet whose truth is known, through the whole chain: bones -> injury -> scan -> plan. Made by `bench_accuracy` "
      "(`bench/accuracy`); every figure is measured against the surfaces that were scanned, and the marks are those we "
      "set ourselves before measuring. Mean, and the worst single bone or ray in brackets. Real feet are scanned "
      "synthetically from their bone surfaces; no clinical scan is in here.\n\n"
      "A run is named foot/injury/other foot/pixel x slice/noise HU/bone density/kernel/scanner turned/what is in the "
      "way. Surface distance and 95th percentile are per bone, both ways; displacement is the reported shift and turn "
      "of "
      "each ray against the true one; reduction is where a ray's base and axis end up against where they belong.\n\n";
  t += byPerson(records);
  t += "## Against the marks\n\n";
  t += marksTable("0.5 to 0.6 mm, nothing in the way, noise to 45 HU, density from 0.8",
                  chosen(records, [](const Record& r) { return atTheMarksResolution(r) && plainScan(r); }));
  t += marksTable("0.5 to 0.6 mm, everything", chosen(records, atTheMarksResolution));
  t += marksTable("All scans", chosen(records, [](const Record&) { return true; }));

  t += "## Intervals\n\nShare of true errors inside the stated 95 % interval, and the errors themselves; of all rays, "
       "and of "
       "those alone that truly moved (by 0.1 mm or more).\n\n| | position | turn | mm | degrees "
       "|\n|---|---|---|---|---|\n";
  const Figures all = figuresOf(chosen(records, [](const Record&) { return true; }));
  const auto interval_row = [](const std::string& name, const Coverage& mm, const Coverage& deg, const Spread& base,
                               const Spread& pose) {
    return fmt::format("| {} | {} ({}/{}) | {} ({}/{}) | {} | {} |\n", name, percent(mm), mm.inside, mm.count,
                       percent(deg), deg.inside, deg.count, meanWorst(base, 2), meanWorst(pose, 1));
  };
  for (const char* method : {kMirror, kAlone}) {
    const char* name = method == kMirror ? "with the other foot" : "without it";
    t += interval_row(name, of(all.inside_mm, method), of(all.inside_deg, method), of(all.base, method),
                      of(all.pose, method));
    t += interval_row(fmt::format("{}, moved rays", name), of(all.moved_inside_mm, method),
                      of(all.moved_inside_deg, method), of(all.moved_base, method), of(all.moved_pose, method));
  }

  t += fmt::format(
      "\n## By factor\n\nEvery run counts once in each factor; the factors were dealt independently, so a level's row "
      "holds the others mixed.\n\n{}",
      kLevelHeader);
  const auto field = [](const char* name) { return [name](const Record& r) { return level(r["case"][name]); }; };
  t += factorRows("foot", records, field("foot"));
  t += factorRows("injury", records, [](const Record& r) {
    const std::string injury = r["case"]["injury"];
    return injury.substr(0, injury.find(':'));
  });
  t += factorRows("other foot", records, field("other"));
  t += factorRows("pixel", records, field("pixel_mm"));
  t += factorRows("slice", records, field("slice_mm"));
  t += factorRows("noise", records, field("noise_hu"));
  t += factorRows("density", records, field("density"));
  t += factorRows("kernel", records, field("kernel"));
  t += factorRows("scanner", records, [](const Record& r) {
    for (const Record& angle : r["case"]["orientation_deg"])
      if (angle != 0) return "turned";
    return "straight";
  });
  t += factorRows("in the way:", records, [](const Record& r) {
    const std::string hindrance = r["case"]["hindrance"];
    return hindrance.rfind("fragment", 0) == 0 || hindrance.rfind("staple", 0) == 0
               ? hindrance
               : hindrance.substr(0, hindrance.find(' '));
  });

  t += fragmentTable(records);
  t += "\n## Worst cases\n\n" + worstCases(records);
  std::string failures;
  for (const Record& r : records) {
    const std::string key = r["key"];
    if (!r["failure"].is_null()) {
      failures += fmt::format("- `{}`: {}\n", key, r["failure"].get<std::string>());
      continue;
    }
    std::vector<std::string> troubles;
    if (const auto missed = missedBones(r); !missed.empty())
      troubles.push_back(fmt::format("bones not right: {}", joined(missed)));
    if (!r["patterns"]["right"].get<bool>())
      troubles.push_back(
          fmt::format("patterns {} for {}", r["patterns"]["found"].dump(), r["patterns"]["expected"].dump()));
    if (!r["truly_injured"].get<bool>() && r["called_injured"].get<bool>()) troubles.emplace_back("called injured");
    if ((r["method"] == kMirror) != (r["case"]["other"] != "alone"))
      troubles.emplace_back(r["method"] == kMirror ? "reduced by another foot that is not there"
                                                   : "the other foot was not used");
    if (r["exit"] == 4) troubles.emplace_back("exit 4");
    std::string line;
    for (const auto& trouble : troubles) line += fmt::format("{}{}", line.empty() ? "" : "; ", trouble);
    if (!line.empty()) failures += fmt::format("- `{}`: {}\n", key, line);
  }
  if (!failures.empty()) t += "## Failures\n\n" + failures + "\n";
  t += std::string("## Every run\n\n") + kRowHeader;
  for (const Record& r : records) t += rowOf(r);
  return t;
}

}  // namespace rayset::accuracy
