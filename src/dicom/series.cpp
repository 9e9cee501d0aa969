#include "dicom/series.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <functional>
#include <map>
#include <set>
#include <tuple>

#include "base/words.h"
#include "dicom/attributes.h"
#include "dicom/text.h"

namespace rayset::dicom {
namespace {

std::vector<std::string> words(const std::string& text) {
  std::vector<std::string> out;
  std::string word;
  for (const char c : lower(text)) {
    if (std::isalnum(static_cast<unsigned char>(c)) || static_cast<unsigned char>(c) >= 0x80 || c == '+') {
      word += c;
    } else if (!word.empty()) {
      out.push_back(std::move(word));
      word.clear();
    }
  }
  if (!word.empty()) out.push_back(std::move(word));
  return out;
}

bool oneOf(const std::string& word, std::initializer_list<const char*> list) {
  return std::any_of(list.begin(), list.end(), [&](const char* w) { return word == w; });
}

}  // namespace

Sharpness sharpnessOf(const std::string& kernel, const std::string& kernel_group, const std::string& description) {
  // Convolution Kernel Group (C.8.15.3.11) says so explicitly.
  const std::string group = lower(kernel_group);
  if (group == "bone") return Sharpness::kBone;
  if (group == "soft_tissue" || group == "brain") return Sharpness::kSoft;
  // Kernel names of the scanner makers, from memory: letters and a number whose tens rise with sharpness (B30f soft,
  // B70s bone, Br59); words (BONE, EDGE, STANDARD); FC and a number (FC30 to FC39 and FC80, 81 bone); single letters.
  for (const std::string& value : splitValues(kernel)) {
    for (const std::string& word : words(value)) {
      if (oneOf(word, {"bone", "boneplus", "bone+", "edge", "ultra", "detail", "sharp", "yc", "yd", "ye"}))
        return Sharpness::kBone;
      if (oneOf(word, {"standard", "soft", "stnd", "std", "chest", "lung", "smooth", "a", "b", "ya", "yb"}))
        return Sharpness::kSoft;
      std::size_t letters = 0;
      while (letters < word.size() && std::isalpha(static_cast<unsigned char>(word[letters]))) ++letters;
      std::size_t digits = letters;
      while (digits < word.size() && std::isdigit(static_cast<unsigned char>(word[digits]))) ++digits;
      const std::string head = word.substr(0, letters);
      if (digits - letters != 2 || letters == 0) continue;
      const int number = std::stoi(word.substr(letters, 2));
      if (head == "fc") {
        if ((number >= 30 && number < 40) || number == 80 || number == 81) return Sharpness::kBone;
        return Sharpness::kSoft;
      }
      if (letters <= 2) return number >= 50 ? Sharpness::kBone : Sharpness::kSoft;
    }
  }
  for (const std::string& word : words(description)) {
    if (oneOf(word, {"bone",  "bones", "knochen", "os",  "osseux",  "osseuse", "hueso", "oseo", "osso",     "ossea",
                     "osteo", "bot",   "luu",     "ben", "skelett", "sharp",   "uhr",   "edge", "boneplus", "kn"}))
      return Sharpness::kBone;
    if (word.starts_with("knoch")) return Sharpness::kBone;
  }
  for (const std::string& word : words(description))
    if (oneOf(word, {"soft", "st", "weichteil", "weichteile", "wt", "standard", "std", "mou", "mous", "blando", "molli",
                     "smooth"}))
      return Sharpness::kSoft;
  return Sharpness::kUnknown;
}

namespace {

/// Image Type (C.8.2.1.1.1) of pictures computed from other pictures: reformats, averages.
bool isReformatted(const std::string& image_type) {
  bool derived = false;
  for (const std::string& value : splitValues(image_type)) {
    const std::string word = lower(value);
    if (word == "mpr" || word == "reformatted" || word == "average" || word == "csa mpr" ||
        word.find("resampled") != std::string::npos)
      return true;
    derived = derived || word == "derived";
  }
  return derived;
}

bool sameStack(const FrameHeader& a, const FrameHeader& b, const std::vector<ScanFile>& files) {
  const ScanFile& fa = files[static_cast<std::size_t>(a.file)];
  const ScanFile& fb = files[static_cast<std::size_t>(b.file)];
  const auto close = [](double x, double y) { return std::abs(x - y) <= 1e-3 * std::max(x, y); };
  constexpr double kSameDirection = 1 - 1e-5;  // about a quarter of a degree; ours
  return fa.enhanced == fb.enhanced && fa.frame_of_reference_uid == fb.frame_of_reference_uid && a.rows == b.rows &&
         a.columns == b.columns && close(a.row_spacing, b.row_spacing) && close(a.column_spacing, b.column_spacing) &&
         a.row_direction.dot(b.row_direction) > kSameDirection &&
         a.column_direction.dot(b.column_direction) > kSameDirection;
}

std::string describeOrientation(const FrameHeader& f) {
  const Vec3 n = f.row_direction.cross(f.column_direction).cwiseAbs();
  if (n.z() > 0.9) return "axial";
  if (n.y() > 0.9) return "coronal";
  if (n.x() > 0.9) return "sagittal";
  return "oblique";
}

Stack makeStack(int series, std::vector<FrameHeader> frames, const std::vector<ScanFile>& files, std::string part) {
  Stack stack;
  stack.series = series;
  stack.part = std::move(part);
  for (const FrameHeader& f : frames) stack.names.push_back(frameName(files[static_cast<std::size_t>(f.file)], f));
  stack.plan = planStack(frames, stack.names);
  stack.frames = std::move(frames);
  return stack;
}

/// Extent of a stack along its normal.
double extent(const std::vector<FrameHeader>& frames) {
  const Vec3 n = frames.front().row_direction.cross(frames.front().column_direction);
  double low = frames.front().position.dot(n), high = low;
  for (const FrameHeader& f : frames) {
    low = std::min(low, f.position.dot(n));
    high = std::max(high, f.position.dot(n));
  }
  return high - low;
}

/// One cluster of similar frames: one stack, or several if acquisitions, phases or reconstructions share positions.
std::vector<Stack> splitCluster(int series, std::vector<FrameHeader> frames, const std::vector<ScanFile>& files,
                                const std::string& part) {
  std::vector<Stack> whole;
  whole.push_back(makeStack(series, frames, files, part));
  // A valid stack is split only if every part is a valid stack too: two acquisitions with interleaved slices would
  // otherwise be mixed into one volume.
  const auto inOrder = [](const Stack& stack) {
    return stack.plan && stack.plan->duplicates.empty() && !stack.plan->uneven &&
           stack.plan->layers == static_cast<int>(stack.plan->slices.size());
  };
  const bool whole_in_order = inOrder(whole.front());

  struct Key {
    const char* name;
    std::function<std::string(const FrameHeader&)> value;
  };
  const FrameHeader base = frames.front();
  const std::vector<Key> keys{
      {"acquisition", [](const FrameHeader& f) { return f.acquisition; }},
      {"stack", [](const FrameHeader& f) { return f.stack; }},
      {"phase", [](const FrameHeader& f) { return f.phase; }},
      {"kernel", [](const FrameHeader& f) { return f.kernel; }},
      {"image type", [](const FrameHeader& f) { return f.image_type; }},
      {"object",
       [&](const FrameHeader& f) {
         const ScanFile& file = files[static_cast<std::size_t>(f.file)];
         return file.enhanced ? file.sop_instance_uid : std::string();
       }},
      // verbatim: DICOM
      {"field of view at",
       [&](const FrameHeader& f) {
         const Vec3 d = f.position - base.position;
         return fmt::format("{:.0f}, {:.0f} mm", d.dot(base.row_direction), d.dot(base.column_direction));
       }},
  };
  for (const Key& k : keys) {
    std::map<std::string, std::vector<FrameHeader>> groups;
    for (const FrameHeader& f : frames) groups[k.value(f)].push_back(f);
    if (groups.size() < 2) continue;
    std::vector<Stack> parts;
    double reach = 0;
    bool usable = false, clean = true, in_order = true;
    for (auto& [value, group] : groups) {
      reach += extent(group);
      std::string name = fmt::format("{} {}", k.name, toUtf8(value, ""));
      if (!part.empty()) name = part + ", " + name;
      parts.push_back(makeStack(series, std::move(group), files, std::move(name)));
      usable = usable || parts.back().plan;
      clean = clean && (!parts.back().plan || parts.back().plan->duplicates.empty());
      in_order = in_order && inOrder(parts.back());
    }
    // Consecutive parts are not two pictures of the same foot: a gap between them stays a gap.
    if (whole_in_order && !in_order) continue;
    if (usable && clean && reach > 1.2 * extent(frames)) return parts;
  }
  return whole;
}

Message nameOf(const Series& s, const std::string& part = {}) {
  return {"dicom.series_named",
          {{"numbered", s.number.empty() ? "no" : "yes"},
           {"number", s.number},
           {"described", s.description.empty() ? "no" : "yes"},
           {"description", s.description},
           {"divided", part.empty() ? "no" : "yes"},
           {"part", part}}};
}

Quantity apart(const Stack& stack) { return mm(stack.spacing, -3); }

List listSeries(const SortedScan& scan) {
  std::vector<Message> lines;
  for (std::size_t i = 0; i < scan.series.size(); ++i) {
    std::vector<Message> stacks;
    for (const Stack& stack : scan.stacks)
      if (stack.series == static_cast<int>(i) && stack.plan)
        stacks.push_back({"dicom.stack_listed",
                          {{"divided", stack.part.empty() ? "no" : "yes"},
                           {"part", stack.part},
                           {"slices", stack.plan->slices.size()},
                           {"apart", apart(stack)}}});
    if (stacks.empty()) stacks.emplace_back("dicom.cannot_be_planned_from");
    lines.push_back({"dicom.series_listed",
                     {{"series", nameOf(scan.series[i])}, {"uid", scan.series[i].uid}, {"stacks", each(stacks)}}});
  }
  return each(lines);
}

Message describe(const SortedScan& scan, const Stack& stack) {
  return {"dicom.stack_described",
          {{"series", nameOf(scan.series[static_cast<std::size_t>(stack.series)], stack.part)},
           {"kind", stack.bone   ? "bone"
                    : stack.soft ? "soft"
                                 : "unknown"},
           {"kernel_told", stack.kernel.empty() ? "no" : "yes"},
           {"kernel", stack.kernel},
           {"slices", stack.plan ? stack.plan->slices.size() : stack.frames.size()},
           {"apart", apart(stack)}}};
}

bool footLike(const std::string& body_part) {
  for (const std::string& word : words(body_part))
    if (oneOf(word, {"foot", "feet", "ankle", "toe", "calcaneus", "extremity", "lowerextremity", "leg", "lowlimb",
                     "lowerlimb", "limb"}))
      return true;
  return false;
}

}  // namespace

SortedScan sortIntoStacks(const std::vector<ScanFile>& files) {
  SortedScan scan;
  std::map<std::string, std::vector<int>> by_uid;
  for (std::size_t i = 0; i < files.size(); ++i)
    if (files[i].kind == ScanFile::Kind::kCt) by_uid[files[i].series_uid].push_back(static_cast<int>(i));

  std::vector<std::pair<Series, std::vector<int>>> ordered;
  for (auto& [uid, members] : by_uid) {
    const ScanFile& f = files[static_cast<std::size_t>(members.front())];
    Series s;
    s.uid = uid;
    s.number = toUtf8(f.series_number, "");
    s.description = toUtf8(f.series_description, f.character_set);
    s.body_part = toUtf8(f.body_part, f.character_set);
    s.patient =
        f.patient_id.empty() ? toUtf8(f.patient_name, f.character_set, "^=") : toUtf8(f.patient_id, f.character_set);
    s.files = members;
    for (const int m : members) {
      const ScanFile& file = files[static_cast<std::size_t>(m)];
      if (file.defect) s.defects.push_back(*file.defect);
      if (file.patient_id != f.patient_id)
        s.defects.push_back(Error{Fault::kImages,
                                  {"dicom.two_patients_in_series",
                                   {{"first", toUtf8(f.patient_id, f.character_set)},
                                    {"second", toUtf8(file.patient_id, file.character_set)}}},
                                  file.name + ", " + label(attr::kPatientId),
                                  "dicom.find_out_whose"});
    }
    ordered.emplace_back(std::move(s), members);
  }
  std::stable_sort(ordered.begin(), ordered.end(), [](const auto& a, const auto& b) {
    const auto number = [](const Series& s) { return parseInteger(s.number).value_or(1000000000); };
    return std::make_tuple(number(a.first), a.first.uid) < std::make_tuple(number(b.first), b.first.uid);
  });

  for (auto& [series, members] : ordered) {
    const int index = static_cast<int>(scan.series.size());
    scan.series.push_back(series);
    std::vector<std::vector<FrameHeader>> clusters;
    for (const int m : members) {
      for (FrameHeader f : files[static_cast<std::size_t>(m)].frames) {
        f.file = m;
        const auto home = std::find_if(clusters.rbegin(), clusters.rend(),
                                       [&](const auto& c) { return sameStack(c.front(), f, files); });
        if (home == clusters.rend())
          clusters.push_back({std::move(f)});
        else
          home->push_back(std::move(f));
      }
    }
    for (auto& cluster : clusters) {
      const FrameHeader& f = cluster.front();
      const std::string part = clusters.size() < 2 ? ""
                                                   : fmt::format("{} {} x {} of {:.3g} mm", describeOrientation(f),
                                                                 f.columns, f.rows, f.column_spacing);
      for (Stack& stack : splitCluster(index, std::move(cluster), files, part)) scan.stacks.push_back(std::move(stack));
    }
    if (clusters.empty()) {
      Stack empty;  // every file is defective
      empty.series = index;
      scan.stacks.push_back(std::move(empty));
    }
  }

  for (Stack& stack : scan.stacks) {
    const Series& series = scan.series[static_cast<std::size_t>(stack.series)];
    if (!series.defects.empty()) {
      Error error = series.defects.front();
      if (series.defects.size() > 1)
        error.what = {"dicom.and_more_faults", {{"what", error.what}, {"count", series.defects.size() - 1}}};
      stack.plan = tl::unexpected(std::move(error));
    }
    if (stack.frames.empty()) continue;
    const FrameHeader& f = stack.frames.front();
    const ScanFile& file = files[static_cast<std::size_t>(f.file)];
    stack.kernel = toUtf8(f.kernel, file.character_set);
    std::replace(stack.kernel.begin(), stack.kernel.end(), '\\', ' ');
    const Sharpness sharpness = sharpnessOf(stack.kernel, f.kernel_group, series.description);
    stack.bone = sharpness == Sharpness::kBone;
    stack.soft = sharpness == Sharpness::kSoft;
    stack.reformatted = isReformatted(f.image_type);
    stack.pixel = std::max(f.row_spacing, f.column_spacing);
    if (stack.plan) {
      stack.spacing = stack.plan->grid.spacing.z();
      stack.coverage = stack.spacing * (stack.plan->layers - 1);
      stack.slab = std::max(stack.spacing, f.thickness);
    }
  }
  return scan;
}

Result<Choice> chooseStack(const SortedScan& scan, const std::string& wanted) {
  Choice choice;
  std::vector<int> pool;
  const auto stackAt = [&](int i) -> const Stack& { return scan.stacks[static_cast<std::size_t>(i)]; };
  const auto seriesOf = [&](int i) -> const Series& {
    return scan.series[static_cast<std::size_t>(stackAt(i).series)];
  };

  if (!wanted.empty()) {
    std::vector<int> match;
    const std::string low = lower(trimmed(wanted));
    const auto collect = [&](const std::function<bool(const Series&)>& test) {
      if (!match.empty()) return;
      for (std::size_t i = 0; i < scan.series.size(); ++i)
        if (test(scan.series[i])) match.push_back(static_cast<int>(i));
    };
    collect([&](const Series& s) { return lower(s.uid) == low; });
    collect([&](const Series& s) { return s.number == trimmed(wanted); });
    collect([&](const Series& s) { return lower(s.description) == low; });
    collect([&](const Series& s) { return !low.empty() && lower(s.description).find(low) != std::string::npos; });
    // "4/acquisition 2": one of several stacks of a series.
    std::string part;
    if (const auto slash = low.rfind('/'); match.empty() && slash != std::string::npos) {
      const std::string head = trimmed(low.substr(0, slash));
      part = trimmed(low.substr(slash + 1));
      collect(
          [&](const Series& s) { return lower(s.uid) == head || s.number == head || lower(s.description) == head; });
    }
    if (match.empty())
      return fail(Fault::kRequest, {"dicom.no_such_series", {{"wanted", wanted}}}, "--series",
                  {"dicom.there_is", {{"series", listSeries(scan)}}});
    if (match.size() > 1)
      return fail(Fault::kRequest, {"dicom.fits_several_series", {{"wanted", wanted}, {"count", match.size()}}},
                  "--series", {"dicom.give_uid_of_one", {{"series", listSeries(scan)}}});
    for (std::size_t i = 0; i < scan.stacks.size(); ++i)
      if (scan.stacks[i].series == match.front() && (part.empty() || lower(scan.stacks[i].part) == part))
        pool.push_back(static_cast<int>(i));
    if (pool.empty())
      return fail(Fault::kRequest, {"dicom.no_such_part", {{"part", part}}}, "--series",
                  {"dicom.there_is", {{"series", listSeries(scan)}}});
  } else {
    for (std::size_t i = 0; i < scan.stacks.size(); ++i) pool.push_back(static_cast<int>(i));
  }

  std::vector<int> usable;
  for (const int i : pool)
    if (stackAt(i).plan) usable.push_back(i);
  if (usable.empty()) {
    // The message is that of the stack with the most slices: the one that was meant.
    int largest = pool.front();
    for (const int i : pool)
      if (stackAt(i).frames.size() > stackAt(largest).frames.size()) largest = i;
    Error error = stackAt(largest).plan.error();
    if (pool.size() > 1)
      error.what = {"dicom.none_of_the_series",
                    {{"count", pool.size()}, {"series", nameOf(seriesOf(largest))}, {"what", error.what}}};
    return tl::unexpected(std::move(error));
  }
  if (wanted.empty()) {
    std::set<std::string> patients;
    for (const int i : usable) patients.insert(seriesOf(i).patient);
    if (patients.size() > 1)
      return fail(Fault::kImages,
                  {"dicom.several_patients",
                   {{"count", patients.size()}, {"patients", fmt::format("{}", fmt::join(patients, ", "))}}},
                  label(attr::kPatientId), {"dicom.keep_one_patient", {{"series", listSeries(scan)}}});
  }

  // The thinnest bone series: of those that reach far enough, a bone kernel is preferred as long as it is not much
  // thicker than the thinnest there is. The numbers are ours.
  double reach = 0;
  for (const int i : usable) reach = std::max(reach, stackAt(i).coverage);
  const bool any_foot =
      std::any_of(usable.begin(), usable.end(), [&](int i) { return footLike(seriesOf(i).body_part); });
  const auto covers = [&](int i) { return stackAt(i).coverage >= std::min(100.0, 0.6 * reach); };
  const auto elsewhere = [&](int i) {
    return any_foot && !seriesOf(i).body_part.empty() && !footLike(seriesOf(i).body_part);
  };
  double thinnest = 1e9;
  for (const int i : usable)
    if (covers(i) && !elsewhere(i)) thinnest = std::min(thinnest, stackAt(i).slab);
  const auto rank = [&](int i) {
    const Stack& s = stackAt(i);
    const bool thin = s.slab <= std::max(1.0, 1.5 * thinnest) + 1e-6;
    const int kind = s.bone && thin ? 0 : 1;
    const auto hundredths = [](double mm) { return std::lround(mm * 100); };
    return std::make_tuple(elsewhere(i) ? 1 : 0, covers(i) ? 0 : 1, kind, thin ? 0 : 1, s.reformatted ? 1 : 0,
                           hundredths(s.slab), s.soft ? 1 : 0, hundredths(s.pixel), -std::lround(s.coverage), i);
  };
  choice.stack = *std::min_element(usable.begin(), usable.end(), [&](int a, int b) { return rank(a) < rank(b); });

  const Stack& chosen = stackAt(choice.stack);
  if (pool.size() > 1) {
    std::vector<Message> others, unusable;
    for (const int i : pool) {
      if (i == choice.stack) continue;
      if (stackAt(i).plan)
        others.push_back(describe(scan, stackAt(i)));
      else
        unusable.push_back({"dicom.unusable_because",
                            {{"series", nameOf(seriesOf(i), stackAt(i).part)}, {"why", stackAt(i).plan.error().what}}});
    }
    choice.notes.push_back({"dicom.series_used",
                            {{"stack", capitalised(describe(scan, chosen))},
                             {"why", !wanted.empty() ? "asked"
                                     : chosen.bone   ? "bone"
                                                     : "thin"},
                             {"count", others.size()},
                             {"others", each(others)}}});
    if (unusable.size() > 6) {
      const std::size_t more = unusable.size() - 6;
      unusable.resize(6);
      unusable.push_back({"dicom.more", {{"more", more}}});
    }
    if (!unusable.empty()) choice.notes.push_back({"dicom.not_usable", {{"unusable", each(unusable)}}});
  }
  if (chosen.soft && wanted.empty())
    choice.notes.push_back(
        {"dicom.soft_tissue_series", {{"told", chosen.kernel.empty() ? "no" : "yes"}, {"kernel", chosen.kernel}}});
  return choice;
}

}  // namespace rayset::dicom
