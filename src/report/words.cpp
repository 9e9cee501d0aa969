#include "report/words.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "anatomy/part_id.h"
#include "base/units.h"
#include "case/data_words.h"
#include "case/open_questions.h"
#include "fixation/check_words.h"
#include "geometry/side.h"
#include "injury/shift_words.h"

namespace rayset::words {
namespace {

// verbatim: citation
constexpr const char* kCommonPractice = "common practice, no source";

// Lines to look for under the C-arm, by ray (Radiopaedia, Wheeless).
struct ViewRule {
  const char* text;
  const char* source;
};
ViewRule viewRule(Ray ray) {
  switch (ray.number()) {
    case 1:
      return {"report.dorsoplantar_view_lateral_border_m1_base", "Radiopaedia, “Lisfranc injury – an approach”"};
    case 2:
      return {"report.dorsoplantar_view_medial_border_m2_base",
              // verbatim: citation
              "Wheeless, “Anatomy and radiographs of the midfoot”; Radiopaedia"};
    case 3:
      return {"report.30_oblique_view_border_m3_base", "maimonidesem.org; clinicalgate"};
    case 4:
      return {"report.30_oblique_view_medial_border_m4", "Radiopaedia, “Lisfranc injury – an approach”"};
    default:
      return {"report.30_oblique_view_no_step_between", kCommonPractice};
  }
}

const ImplantType* typeOf(const Case& c, const Device& d) { return c.catalogue.find(d.type); }

/// " (next sizes 34 and 38 mm)"
Message sizesBeside(const Case& c, const Device& d) {
  const ImplantType* type = typeOf(c, d);
  if (type == nullptr) return {};
  std::vector<Quantity> sizes;
  double below = 0, above = 0;
  for (const double length : type->lengths_mm) {
    if (length < d.length_mm - 1e-6) below = std::max(below, length);
    if (length > d.length_mm + 1e-6 && (above == 0 || length < above)) above = length;
  }
  if (below > 0) sizes.push_back(number(below, 0));
  if (above > 0) sizes.push_back(number(above, 0));
  if (sizes.empty()) return {};
  return {"report.next_sizes", {{"count", sizes.size()}, {"sizes", all(sizes)}}};
}

std::vector<const Device*> devicesOf(const Case& c, Ray ray, DeviceStage stage) {
  std::vector<const Device*> out;
  for (const Device& d : c.fixation.devices)
    if (d.ray == ray && d.stage == stage) out.push_back(&d);
  return out;
}

const RayReduction* reductionOf(const Case& c, Ray ray) { return find(c.reduction.rays, ray); }

Message rayName(Ray ray) { return {"report.ray", {{"ray", nameOf(ray)}}}; }

std::string idOf(Bone bone) { return std::string(boneId(bone)); }
Message named(Bone bone) { return {"report.bone_named", {{"id", boneId(bone)}, {"bone", nameOf(bone)}}}; }

std::vector<Ray> orderOf(const Case& c) {
  std::vector<Ray> order;
  for (const Ray ray : c.reduction.order)
    if (std::find(order.begin(), order.end(), ray) == order.end()) order.push_back(ray);
  for (const Ray ray : kRays)
    if (std::find(order.begin(), order.end(), ray) == order.end()) order.push_back(ray);
  return order;
}

}  // namespace

Quantity degrees(double radians, int decimals) { return inDegrees(toDegrees(radians), decimals); }
Message capitals(Side side) {
  return side == Side::kRight ? "report.side_right_capitals" : "report.side_left_capitals";
}

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

std::string_view valueOf(RayState s) {
  switch (s) {
    case RayState::kDisplaced:
      return "displaced";
    case RayState::kInPlace:
      return "in place";
    case RayState::kUntold:
      return kCannotBeTold;
    case RayState::kUnknown:
      break;
  }
  return "not judged";
}

Message word(RayState s) {
  switch (s) {
    case RayState::kDisplaced:
      return "report.state_displaced";
    case RayState::kInPlace:
      return "report.state_in_place";
    case RayState::kUntold:
      return "report.state_untold";
    case RayState::kUnknown:
      break;
  }
  return "report.state_not_judged";
}

Message marked(RayState s) {
  const char* sign = s == RayState::kDisplaced ? "▲"
                     : s == RayState::kInPlace ? "●"
                     : s == RayState::kUntold  ? "◊"
                                               : "?";
  return marked(sign, word(s));
}

Message marked(const char* sign, Message state) {
  return {"report.marked", {{"sign", sign}, {"state", std::move(state)}}};
}

std::vector<Ray> raysIn(const Case& c, RayState wanted) {
  std::vector<Ray> out;
  for (const Ray ray : kRays)
    if (state(c, ray) == wanted) out.push_back(ray);
  return out;
}

Message shift(const RayDisplacement& d, double least_mm) {
  const std::vector<Message> parts = shiftParts(d, least_mm);
  return parts.empty() ? Message() : Message("report.parts", {{"parts", all(parts)}});
}

Message turn(const RayDisplacement& d, double least_rad) {
  std::vector<Message> parts;
  const auto add = [&](double angle, const char* positive, const char* negative) {
    if (std::abs(angle) >= least_rad)
      parts.push_back({angle >= 0 ? positive : negative, {{"angle", inDegrees(toDegrees(std::abs(angle)))}}});
  };
  add(d.abduction_rad, "way.turn_abduction", "way.turn_adduction");
  add(d.plantarflexion_rad, "way.turn_plantarflexion", "way.turn_dorsiflexion");
  add(d.pronation_rad, "way.turn_pronation", "way.turn_supination");
  return parts.empty() ? Message() : Message("way.turned", {{"turns", all(parts)}});
}

namespace {
/// "second ray", "second and third rays"
Message rayList(const std::vector<Ray>& rays) {
  std::vector<Message> names;
  for (const Ray ray : rays) names.push_back(nameOf(ray));
  return {"report.rays", {{"rays", all(names)}, {"count", rays.size()}}};
}
}  // namespace

bool putBack(const Case& c, Ray ray) {
  const RayReduction* r = reductionOf(c, ray);
  return r != nullptr && r->injured_to_reduced.matrix() != Rigid::Identity().matrix();
}

Message columns(const Case& c) {
  std::vector<Message> sure, untold;
  for (const Column& column : kColumns) {
    const auto any = [&](RayState s) {
      return std::ranges::any_of(kRays, [&](Ray ray) { return column.has(ray) && state(c, ray) == s; });
    };
    if (any(RayState::kDisplaced))
      sure.push_back(Message::made("report.column_" + std::string(column.name)));
    else if (any(RayState::kUntold))
      untold.push_back(Message::made("report.column_" + std::string(column.name)));
  }
  if (untold.empty())
    return sure.empty() ? Message("report.no_column") : Message("report.parts", {{"parts", all(sure)}});
  const Message open("report.columns_untold", {{"columns", all(untold)}});
  return sure.empty() ? open
                      : Message("join.semicolon",
                                {{"first", Message("report.parts", {{"parts", all(sure)}})}, {"second", open}});
}

Message certaintyName(const std::string& certainty) {
  if (certainty == "found") return "report.certainty_found";
  if (certainty == "computed") return "report.certainty_computed";
  // verbatim: citation
  if (certainty == "memory, high confidence") return "report.certainty_memory_high";
  if (certainty == "design choice") return "report.certainty_design_choice";
  return Message::quoted(certainty);
}

Finding finding(const Case& c) {
  Finding f;
  const std::vector<Ray> displaced = raysIn(c, RayState::kDisplaced), unknown = raysIn(c, RayState::kUnknown),
                         in_place = raysIn(c, RayState::kInPlace), untold = raysIn(c, RayState::kUntold);
  const Message foot("report.foot", {{"side", nameOf(c.side)}});
  if (displaced.empty() && (!in_place.empty() || untold.empty())) {
    f.headline = in_place.empty()
                     ? Message("report.no_ray_could_judged", {{"foot", foot}})
                     : Message("report.no_displaced_ray_found_no_base", {{"foot", foot}, {"mm", mm(kDisplacedFromMm)}});
  } else if (displaced.size() == 5) {
    f.headline = {"report.all_five_rays_displaced_tarsometatarsal_joints", {{"foot", foot}}};
  } else if (!displaced.empty()) {
    f.headline = {"report.rays_displaced", {{"rays", rayList(displaced)}, {"foot", foot}, {"count", displaced.size()}}};
    if (!in_place.empty())
      f.headline =
          then(f.headline, {"report.rays_in_place",
                            {{"rays", rayList(in_place)}, {"count", in_place.size()}, {"mm", mm(kDisplacedFromMm)}}});
  }
  if (!untold.empty())
    f.headline = f.headline.empty()
                     ? Message("report.rays_untold_of_foot",
                               {{"rays", rayList(untold)}, {"foot", foot}, {"count", untold.size()}})
                     : then(f.headline, {"report.rays_untold", {{"rays", rayList(untold)}, {"count", untold.size()}}});
  for (const Ray ray : displaced) {
    const RayDisplacement& d = c.rays.at(ray);
    const Message way = shift(d), turned = turn(d);
    const Message where = way.empty() ? Message("report.out_of_place", {{"mm", mm(d.asideMm())}})
                                      : Message("report.of_where_it_belongs", {{"way", way}});
    const std::string base = idOf(metatarsal(ray));
    f.rays.push_back(
        turned.empty()
            ? Message("report.base_stands_not_turned",
                      {{"ray", capitalised(rayName(ray))}, {"base", base}, {"where", where}})
            : Message("report.base_stands_turned",
                      {{"ray", capitalised(rayName(ray))}, {"base", base}, {"where", where}, {"turned", turned}}));
  }
  for (const auto& [id, piece] : c.fragments) {
    const Vec3 centre = centroid(piece.bone.surface);
    const Quantity volume = number(piece.bone.volume_mm3 / 1000);
    const Message line =
        piece.fit.doubt.empty()
            ? Message("report.piece_stands",
                      {{"id", id},
                       {"volume", volume},
                       {"mm", mm((piece.fit.injured_to_bone * centre - centre).norm())},
                       {"turn", number(toDegrees(rotationAngle(piece.fit.injured_to_bone.linear())), 0)}})
            : Message("report.piece_not_placed", {{"id", id}, {"volume", volume}});
    f.rays.push_back(line);
  }
  for (const Fleck& fleck : c.flecks)
    f.rays.push_back(Message("report.fleck_bone_about_mm_lies_between", {{"number", number(fleck.volume_mm3, 0)}}));
  for (const Ray ray : unknown) {
    std::vector<Message> missing;
    for (const Bone bone : {metatarsal(ray), tarsalPartner(ray)})
      if (!c.injured.contains(bone)) missing.push_back(named(bone));
    f.unknown.push_back(
        missing.empty()
            ? Message("report.not_judged_see_cautions", {{"ray", capitalised(rayName(ray))}})
            : Message("report.not_judged_not_found",
                      {{"ray", capitalised(rayName(ray))}, {"bones", all(missing)}, {"count", missing.size()}}));
  }
  return f;
}

Message otherFoot(const Case& c) {
  if (c.other_foot.empty()) return "report.no_other_foot";
  return c.other_foot == "same scan" ? Message("report.same_scan") : Message::quoted(c.other_foot);
}

std::vector<Message> method(const Case& c) {
  std::vector<Message> out;
  if (c.reduction.method == ReductionMethod::kContralateral) {
    out.push_back(Message("report.where_each_ray_belongs_taken_other", {{"other_foot", otherFoot(c)}}));
    if (c.reduction.mirror_residual_mm > 0)
      out.push_back(
          Message("report.mirrored_injured_tarsus_agree_root_mean", {{"mm", mm(c.reduction.mirror_residual_mm)}}));
  } else {
    out.push_back(c.other_foot.empty() ? "report.found_from_joints_alone" : "report.found_from_joints");
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
    const auto range = [](const Quantity& low, const Quantity& high, const char* one, const char* many) {
      return fmt::format("{:.1f}", low.value) == fmt::format("{:.1f}", high.value)
                 ? Message(one, {{"most", high}})
                 : Message(many, {{"least", low}, {"most", high}});
    };
    out.push_back(
        Message("report.confidence_planned_place_base_known_turn",
                {{"mm", range(number(least_mm), number(most_mm), "report.within_mm", "report.within_mm_range")},
                 {"range", range(number(toDegrees(least_rad)), number(toDegrees(most_rad)), "report.within_deg",
                                 "report.within_deg_range")}}));
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

Message entry(const Case& c, const Device& d, const KnownAxes& known) {
  if (d.through.empty()) return Message::quoted("–");
  const std::string& first = d.through.front();
  const std::string parent = parentId(first);
  const std::optional<Bone> bone = boneFromId(parent);
  Message where("report.entry_bone", {{"bone", first}});
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
    where = {"report.entry_aspect",
             {{"aspect", Message::made(std::string("report.aspect_") + names[(sector + 8) % 8])}, {"bone", first}}};
  }
  if (d.checks.entry_to_joint_mm <= 0 || d.through.size() < 2) return where;
  return {is_metatarsal ? "report.entry_distal_to_joint" : "report.entry_proximal_to_joint",
          {{"where", where}, {"mm", mm(d.checks.entry_to_joint_mm, 0)}}};
}

Message direction(const Case& c, const Device& d) {
  const Frame& f = c.reduction.frame;
  const Vec3 v = d.direction.normalized();
  const double down = std::asin(std::clamp(-v.dot(f.dorsal), -1.0, 1.0));
  // Swing in the plane of the sole, from straight proximal (or straight distal for devices that run distally).
  const double along = v.dot(f.distal), across = v.dot(f.medial);
  const double swing = std::atan2(std::abs(across), std::abs(along));
  const Message steep =
      std::abs(toDegrees(down)) <= 0.5
          ? Message("report.level_sole")
          : Message(down > 0 ? "report.down_to_sole" : "report.up_from_sole", {{"angle", degrees(std::abs(down))}});
  const std::vector<Argument> args{{"shaft", degrees(d.checks.angle_to_shaft_rad)},
                                   {"steep", steep},
                                   {"runs", along < 0 ? "proximal" : "distal"},
                                   {"swing", degrees(swing)},
                                   {"to", across > 0 ? "medial" : "lateral"}};
  return toDegrees(swing) >= 0.5 ? Message("report.direction_swung", args) : Message("report.direction", args);
}

Message implantName(const Case& c, const Device& d) {
  const ImplantType* type = typeOf(c, d);
  if (type != nullptr && !type->name.empty()) return nameOf(*type);
  return {"report.implant_unlisted", {{"diameter", mm(d.diameter_mm)}, {"kind", nameOfKey(traits(d.kind).word)}}};
}

Message pullout(const Device& d) {
  const DeviceChecks& q = d.checks;
  if (q.pullout_n <= 0) return Message::quoted("–");
  if (q.pullout_high_n <= q.pullout_low_n) return {"report.figure", {{"figure", number(q.pullout_n, 0)}}};
  return {"report.figure_within",
          {{"figure", number(q.pullout_n, 0)},
           {"least", number(q.pullout_low_n, 0)},
           {"most", number(q.pullout_high_n, 0)}}};
}

std::string through(const Device& d) {
  std::string text;
  for (const std::string& id : d.through) text += (text.empty() ? "" : " → ") + id;
  return text;
}

Message implant(const Case& c, const Device& d) {
  return {traits(d.kind).cut_to_length ? "report.implant_deep" : "report.implant_long",
          {{"implant", implantName(c, d)}, {"length", mm(d.length_mm, 0)}}};
}

namespace {

/// Failed checks of a device, each with its id.
std::vector<Message> alarmsOf(const Device& d) {
  std::vector<Message> out;
  for (const Message& failed : failedChecks(d, ConstructSettings{}))
    out.push_back(sentence({"report.alarm_device", {{"id", d.id}, {"failed", failed}}}));
  return out;
}
bool isAlarm(const Step& step, const Message& warning) {
  return std::ranges::any_of(step.alarms, [&](const Message& alarm) { return alarm.holds(warning); });
}

}  // namespace

std::vector<Step> steps(const Case& c, const KnownAxes& known) {
  std::vector<Step> out;
  out.push_back({Message("report.before_incision"),
                 {Message("report.confirm_patient_side_foot_plan_against", {{"side", capitals(c.side)}}),
                  Message("report.check_skin_swelling_pulses_compartments_they")},
                 "before"});

  bool screws = false, sunk = false;
  for (const Device& d : c.fixation.devices) {
    screws = screws || traits(d.kind).threaded;
    sunk = sunk || (traits(d.kind).headed && d.countersink_mm > 0);
  }
  if (screws) {
    Step every{Message("report.every_screw_plan"), {}, "screws"};
    every.lines.emplace_back(Message("report.one_hole_drills_size_through_both"));
    every.lines.emplace_back(Message("report.follow_drill_under_arm_stop_once"));
    if (sunk) every.lines.emplace_back(Message("report.countersunk_pocket_lets_head_sink_does"));
    every.lines.emplace_back(Message("report.gauge_reads_another_screw_size_planned"));
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
      reduce.title = {s == RayState::kUntold ? "report.step_look_first" : "report.step_reduce",
                      {{"ray", capitalised(rayName(ray))}}};
      for (const Message& line : r->manoeuvre) reduce.lines.push_back(sentence(line));
      if (s == RayState::kDisplaced || !wires.empty() || !definitive.empty())
        reduce.lines.push_back(Message("report.hold_pointed_reduction_forceps", {{"m", m}, {"t", t}}));
    } else {
      reduce.title = {s == RayState::kUnknown ? "report.step_hold_not_judged" : "report.step_hold",
                      {{"ray", capitalised(rayName(ray))}}};
      reduce.lines.push_back(Message("report.check_sits_hold_pointed_reduction_forceps", {{"m", m}, {"t", t}}));
    }
    for (const Bone b : {metatarsal(ray), tarsalPartner(ray)})
      if (const auto bone = c.bones.find(b); bone != c.bones.end() && bone->second.confidence < kDoubtful)
        reduce.alarms.push_back(sentence({"report.alarm_bone",
                                          {{"bone", boneId(b)},
                                           {"told", bone->second.doubt.empty() ? "no" : "yes"},
                                           {"doubt", bone->second.doubt}}}));
    for (const Device* w : wires) {
      for (const Message& alarm : alarmsOf(*w)) reduce.alarms.push_back(alarm);
      temporary.push_back(w->id);
      reduce.lines.push_back(Message("report.temporary_wire_drive_deep", {{"id", w->id},
                                                                          {"implant_name", implantName(c, *w)},
                                                                          {"entry", entry(c, *w, known)},
                                                                          {"through", through(*w)},
                                                                          {"mm", mm(w->length_mm, 0)},
                                                                          {"direction", direction(c, *w)}}));
    }
    Message look("report.arm_lateral_view_not_dorsal", {{"text", Message(viewRule(ray).text)}, {"m", m}, {"t", t}});
    if (r != nullptr) look = then(look, {"report.planned_gap", {{"gap", mm(r->joint.gap_mm)}}});
    reduce.lines.push_back(look);
    out.push_back(reduce);

    for (const Device* d : definitive) {
      Step fix;
      const ImplantType* type = typeOf(c, *d);
      fix.id = fix.device = d->id;
      fix.ray = ray;
      fix.title = {"report.step_device",
                   {{"ray", capitalised(rayName(ray))},
                    {"kind", nameOfKey(traits(d->kind).word)},
                    {"id", d->id},
                    {"implant", implant(c, *d)}}};
      fix.lines.push_back(
          {"report.entry_through_direction",
           {{"entry", entry(c, *d, known)}, {"through", through(*d)}, {"direction", direction(c, *d)}}});
      if (traits(d->kind).threaded) {
        const bool drill = type != nullptr && type->drill_mm > 0, tap = type != nullptr && type->tap_mm > 0;
        fix.lines.push_back({"report.drill_gauge_screw",
                             {{"drill", drill ? "sized" : "plain"},
                              {"drill_mm", mm(drill ? type->drill_mm : 0)},
                              {"through", through(*d)},
                              {"sunk", d->countersink_mm > 0 ? "yes" : "no"},
                              {"countersink_mm", mm(d->countersink_mm)},
                              {"gauge", mm(d->measured_depth_mm)},
                              {"tap", tap ? "yes" : "no"},
                              {"tap_mm", mm(tap ? type->tap_mm : 0)},
                              {"length", mm(d->length_mm, 0)},
                              {"beside", sizesBeside(c, *d)}}});
        fix.lines.push_back(Message("report.arm_two_planes_whole_thread_bone"));
      } else {
        fix.lines.push_back(Message("report.drive_wire_deep_arm_two_planes", {{"mm", mm(d->length_mm, 0)}}));
      }
      fix.alarms = alarmsOf(*d);
      for (const Message& w : d->warnings)
        if (!isAlarm(fix, w)) fix.lines.push_back(sentence({"report.note", {{"warning", w}}}));
      out.push_back(fix);
    }
  }
  Step last{Message("report.finish"), {}, "finish"};
  if (!temporary.empty())
    last.lines.push_back(Message("report.take_out_temporary_once_definitive_devices",
                                 {{"count", temporary.size()}, {"ids", all(temporary)}}));
  last.lines.push_back(Message("report.arm_dorsoplantar_30_oblique_lateral_every"));
  last.lines.push_back(Message("report.check_pulses_compartments_before_dressing"));
  out.push_back(last);
  return out;
}

std::vector<Message> instruments(const Case& c) {
  std::vector<Message> out;
  std::set<double> drills, taps, heads;
  std::map<std::string, std::map<double, int>> screws;  // by type
  std::map<std::string, int> wires;
  std::map<std::string, Message> names;
  bool any = false, screw = false;
  for (const Device& d : c.fixation.devices) {
    any = true;
    const ImplantType* type = typeOf(c, d);
    if (traits(d.kind).threaded) {
      screw = true;
      names.try_emplace(d.type, implantName(c, d));
      ++screws[d.type][d.length_mm];
      if (type != nullptr && type->drill_mm > 0) drills.insert(type->drill_mm);
      if (type != nullptr && type->tap_mm > 0) taps.insert(type->tap_mm);
      if (type != nullptr && type->head_diameter_mm > 0 && d.countersink_mm > 0) heads.insert(type->head_diameter_mm);
    } else {
      names.try_emplace(d.type, implantName(c, d));
      ++wires[d.type];
    }
  }
  out.emplace_back(Message("report.arm_image_intensifier"));
  if (!raysIn(c, RayState::kDisplaced).empty() || !raysIn(c, RayState::kUntold).empty() || any)
    out.emplace_back(Message("report.pointed_reduction_forceps"));
  // What the catalogue lists for the implants used; only sizes if it lists nothing.
  bool listed_any = false;
  for (const InstrumentType& tool : c.catalogue.instruments)
    if (std::any_of(c.fixation.devices.begin(), c.fixation.devices.end(), [&](const Device& d) {
          return std::find(tool.for_implants.begin(), tool.for_implants.end(), d.type) != tool.for_implants.end();
        })) {
      out.push_back(nameOf(tool));
      listed_any = true;
    }
  if (!listed_any) {
    for (const double d : drills) out.push_back(Message("report.drill_bit_sleeve", {{"mm", mm(d)}}));
    for (const double d : heads) out.push_back(Message("report.countersink_head", {{"mm", mm(d)}}));
    if (screw) out.emplace_back(Message("report.depth_gauge"));
    for (const double d : taps) out.push_back(Message("report.tap_sleeve", {{"mm", mm(d)}}));
  }
  if (screw) out.emplace_back("report.screwdriver");
  if (!wires.empty()) out.emplace_back(Message("report.wire_driver_wire_cutter_bender"));
  for (const auto& [name, lengths] : screws) {
    std::vector<Message> sizes;
    for (const auto& [length, count] : lengths)
      sizes.push_back({"report.count_of_length", {{"count", count}, {"length", mm(length, 0)}}});
    out.push_back(Message("report.sizes_next_these_hand", {{"name", names.at(name)}, {"all", all(sizes)}}));
  }
  for (const auto& [name, count] : wires)
    out.push_back({"report.implant_count", {{"implant", names.at(name)}, {"count", count}}});
  return out;
}

std::vector<Caution> caseCautions(const Case& c) {
  std::vector<Caution> out;
  std::vector<Message> seen;
  for (const OpenQuestion& q : openQuestions(c)) seen.push_back(inWords(q));
  const auto add = [&](const Message& text) {
    const Message caution = sentence(text);  // those of the plan's stages already are sentences
    if (text.empty() || std::ranges::find(seen, caution) != seen.end()) return;
    seen.push_back(caution);
    out.push_back({caution, {}});
  };
  for (const Message& s : c.cautions) add(s);
  for (const Message& s : c.reduction.cautions) add(s);
  for (const Message& s : c.fixation.cautions) add(s);
  // The case already mentions doubtful bones; the remaining ones are added here.
  const auto mentioned = [&](const Message& part) {
    return std::ranges::any_of(out, [&](const Caution& k) { return k.text.holds(part); });
  };
  for (const auto& [bone, b] : c.bones) {
    if (!isMidfootBone(bone)) continue;
    if (!b.doubt.empty() && !mentioned(b.doubt))
      add(Message("join.because", {{"what", named(bone)}, {"why", b.doubt}}).about(idOf(bone)));
    if (!b.complete && b.doubt.empty())
      add(Message("report.cut_field_view", {{"name", named(bone)}}).about(idOf(bone)));
  }
  for (const Device& d : c.fixation.devices)
    for (const Message& w : d.warnings) add(Message("join.because", {{"what", d.id}, {"why", w}}).about(d.id));
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
  out.push_back({Message("report.first_interspace_dorsal_deep_peroneal_nerve"),
                 // verbatim: citation
                 "OTA 2005 abstract OTA051256 (26 feet): deep artery 1.4 ± 1.0 mm, lateral branch 1.5 ± 0.9 mm, nerve "
                 "2.7 ± 2.4 mm"});
  {
    Message text("report.plantar_side_m2_m4_deep_plantar");
    const auto through_plantar = with([](const Device& d) { return d.ray >= 2 && d.ray <= 4; });
    if (!through_plantar.empty()) {
      std::vector<Message> values;
      for (const Device* d : through_plantar)
        values.push_back({"report.name_figure", {{"name", d->id}, {"figure", mm(d->checks.tip_beyond_cortex_mm)}}});
      text = then(text, {"report.planned_tip_beyond_far_cortex", {{"all", all(values)}}});
    }
    out.push_back(
        // verbatim: citation
        {text, "Tonogai 2018, J Foot Ankle Res (shortest distances; 23.0, 21.0 and 18.6 mm distal to the joint)"});
  }
  out.push_back({Message("report.deep_plantar_artery_dives_plantarwards_23"),
                 "Foot Ankle Int 2013, doi 10.1177/1071100713477619 (122 feet)"});
  {
    const auto crossing = with([](const Device& d) { return d.checks.joint_area_lost_percent > 0; });
    Message text("report.cartilage_every_device_crosses_joint_takes");
    if (!crossing.empty()) {
      std::vector<Message> values;
      for (const Device* d : crossing)
        values.push_back(
            {"report.name_figure", {{"name", d->id}, {"figure", percent(d->checks.joint_area_lost_percent, 1)}}});
      text = then(text, {"report.planned_share_joint_face_lost_worse", {{"all", all(values)}}});
    }
    out.push_back({text,
                   // verbatim: citation
                   "two 4.0 mm screws broke the second joint in 4 of 10 feet: anatomic study, “Anatomy of the 1st and "
                   "2nd Lisfranc joint surface”; expected loss for one 3.5 mm screw 2 to 4 %: Alberta et al., Foot "
                   "Ankle Int 2005;26:462–73"});
  }
  out.push_back({Message("report.compartment_syndrome_soft_tissue_swelling_blisters"), kCommonPractice});
  if (!with([](const Device& d) {
         return d.ray >= 4 && traits(d.kind).threaded && d.stage == DeviceStage::kDefinitive;
       }).empty())
    out.push_back({Message("report.lateral_column_rays_4_5_mobile"),
                   // verbatim: citation
                   "patients' and surgeons' pages (wires, out at about 6 weeks)"});
  out.push_back(
      {Message("report.reduction_judged_under_arm_eye_not"), "NCT02374944 (reduction of 1 mm or less at fixation)"});
  out.push_back({Message("report.local_protocol_decides_antibiotics_tourniquet_wire"), kCommonPractice});
  out.push_back({Message("report.when_implants_come_out_whether_they"),
                 // verbatim: citation
                 "systematic review, Int Orthop 2010 (8, 12 and 16 weeks and later), as quoted; NCT02374944"});
  return out;
}

std::vector<Message> uncertainty(const Case& c) {
  std::vector<Message> out;
  const Vec3& s = c.grid.spacing;
  out.push_back(
      Message("report.images_have_voxels_mm_lengths_shown",
              {{"number", number(s.x(), 2)}, {"number_2", number(s.y(), 2)}, {"number_3", number(s.z(), 2)}}));
  for (const auto& [ray, r] : c.reduction.rays)
    if (r.by_hand) {
      out.push_back(Message("report.placed_hand_how_sure_not_computed", {{"capitalised", capitalised(rayName(ray))}}));
    } else {
      // Plans made before it was recorded lack the part about the ray's own axis.
      const Message about_axis =
          r.roll_rad > 0 ? Message("report.about_own_axis_alone", {{"number", number(toDegrees(r.roll_rad))}})
                         : Message();
      out.push_back(Message("report.place_base_mm_turn_half_width", {{"capitalised", capitalised(rayName(ray))},
                                                                     {"number", number(r.uncertainty_mm)},
                                                                     {"number_2", number(toDegrees(r.uncertainty_rad))},
                                                                     {"about_axis", about_axis}}));
    }
  for (const auto& [id, f] : c.fragments)
    if (f.fit.doubt.empty())
      out.push_back(Message("report.piece_place_mm_turn_rays_included",
                            {{"id", id},
                             {"number", number(f.uncertainty_mm)},
                             {"number_2", number(toDegrees(f.uncertainty_rad))},
                             {"number_3", number(f.fit.uncertainty_mm)},
                             {"number_4", number(toDegrees(f.fit.uncertainty_rad))}}));
  std::vector<Message> doubtful;
  for (const auto& [bone, b] : c.bones)
    if (b.confidence < kDoubtful && isMidfootBone(bone))
      doubtful.push_back({"report.name_figure", {{"name", idOf(bone)}, {"figure", percent(100 * b.confidence)}}});
  if (!doubtful.empty())
    out.push_back(Message(
        "report.bones_whose_surface_expected_off_more",
        {{"number", number(kDoubtfulErrorMm)}, {"number_2", number(100 * kDoubtful, 0)}, {"all", all(doubtful)}}));
  for (const Ray ray : kRays) {
    const RayDisplacement* d = find(c.rays, ray);
    const RayReduction* r = reductionOf(c, ray);
    if (d == nullptr || r == nullptr || !d->told) continue;
    const double away = d->asideMm();
    if (std::abs(away - kDisplacedFromMm) < r->uncertainty_mm)
      out.push_back(Message("report.shift_lies_within_uncertainty_limit_may",
                            {{"capitalised", capitalised(rayName(ray))},
                             {"mm", mm(away)},
                             {"mm_2", mm(kDisplacedFromMm)},
                             {"other", word(d->displaced ? RayState::kInPlace : RayState::kDisplaced)}}));
  }
  return out;
}

std::vector<Message> notDone(const Case& c) {
  std::vector<Message> out;
  out.emplace_back(Message("report.ligaments_cartilage_tendons_vessels_nerves_skin"));
  out.emplace_back(Message("report.foot_not_loaded_scanner_instability_only"));
  out.emplace_back(Message("report.fractures_searched_base_second_metatarsal_only"));
  out.emplace_back(Message("report.how_strong_construct_not_computed_beyond"));
  out.emplace_back(Message("report.joints_proximal_tarsometatarsal_row_between_cuneiforms"));
  if (c.other_foot.empty()) out.emplace_back(Message("report.no_other_foot_compared_limits_difference"));
  out.emplace_back(Message("report.plates_not_planned_incisions_positioning_not"));
  return out;
}

std::string Sources::cite(const std::string& source) {
  if (source.empty()) return {};
  return number(source == kCommonPractice ? Message("report.common_practice") : Message::quoted(source));
}

std::string Sources::cite(const std::string& source, const std::string& certainty) {
  return number({"report.source_how_sure", {{"source", source}, {"certainty", certaintyName(certainty)}}});
}

std::string Sources::number(const Message& source) {
  const auto it = std::find(sources_.begin(), sources_.end(), source);
  const auto index = static_cast<std::size_t>(it - sources_.begin());
  if (it == sources_.end()) sources_.push_back(source);
  return fmt::format("[{}]", index + 1);
}

}  // namespace rayset::words
