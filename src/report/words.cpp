#include "report/words.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "anatomy/part_id.h"
#include "base/units.h"
#include "base/words.h"
#include "case/open_questions.h"
#include "geometry/side.h"
#include "injury/shift_words.h"

namespace rayset::words {
namespace {

constexpr const char* kCommonPractice = "common practice, no source";

// Lines to look for under the C-arm, by ray (Radiopaedia, Wheeless).
struct ViewRule {
  const char* text;
  const char* source;
};
ViewRule viewRule(Ray ray) {
  switch (ray.number()) {
    case 1:
      return {"dorsoplantar view: lateral border of the M1 base in line with the lateral border of C1",
              "Radiopaedia, “Lisfranc injury – an approach”"};
    case 2:
      return {"dorsoplantar view: medial border of the M2 base in line with the medial border of C2",
              "Wheeless, “Anatomy and radiographs of the midfoot”; Radiopaedia"};
    case 3:
      return {"30° oblique view: border of the M3 base in line with that of C3 (sources differ on medial or lateral)",
              "maimonidesem.org; clinicalgate"};
    case 4:
      return {"30° oblique view: medial border of the M4 base in line with the medial border of the cuboid",
              "Radiopaedia, “Lisfranc injury – an approach”"};
    default:
      return {"30° oblique view: no step between M5 and the cuboid (no published line)", kCommonPractice};
  }
}

const ImplantType* typeOf(const Case& c, const Device& d) { return c.catalogue.find(d.type); }

/// " (next sizes 34 and 38 mm)"
std::string sizesBeside(const Case& c, const Device& d) {
  const ImplantType* type = typeOf(c, d);
  if (type == nullptr) return {};
  std::vector<std::string> sizes;
  double below = 0, above = 0;
  for (const double length : type->lengths_mm) {
    if (length < d.length_mm - 1e-6) below = std::max(below, length);
    if (length > d.length_mm + 1e-6 && (above == 0 || length < above)) above = length;
  }
  if (below > 0) sizes.push_back(number(below, 0));
  if (above > 0) sizes.push_back(number(above, 0));
  if (sizes.empty()) return {};
  return (sizes.size() == 1 ? " (next size " : " (next sizes ") + listed(sizes) + " mm)";
}

std::vector<const Device*> devicesOf(const Case& c, Ray ray, DeviceStage stage) {
  std::vector<const Device*> out;
  for (const Device& d : c.fixation.devices)
    if (d.ray == ray && d.stage == stage) out.push_back(&d);
  return out;
}

const RayReduction* reductionOf(const Case& c, Ray ray) { return find(c.reduction.rays, ray); }

std::string rayName(Ray ray) { return std::string(ordinal(ray)) + " ray"; }

std::string idOf(Bone bone) { return std::string(boneId(bone)); }

std::vector<Ray> orderOf(const Case& c) {
  std::vector<Ray> order;
  for (const Ray ray : c.reduction.order)
    if (std::find(order.begin(), order.end(), ray) == order.end()) order.push_back(ray);
  for (const Ray ray : kRays)
    if (std::find(order.begin(), order.end(), ray) == order.end()) order.push_back(ray);
  return order;
}

}  // namespace

std::string number(double value, int decimals) {
  if (!std::isfinite(value)) return "–";
  std::string text = fmt::format("{:.{}f}", std::abs(value), decimals);
  const bool zero = text.find_first_not_of("0.") == std::string::npos;
  return (value < 0 && !zero ? "−" : "") + text;
}
std::string signedNumber(double value, int decimals) {
  const std::string text = number(value, decimals);
  const bool zero = text.find_first_not_of("0.") == std::string::npos;
  return value > 0 && !zero ? "+" + text : text;
}
std::string mm(double value, int decimals) { return number(value, decimals) + " mm"; }
std::string degrees(double radians, int decimals) { return number(toDegrees(radians), decimals) + "°"; }

std::string personName(const std::string& dicom) {
  // Only the first of up to three component groups (alphabetic, ideographic, phonetic) is rearranged; the others follow
  // in brackets as written.
  std::vector<std::string> groups(1);
  for (const char ch : dicom) {
    if (ch == '=') {
      groups.emplace_back();
    } else {
      groups.back() += ch;
    }
  }
  const auto arranged = [](const std::string& group, bool ideographic) {
    std::vector<std::string> parts(1);
    for (const char ch : group) {
      if (ch == '^') {
        parts.emplace_back();
      } else {
        parts.back() += ch;
      }
    }
    parts.resize(5);
    for (std::string& p : parts) {
      while (!p.empty() && p.back() == ' ') p.pop_back();
      while (!p.empty() && p.front() == ' ') p.erase(p.begin());
    }
    std::string given;
    for (const std::size_t k : {3U, 1U, 2U, 4U}) {
      if (parts[k].empty()) continue;
      if (!given.empty()) given += ' ';
      given += parts[k];
    }
    if (given.empty()) return parts[0];
    if (parts[0].empty()) return given;
    return parts[0] + (ideographic ? " " : ", ") + given;
  };
  std::string out = arranged(groups[0], false);
  for (std::size_t g = 1; g < groups.size() && g < 3; ++g) {
    const std::string more = arranged(groups[g], true);
    if (more.empty()) continue;
    out += out.empty() ? more : " (" + more + ")";
  }
  return out;
}

RayState state(const Case& c, Ray ray) {
  const RayDisplacement* d = find(c.rays, ray);
  return d != nullptr ? state(*d) : RayState::kUnknown;
}

RayState state(const RayDisplacement& d) {
  if (!d.told) return RayState::kUntold;
  return d.displaced ? RayState::kDisplaced : RayState::kInPlace;
}

std::string word(RayState s) {
  switch (s) {
    case RayState::kDisplaced:
      return "displaced";
    case RayState::kInPlace:
      return "in place";
    case RayState::kUntold:
      return std::string(kCannotBeTold);
    case RayState::kUnknown:
      break;
  }
  return "not judged";
}

std::string marked(RayState s) {
  const char* sign = s == RayState::kDisplaced ? "▲ "
                     : s == RayState::kInPlace ? "● "
                     : s == RayState::kUntold  ? "◊ "
                                               : "? ";
  return sign + word(s);
}

std::vector<Ray> raysIn(const Case& c, RayState wanted) {
  std::vector<Ray> out;
  for (const Ray ray : kRays)
    if (state(c, ray) == wanted) out.push_back(ray);
  return out;
}

std::string shift(const RayDisplacement& d, double least_mm) { return listed(shiftParts(d, least_mm)); }

std::string turn(const RayDisplacement& d, double least_rad) {
  std::vector<std::string> parts;
  const auto add = [&](double angle, const char* positive, const char* negative) {
    if (std::abs(angle) >= least_rad)
      parts.push_back(degrees(std::abs(angle)) + " " + (angle >= 0 ? positive : negative));
  };
  add(d.abduction_rad, "outward (abduction)", "inward (adduction)");
  add(d.plantarflexion_rad, "down (plantarflexion)", "up (dorsiflexion)");
  add(d.pronation_rad, "of roll inward (pronation)", "of roll outward (supination)");
  return parts.empty() ? std::string() : "turned " + listed(parts);
}

namespace {
std::string rayList(const std::vector<Ray>& rays) {
  std::vector<std::string> names;
  for (const Ray ray : rays) names.emplace_back(ordinal(ray));
  return listed(names) + (rays.size() == 1 ? " ray" : " rays");
}
}  // namespace

bool putBack(const Case& c, Ray ray) {
  const RayReduction* r = reductionOf(c, ray);
  return r != nullptr && r->injured_to_reduced.matrix() != Rigid::Identity().matrix();
}

std::string columns(const Case& c) {
  std::vector<std::string> sure, untold;
  for (const Column& column : kColumns) {
    const auto any = [&](RayState s) {
      return std::ranges::any_of(kRays, [&](Ray ray) { return column.has(ray) && state(c, ray) == s; });
    };
    if (any(RayState::kDisplaced))
      sure.emplace_back(column.name);
    else if (any(RayState::kUntold))
      untold.emplace_back(column.name);
  }
  if (untold.empty()) return sure.empty() ? "none" : listed(sure);
  return (sure.empty() ? "" : listed(sure) + "; ") + "of the " + listed(untold) + " it " + std::string(kCannotBeTold);
}

Finding finding(const Case& c) {
  Finding f;
  const std::vector<Ray> displaced = raysIn(c, RayState::kDisplaced), unknown = raysIn(c, RayState::kUnknown),
                         in_place = raysIn(c, RayState::kInPlace), untold = raysIn(c, RayState::kUntold);
  const std::string foot = sideWord(c.side) + " foot";
  if (displaced.empty() && (!in_place.empty() || untold.empty())) {
    f.headline = in_place.empty()
                     ? "No ray of the " + foot + " could be judged."
                     : "No displaced ray was found in the " + foot + ": no base that could be judged stands " +
                           mm(kDisplacedFromMm) + " or more lateral, medial, dorsal or plantar of its place.";
  } else if (displaced.size() == 5) {
    f.headline = "All five rays of the " + foot + " are displaced at the tarsometatarsal joints.";
  } else if (!displaced.empty()) {
    f.headline = "The " + rayList(displaced) + " of the " + foot + (displaced.size() == 1 ? " is" : " are") +
                 " displaced at the tarsometatarsal " + (displaced.size() == 1 ? "joint" : "joints") + ".";
    if (!in_place.empty())
      f.headline += " The " + rayList(in_place) + (in_place.size() == 1 ? " is" : " are") + " in place (less than " +
                    mm(kDisplacedFromMm) + ").";
  }
  if (!untold.empty())
    f.headline +=
        (f.headline.empty() ? "Of the " + rayList(untold) + " of the " + foot : " Of the " + rayList(untold)) +
        " it cannot be told whether " + (untold.size() == 1 ? "it is" : "they are") + " displaced.";
  for (const Ray ray : displaced) {
    const RayDisplacement& d = c.rays.at(ray);
    std::string line = capitalised(rayName(ray)) + ": the base of " + idOf(metatarsal(ray)) + " stands ";
    const std::string way = shift(d);
    line += way.empty() ? mm(d.asideMm()) + " out of place" : way + " of where it belongs";
    const std::string turned = turn(d);
    line += turned.empty() ? "; it is not turned by 1° or more." : "; the bone is " + turned + ".";
    f.rays.push_back(line);
  }
  for (const auto& [id, piece] : c.fragments) {
    const Vec3 centre = centroid(piece.bone.surface);
    std::string line =
        "The base of M2 is broken: its piece " + id + " (" + number(piece.bone.volume_mm3 / 1000) + " cm³) stands ";
    if (piece.fit.doubt.empty())
      line += mm((piece.fit.injured_to_bone * centre - centre).norm()) + " from its place on the bone, turned by " +
              number(toDegrees(rotationAngle(piece.fit.injured_to_bone.linear())), 0) + "°.";
    else
      line += "where its place on the bone could not be found (see the cautions).";
    f.rays.push_back(line);
  }
  for (const Fleck& fleck : c.flecks)
    f.rays.push_back("A fleck of bone of about " + number(fleck.volume_mm3, 0) +
                     " mm³ lies between the medial cuneiform and the base of M2: the ligament between them may have "
                     "torn it off.");
  for (const Ray ray : unknown) {
    std::vector<std::string> missing;
    for (const Bone bone : {metatarsal(ray), tarsalPartner(ray)})
      if (!c.injured.contains(bone)) missing.push_back(idOf(bone) + " (" + std::string(boneName(bone)) + ")");
    f.unknown.push_back(capitalised(rayName(ray)) + ": could not be judged" +
                        (missing.empty() ? " (see the cautions)."
                                         : ", because " + listed(missing) + (missing.size() == 1 ? " was" : " were") +
                                               " not found in the images."));
  }
  return f;
}

std::string otherFoot(const Case& c) {
  if (c.other_foot.empty()) return "none";
  return c.other_foot == "same scan" ? "in the same scan" : c.other_foot;
}

std::vector<std::string> method(const Case& c) {
  std::vector<std::string> out;
  if (c.reduction.method == ReductionMethod::kContralateral) {
    out.push_back("Where each ray belongs was taken from the other foot (" + otherFoot(c) +
                  "): its mirror image was laid on the uninjured tarsus, then each metatarsal on its mirrored twin.");
    if (c.reduction.mirror_residual_mm > 0)
      out.push_back("Mirrored and injured tarsus agree to " + mm(c.reduction.mirror_residual_mm) +
                    " (root mean square).");
  } else {
    out.push_back(std::string("Where each ray belongs was found from the fit of the joints themselves") +
                  (c.other_foot.empty() ? ", because no other foot was given" : "") +
                  ": even gaps, no overlap, covered joint faces.");
  }
  double least_mm = 1e9, most_mm = -1, least_rad = 1e9, most_rad = -1;
  for (const auto& [ray, r] : c.reduction.rays) {
    if (r.by_hand) continue;
    least_mm = std::min(least_mm, r.uncertainty_mm);
    most_mm = std::max(most_mm, r.uncertainty_mm);
    least_rad = std::min(least_rad, r.uncertainty_rad);
    most_rad = std::max(most_rad, r.uncertainty_rad);
  }
  if (most_mm >= 0) {
    const auto range = [](const std::string& low, const std::string& high, const char* unit) {
      return low == high ? "±" + low + unit : "±" + low + " to ±" + high + unit;
    };
    out.push_back("Confidence: the planned place of a base is known to " +
                  range(number(least_mm), number(most_mm), " mm") + ", its turn to " +
                  range(number(toDegrees(least_rad)), number(toDegrees(most_rad)), "°") +
                  " (half-width of a 95 % interval, estimated by the program; by ray on the ray board).");
  }
  return out;
}

KnownAxes axesOf(const Case& c) {
  std::vector<Bone> bones;
  for (const auto& [ray, r] : c.reduction.rays)
    if (c.injured.contains(metatarsal(ray))) bones.push_back(metatarsal(ray));
  std::vector<MetatarsalAxis> found(bones.size());
  tbb::parallel_for(std::size_t{0}, bones.size(), [&](std::size_t i) { found[i] = axisOf(c, bones[i], {}); });
  KnownAxes axes;
  for (std::size_t i = 0; i < bones.size(); ++i) axes[bones[i]] = found[i];
  return axes;
}

MetatarsalAxis axisOf(const Case& c, Bone metatarsal, const KnownAxes& known) {
  const auto at = known.find(metatarsal);
  return at != known.end() ? at->second : metatarsalAxis(c.reduction.reduced.at(metatarsal), c.reduction.frame.distal);
}

std::string entry(const Case& c, const Device& d, const KnownAxes& known) {
  if (d.through.empty()) return "–";
  const std::string& first = d.through.front();
  const std::string parent = parentId(first);
  const std::optional<Bone> bone = boneFromId(parent);
  std::string aspect;
  bool is_metatarsal = false;
  if (bone && c.reduction.reduced.contains(*bone)) {
    const Surface& surface = c.reduction.reduced.at(*bone);
    is_metatarsal = rayOf(*bone).has_value();
    Vec3 axis = c.reduction.frame.distal, on_axis = centroid(surface);
    if (is_metatarsal) {
      const MetatarsalAxis m = axisOf(c, *bone, known);
      axis = m.distal;
      on_axis = m.base_centre;
    }
    Vec3 out = d.entry - on_axis;
    out -= out.dot(axis) * axis;
    const double up = out.dot(c.reduction.frame.dorsal), in = out.dot(c.reduction.frame.medial);
    // Eight aspects of 45 degrees each.
    const double angle = std::atan2(in, up);  // 0 dorsal, 90 medial
    static const char* names[8] = {"dorsal",  "dorsomedial",   "medial",  "plantomedial",
                                   "plantar", "plantolateral", "lateral", "dorsolateral"};
    const int sector = static_cast<int>(std::lround(angle / (M_PI / 4)));
    aspect = std::string(names[(sector + 8) % 8]) + " ";
  }
  std::string text = aspect + first;
  if (d.checks.entry_to_joint_mm > 0 && d.through.size() > 1)
    text += ", " + mm(d.checks.entry_to_joint_mm, 0) + (is_metatarsal ? " distal" : " proximal") + " to the joint";
  return text;
}

std::string direction(const Case& c, const Device& d) {
  const Frame& f = c.reduction.frame;
  const Vec3 v = d.direction.normalized();
  const double down = std::asin(std::clamp(-v.dot(f.dorsal), -1.0, 1.0));
  // Swing in the plane of the sole, from straight proximal (or straight distal for devices that run distally).
  const double along = v.dot(f.distal), across = v.dot(f.medial);
  const double swing = std::atan2(std::abs(across), std::abs(along));
  std::string text = degrees(d.checks.angle_to_shaft_rad) + " to the shaft; ";
  text += number(toDegrees(down), 0) == "0"
              ? "level with the sole"
              : degrees(std::abs(down)) + (down > 0 ? " down towards the sole" : " up from the sole");
  text += std::string(", running ") + (along < 0 ? "proximally" : "distally");
  if (toDegrees(swing) >= 0.5) text += ", " + degrees(swing) + (across > 0 ? " medially" : " laterally");
  return text;
}

std::string implantName(const Case& c, const Device& d) {
  const ImplantType* type = typeOf(c, d);
  if (type != nullptr && !type->name.empty()) return type->name;
  return fmt::format("{} mm {}", number(d.diameter_mm), traits(d.kind).word);
}

std::string pullout(const Device& d) {
  const DeviceChecks& q = d.checks;
  if (q.pullout_n <= 0) return "–";
  std::string text = number(q.pullout_n, 0);
  if (q.pullout_high_n > q.pullout_low_n)
    text += " (" + number(q.pullout_low_n, 0) + "–" + number(q.pullout_high_n, 0) + ")";
  return text;
}

std::string through(const Device& d) {
  std::string text;
  for (const std::string& id : d.through) text += (text.empty() ? "" : " → ") + id;
  return text;
}

std::string implant(const Case& c, const Device& d) {
  return implantName(c, d) + ", " + mm(d.length_mm, 0) + (traits(d.kind).cut_to_length ? " deep" : "");
}

std::vector<Step> steps(const Case& c, const KnownAxes& known) {
  std::vector<Step> out;
  const std::string side = sideCapitals(c.side);
  out.push_back({"Before the incision",
                 {"Confirm the patient, the side (" + side + " foot) and this plan against the images.",
                  "Check skin, swelling, pulses and compartments; they decide whether and when to operate."},
                 "before"});

  bool screws = false, sunk = false;
  for (const Device& d : c.fixation.devices) {
    screws = screws || traits(d.kind).threaded;
    sunk = sunk || (traits(d.kind).headed && d.countersink_mm > 0);
  }
  if (screws) {
    Step every{"For every screw of this plan", {}, "screws"};
    every.lines.emplace_back(
        "One hole of the drill's size through both bones, no wider gliding hole in the first: the screw holds position "
        "and "
        "does not compress.");
    every.lines.emplace_back("Follow the drill under the C-arm; stop at once where it leaves the planned line.");
    if (sunk)
      every.lines.emplace_back(
          "The countersunk pocket lets the head sink, so that it does not split the dorsal cortex or stand under the "
          "skin.");
    every.lines.emplace_back(
        "A gauge that reads another screw size than planned means another path than planned: look again before going "
        "on.");
    out.push_back(every);
  }

  std::vector<std::string> temporary;
  for (const Ray ray : orderOf(c)) {
    const std::string m = idOf(metatarsal(ray)), t = idOf(tarsalPartner(ray));
    const RayReduction* r = reductionOf(c, ray);
    const auto wires = devicesOf(c, ray, DeviceStage::kTemporary),
               definitive = devicesOf(c, ray, DeviceStage::kDefinitive);
    const RayState s = state(c, ray);
    if ((s == RayState::kInPlace || s == RayState::kUnknown) && wires.empty() && definitive.empty()) continue;

    Step reduce;
    reduce.id = fmt::format("ray{}", ray);
    reduce.ray = ray;
    if ((s == RayState::kDisplaced || s == RayState::kUntold) && r != nullptr) {
      reduce.title = capitalised(rayName(ray)) +
                     (s == RayState::kUntold ? ": look first (cannot be told whether displaced)" : ": reduce and hold");
      for (const std::string& line : r->manoeuvre) reduce.lines.push_back(sentence(line));
      if (s == RayState::kDisplaced || !wires.empty() || !definitive.empty())
        reduce.lines.push_back("Hold " + m + " on " + t + " with pointed reduction forceps.");
    } else {
      reduce.title =
          capitalised(rayName(ray)) + (s == RayState::kUnknown ? ": check and hold (not judged by the program)"
                                                               : ": check and hold (not displaced)");
      reduce.lines.push_back("Check that " + m + " sits on " + t + "; hold it with pointed reduction forceps.");
    }
    for (const Device* w : wires) {
      temporary.push_back(w->id);
      reduce.lines.push_back("Temporary wire " + w->id + ": drive the " + implantName(c, *w) + " from " +
                             entry(c, *w, known) + ", " + through(*w) + ", " + mm(w->length_mm, 0) + " deep (" +
                             direction(c, *w) + ").");
    }
    std::string look =
        "C-arm: " + std::string(viewRule(ray).text) + "; lateral view: " + m + " not dorsal to " + t + ".";
    if (r != nullptr) look += " Planned gap of the joint " + mm(r->joint.gap_mm) + ".";
    reduce.lines.push_back(look);
    out.push_back(reduce);

    for (const Device* d : definitive) {
      Step fix;
      const ImplantType* type = typeOf(c, *d);
      fix.id = fix.device = d->id;
      fix.ray = ray;
      fix.title =
          capitalised(rayName(ray)) + ": " + std::string(traits(d->kind).word) + " " + d->id + ", " + implant(c, *d);
      fix.lines.push_back("Entry " + entry(c, *d, known) + "; " + through(*d) + "; " + direction(c, *d) + ".");
      if (traits(d->kind).threaded) {
        std::string line = "Drill";
        if (type != nullptr && type->drill_mm > 0) line += " " + mm(type->drill_mm);
        line += " through " + through(*d) + "; ";
        if (d->countersink_mm > 0) line += "countersink " + mm(d->countersink_mm) + "; ";
        line += "depth gauge should read " + mm(d->measured_depth_mm) + "; ";
        if (type != nullptr && type->tap_mm > 0) line += "tap " + mm(type->tap_mm) + "; ";
        line += "screw " + mm(d->length_mm, 0) + sizesBeside(c, *d) + ".";
        fix.lines.push_back(line);
        fix.lines.push_back("C-arm in two planes: whole thread in bone, joint unchanged.");
      } else {
        fix.lines.push_back("Drive the wire " + mm(d->length_mm, 0) +
                            " deep. C-arm in two planes: tip in bone, joint unchanged. Bend and "
                            "cut outside the bone as the local protocol says.");
      }
      for (const std::string& w : d->warnings) fix.lines.push_back("Note: " + ended(w));
      out.push_back(fix);
    }
  }
  Step last{"To finish", {}, "finish"};
  if (!temporary.empty())
    last.lines.push_back("Take out the temporary " + std::string(temporary.size() == 1 ? "wire " : "wires ") +
                         listed(temporary) + " once the definitive devices hold.");
  last.lines.push_back(
      "C-arm, dorsoplantar, 30° oblique and lateral: every line above, every tip inside bone; compare with the "
      "pictures of the reduced foot. Test for stability under the C-arm.");
  last.lines.push_back("Check pulses and compartments before dressing.");
  out.push_back(last);
  return out;
}

std::vector<std::string> instruments(const Case& c) {
  std::vector<std::string> out;
  std::set<double> drills, taps, heads;
  std::map<std::string, std::map<double, int>> screws;
  std::map<std::string, int> wires;
  bool any = false, screw = false;
  for (const Device& d : c.fixation.devices) {
    any = true;
    const ImplantType* type = typeOf(c, d);
    if (traits(d.kind).threaded) {
      screw = true;
      ++screws[implantName(c, d)][d.length_mm];
      if (type != nullptr && type->drill_mm > 0) drills.insert(type->drill_mm);
      if (type != nullptr && type->tap_mm > 0) taps.insert(type->tap_mm);
      if (type != nullptr && type->head_diameter_mm > 0 && d.countersink_mm > 0) heads.insert(type->head_diameter_mm);
    } else {
      ++wires[implantName(c, d)];
    }
  }
  out.emplace_back("C-arm (image intensifier)");
  if (!raysIn(c, RayState::kDisplaced).empty() || !raysIn(c, RayState::kUntold).empty() || any)
    out.emplace_back("pointed reduction forceps");
  // What the catalogue lists for the implants used; only sizes if it lists nothing.
  bool listed_any = false;
  for (const InstrumentType& tool : c.catalogue.instruments)
    if (std::any_of(c.fixation.devices.begin(), c.fixation.devices.end(), [&](const Device& d) {
          return std::find(tool.for_implants.begin(), tool.for_implants.end(), d.type) != tool.for_implants.end();
        })) {
      out.push_back(tool.name);
      listed_any = true;
    }
  if (!listed_any) {
    for (const double d : drills) out.push_back("drill bit " + mm(d) + " with sleeve");
    for (const double d : heads) out.push_back("countersink for a " + mm(d) + " head");
    if (screw) out.emplace_back("depth gauge");
    for (const double d : taps) out.push_back("tap " + mm(d) + " with sleeve");
  }
  if (screw) out.emplace_back("screwdriver");
  if (!wires.empty()) out.emplace_back("wire driver, wire cutter and bender");
  for (const auto& [name, lengths] : screws) {
    std::vector<std::string> sizes;
    for (const auto& [length, count] : lengths) sizes.push_back(fmt::format("{} × {}", count, mm(length, 0)));
    out.push_back(name + ": " + listed(sizes) + "; the sizes next to these at hand");
  }
  for (const auto& [name, count] : wires) out.push_back(fmt::format("{}: {}", name, count));
  return out;
}

std::vector<Caution> caseCautions(const Case& c) {
  std::vector<Caution> out;
  std::set<std::string> seen;
  for (const OpenQuestion& q : openQuestions(c)) seen.insert(inWords(q));
  const auto add = [&](const std::string& text) {
    const std::string caution = sentence(text);  // those of the plan's stages already are sentences
    if (!text.empty() && seen.insert(caution).second) out.push_back({caution, {}});
  };
  for (const std::string& s : c.cautions) add(s);
  for (const std::string& s : c.reduction.cautions) add(s);
  for (const std::string& s : c.fixation.cautions) add(s);
  // The case already mentions doubtful bones; the remaining ones are added here.
  const auto mentioned = [&](const std::string& part) {
    return std::any_of(out.begin(), out.end(),
                       [&](const Caution& k) { return k.text.find(part) != std::string::npos; });
  };
  for (const auto& [bone, b] : c.bones) {
    if (!isMidfootBone(bone)) continue;
    const std::string name = idOf(bone) + " (" + std::string(boneName(bone)) + ")";
    if (!b.doubt.empty() && !mentioned(b.doubt)) add(name + ": " + b.doubt);
    if (!b.complete && b.doubt.empty()) add(name + " is cut by the field of view");
  }
  for (const Device& d : c.fixation.devices)
    for (const std::string& w : d.warnings) add(d.id + ": " + w);
  return out;
}

std::vector<Caution> standingCautions(const Case& c) {
  std::vector<Caution> out;
  const auto with = [&](const auto& wanted) {
    std::vector<const Device*> found;
    for (const Device& d : c.fixation.devices)
      if (wanted(d)) found.push_back(&d);
    return found;
  };
  out.push_back(
      {"First interspace, dorsal: the deep peroneal nerve and the dorsal artery of the foot with its deep branch run "
       "between M1 and M2. At the usual approach they lay 1.4 to 2.7 mm (mean) from the incision. Open and protect "
       "them; "
       "no blind drilling or forceps points there.",
       "OTA 2005 abstract OTA051256 (26 feet): deep artery 1.4 ± 1.0 mm, lateral branch 1.5 ± 0.9 mm, nerve 2.7 ± 2.4 "
       "mm"});
  {
    std::string text =
        "Plantar side of M2 to M4: the deep plantar arch lies as close as 0.5 mm to M2 (2.2 mm to M3, 2.8 mm to M4), "
        "about "
        "20 mm distal to the joint. No tip, drill or tap may leave the plantar cortex.";
    const auto through_plantar = with([](const Device& d) { return d.ray >= 2 && d.ray <= 4; });
    if (!through_plantar.empty()) {
      std::vector<std::string> values;
      for (const Device* d : through_plantar) values.push_back(d->id + " " + mm(d->checks.tip_beyond_cortex_mm));
      text += " Planned tip beyond the far cortex: " + listed(values) + ".";
    }
    out.push_back(
        {text, "Tonogai 2018, J Foot Ankle Res (shortest distances; 23.0, 21.0 and 18.6 mm distal to the joint)"});
  }
  out.push_back(
      {"The deep plantar artery dives plantarwards 23.1 mm (12 to 31) distal to the first joint and 6.3 mm (3 to 13) "
       "from "
       "the plantar side of M2.",
       "Foot Ankle Int 2013, doi 10.1177/1071100713477619 (122 feet)"});
  {
    const auto crossing = with([](const Device& d) { return d.checks.joint_area_lost_percent > 0; });
    std::string text =
        "Cartilage: every device that crosses a joint takes some of its face; each new attempt takes more. One pass, "
        "under the C-arm, and not more than one screw across the second joint.";
    if (!crossing.empty()) {
      std::vector<std::string> values;
      for (const Device* d : crossing) values.push_back(d->id + " " + number(d->checks.joint_area_lost_percent) + " %");
      text += " Planned share of the joint face lost (worse side): " + listed(values) + ".";
    }
    out.push_back(
        {text,
         "two 4.0 mm screws broke the second joint in 4 of 10 feet: anatomic study, “Anatomy of the 1st and 2nd "
         "Lisfranc joint surface”; expected loss for one 3.5 mm screw 2 to 4 %: Alberta et al., Foot Ankle Int "
         "2005;26:462–73"});
  }
  out.push_back(
      {"Compartment syndrome and soft tissue: swelling, blisters and tight compartments come before this plan; they "
       "can rule "
       "out or put off the operation. The program sees bone only.",
       kCommonPractice});
  if (!with([](const Device& d) {
         return d.ray >= 4 && traits(d.kind).threaded && d.stage == DeviceStage::kDefinitive;
       }).empty())
    out.push_back(
        {"Lateral column: rays 4 and 5 are the mobile ones; many surgeons hold them with wires only. This plan has "
         "screws "
         "there; the option “--lateral wires” plans them with wires.",
         "patients' and surgeons' pages (wires, out at about 6 weeks)"});
  out.push_back(
      {"Reduction is judged under the C-arm and by eye, not by this plan: a step or gap of 1 mm or less is the aim "
       "(trial "
       "criterion).",
       "NCT02374944 (reduction of 1 mm or less at fixation)"});
  out.push_back({"Local protocol decides on antibiotics, tourniquet, wire care, immobilisation and weight-bearing.",
                 kCommonPractice});
  out.push_back(
      {"When implants come out, and whether they do, is left to the surgeon: published times differ and no time is "
       "agreed.",
       "systematic review, Int Orthop 2010 (8, 12 and 16 weeks and later), as quoted; NCT02374944"});
  return out;
}

std::vector<std::string> uncertainty(const Case& c) {
  std::vector<std::string> out;
  const Vec3& s = c.grid.spacing;
  out.push_back("The images have voxels of " + number(s.x(), 2) + " × " + number(s.y(), 2) + " × " + number(s.z(), 2) +
                " mm. Lengths are shown to 0.1 mm and most angles to whole degrees; this is rounding, not accuracy.");
  for (const auto& [ray, r] : c.reduction.rays)
    if (r.by_hand) {
      out.push_back(capitalised(rayName(ray)) + ": placed by hand; how sure that is was not computed.");
    } else {
      // Plans made before it was recorded lack the part about the ray's own axis.
      const std::string about_axis =
          r.roll_rad > 0 ? "°, about its own axis alone ±" + number(toDegrees(r.roll_rad)) : std::string();
      out.push_back(capitalised(rayName(ray)) + ": place of the base ±" + number(r.uncertainty_mm) + " mm, turn ±" +
                    number(toDegrees(r.uncertainty_rad)) + about_axis +
                    "° (half-width of a 95 % interval, estimated).");
    }
  for (const auto& [id, f] : c.fragments)
    if (f.fit.doubt.empty())
      out.push_back("Piece " + id + ": place ±" + number(f.uncertainty_mm) + " mm, turn ±" +
                    number(toDegrees(f.uncertainty_rad)) + "°, its ray's included; on its bone ±" +
                    number(f.fit.uncertainty_mm) + " mm and ±" + number(toDegrees(f.fit.uncertainty_rad)) + "°.");
  std::vector<std::string> doubtful;
  for (const auto& [bone, b] : c.bones)
    if (b.confidence < kDoubtful && isMidfootBone(bone))
      doubtful.push_back(idOf(bone) + " " + number(100 * b.confidence, 0) + " %");
  if (!doubtful.empty())
    out.push_back("Bones whose surface is expected to be off by more than " + number(kDoubtfulErrorMm) +
                  " mm on average (confidence below " + number(100 * kDoubtful, 0) + " %): " + listed(doubtful) +
                  ". What rests on them is not sure.");
  for (const Ray ray : kRays) {
    const RayDisplacement* d = find(c.rays, ray);
    const RayReduction* r = reductionOf(c, ray);
    if (d == nullptr || r == nullptr || !d->told) continue;
    const double away = d->asideMm();
    if (std::abs(away - kDisplacedFromMm) < r->uncertainty_mm)
      out.push_back(capitalised(rayName(ray)) + ": its shift of " + mm(away) +
                    " lies within its uncertainty of the limit of " + mm(kDisplacedFromMm) +
                    "; it may as well be called " + (d->displaced ? "in place" : "displaced") +
                    ", and the name of the pattern may change with it.");
  }
  return out;
}

std::vector<std::string> notDone(const Case& c) {
  std::vector<std::string> out;
  out.emplace_back(
      "Ligaments, cartilage, tendons, vessels, nerves and skin were not seen: they do not show, or not surely, on CT.");
  out.emplace_back("The foot was not loaded in the scanner: instability that only shows under load can be missed.");
  out.emplace_back(
      "Fractures were searched for at the base of the second metatarsal only; any other broken bone is treated as one "
      "piece. A piece that stands less than about half a millimetre off its bone is not told from it.");
  out.emplace_back(
      "How strong the construct is was not computed, beyond the pull-out estimate where it is shown; healing, bone "
      "quality "
      "as a whole and the choice between fixation and fusion were not judged.");
  out.emplace_back(
      "Joints proximal to the tarsometatarsal row (between the cuneiforms, naviculocuneiform, Chopart) were taken as "
      "uninjured.");
  if (c.other_foot.empty())
    out.emplace_back("No other foot was compared: limits on the difference between the sides were not applied.");
  out.emplace_back("Plates were not planned; incisions and positioning were not planned.");
  return out;
}

std::string Sources::cite(const std::string& source) {
  if (source.empty()) return {};
  const auto it = std::find(sources_.begin(), sources_.end(), source);
  const auto index = static_cast<std::size_t>(it - sources_.begin());
  if (it == sources_.end()) sources_.push_back(source);
  return fmt::format("[{}]", index + 1);
}

}  // namespace rayset::words
