#include "case/case.h"

#include <fmt/format.h>
#include <tbb/parallel_invoke.h>

#include <algorithm>
#include <chrono>
#include <iterator>

#include "anatomy/labels.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "base/words.h"
#include "case/corrections.h"
#include "case/open_questions.h"
#include "geometry/side.h"

namespace rayset {
namespace {

class Clock {
 public:
  [[nodiscard]] double lap() {
    const auto now = std::chrono::steady_clock::now();
    const double seconds = std::chrono::duration<double>(now - last_).count();
    last_ = now;
    return seconds;
  }

 private:
  std::chrono::steady_clock::time_point last_ = std::chrono::steady_clock::now();
};

/// How far a foot's rays deviate from a straight, even row: used only to tell the injured foot from the other one when
/// a scan shows both and nobody said which is injured. Reduced by congruence, the injured foot moves most.
double unevenness(const SegmentedFoot& foot, const BoneSurfaces& prior, const reduction::JointNorms& norms,
                  const Progress& progress) {
  const auto reduced = reduceRays(foot.surfaces(), foot.side, nullptr, prior, norms, progress);
  if (!reduced) return 0;
  double worst = 0;
  for (const auto& [ray, r] : reduced->rays) {
    const Vec3 p = basePoint(reduced->reduced.at(metatarsal(ray)), reduced->frame.distal);
    worst = std::max(worst, (r.injured_to_reduced.inverse() * p - p).norm());
  }
  return worst;
}

LabelVolume labelsOfFoot(const LabelVolume& all, std::size_t foot) {
  LabelVolume out(all.grid);
  for (std::size_t i = 0; i < out.voxels.size(); ++i) out.voxels[i] = labelOfFoot(all.voxels[i], foot);
  return out;
}

/// Where the fragments belong on their bone; `whole` receives the reassembled bone.
void reduceOntoBone(const std::map<std::string, SegmentedBone>& fragments, Case& c, BoneSurfaces& whole) {
  if (fragments.empty() || !c.injured.contains(Bone::kM2)) return;
  std::map<std::string, Surface> surfaces;
  for (const auto& [id, bone] : fragments) surfaces[id] = bone.surface;
  const FragmentsReduced reduced = reduceFragments(c.injured.at(Bone::kM2), surfaces);
  for (const auto& [id, bone] : fragments) {
    CaseFragment& f = c.fragments[id];
    f.bone = bone;
    f.fit = reduced.fragments.at(id);
    if (!f.fit.doubt.empty())
      c.cautions.push_back(Message("case.fragment_not_put_back_plan", {{"id", id}, {"doubt", f.fit.doubt}}));
    else if (f.fit.overlap_mm > 1.5)
      c.cautions.push_back(
          Message("case.fragment_overlaps_bone_once_put_back", {{"id", id}, {"overlap", mm(f.fit.overlap_mm)}}));
  }
  whole.at(Bone::kM2) = reduced.whole;
}

/// The fragments go with their ray; the ray's surfaces become those of the main part again.
void placeFragments(Case& c) {
  if (c.fragments.empty()) return;
  const RayReduction* found = find(c.reduction.rays, Ray(2));
  const RayReduction ray = found != nullptr ? *found : RayReduction{};
  c.reduction.reduced.at(Bone::kM2) = transformed(c.injured.at(Bone::kM2), ray.injured_to_reduced);
  for (auto& [id, f] : c.fragments) {
    f.injured_to_reduced = ray.injured_to_reduced * f.fit.injured_to_bone;
    f.reduced = transformed(f.bone.surface, f.injured_to_reduced);
    f.uncertainty_mm = std::hypot(f.fit.uncertainty_mm, ray.uncertainty_mm);
    f.uncertainty_rad = std::hypot(f.fit.uncertainty_rad, ray.uncertainty_rad);
  }
}

}  // namespace

std::map<std::string, Rigid> reducedPoses(const Case& c) {
  std::map<std::string, Rigid> poses;
  for (const auto& [ray, r] : c.reduction.rays) poses[std::string(boneId(metatarsal(ray)))] = r.injured_to_reduced;
  for (const auto& [id, f] : c.fragments) poses[id] = f.injured_to_reduced;
  return poses;
}

ConstructInput constructInput(const Case& c, const CtVolume* ct) {
  ConstructInput input;
  input.reduced = &c.reduction.reduced;
  input.side = c.side;
  input.frame = c.reduction.frame;
  input.ct = ct;
  for (const auto& [id, f] : c.fragments)
    if (f.fit.doubt.empty()) input.fragments[id] = f.reduced;
  for (const auto& [ray, r] : c.reduction.rays) input.injured_to_reduced[metatarsal(ray)] = r.injured_to_reduced;
  // The error that a confidence implies (docs/decisions/confidence.md).
  for (const auto& [id, bone] : c.bones)
    if (bone.confidence > 0)
      input.surface_error_mm[id] = kDoubtfulErrorMm * std::sqrt(std::max(0.0, 1 / bone.confidence - 1));
  return input;
}

Result<Case> planCase(const PlanRequest& request, const Resources& resources, const Progress& progress) {
  Clock clock;
  auto scan = readCt(request.images, {request.series}, progress);
  if (!scan) return tl::unexpected(scan.error());
  std::optional<CtScan> other_scan;
  if (!request.other.empty()) {
    auto other = readCt(request.other, {}, progress);
    if (!other) return tl::unexpected(other.error());
    other_scan = std::move(*other);
  }
  const double seconds = clock.lap();
  auto planned = planScan(std::move(*scan), std::move(other_scan), request, resources, progress);
  if (planned) planned->timings_s["read"] = seconds;
  return planned;
}

Result<Case> planScan(CtScan scan, std::optional<CtScan> other_scan, const PlanRequest& request,
                      const Resources& resources, const Progress& progress) {
  Case c;
  Clock clock;
  c.catalogue = resources.catalogue;
  c.cautions = scan.cautions;
  if (other_scan) {
    if (!scan.info.patient_id.empty() && !other_scan->info.patient_id.empty() &&
        scan.info.patient_id != other_scan->info.patient_id) {
      return fail(Fault::kRequest,
                  Message("case.other_foot_belongs_another_patient_not",
                          {{"patient_id", other_scan->info.patient_id}, {"patient_id_2", scan.info.patient_id}}),
                  request.other.string() + ", Patient ID (0010,0020)", Message("case.give_other_foot_same_patient"));
    }
    for (const auto& text : other_scan->cautions) c.cautions.push_back(Message("case.other_foot", {{"text", text}}));
  }
  c.scan = scan.info;
  c.grid = scan.volume.grid;
  Edits edits = request.edits;
  if (Status s = checkEdits(edits, c.grid); !s) return tl::unexpected(s.error());
  if (edits.side && request.side && *edits.side != *request.side)
    return fail(Fault::kRequest, Message("case.edits_foot", {{"side", nameOf(*edits.side)}}), edits.file + ", side",
                Message("case.check_side_asked_edits"));
  if (!edits.side) edits.side = request.side;

  // --- bones
  auto bones = resources.segmenter->segment(scan.volume, {request.side, &edits}, progress);
  if (!bones) return tl::unexpected(bones.error());
  c.cautions.insert(c.cautions.end(), bones->cautions.begin(), bones->cautions.end());
  std::optional<BonesResult> other_bones;
  if (other_scan) {
    auto found = resources.segmenter->segment(other_scan->volume, {}, progress);
    if (!found) return tl::unexpected(found.error());
    for (const auto& text : found->cautions) c.cautions.push_back(Message("case.other_foot", {{"text", text}}));
    other_bones = std::move(*found);
    other_scan.reset();  // its voxels are no longer needed
  }
  c.timings_s["bones"] = clock.lap();

  // --- which foot, and which is its other
  const auto prior = [](Side side) {
    return side == Side::kRight ? meanProceduralFoot().bones : mirrored(meanProceduralFoot().bones);
  };
  std::size_t planned = 0;
  if (bones->feet.size() > 1) {
    if (request.side) {
      const auto it = std::find_if(bones->feet.begin(), bones->feet.end(),
                                   [&](const SegmentedFoot& f) { return f.side == *request.side; });
      if (it == bones->feet.end()) {
        return fail(Fault::kRequest, Message("case.no_foot_found_images", {{"side", nameOf(*request.side)}}),
                    request.images.string(), Message("case.check_side_asked_leave_out"));
      }
      planned = static_cast<std::size_t>(it - bones->feet.begin());
    } else {
      const double first = unevenness(bones->feet[0], prior(bones->feet[0].side), resources.joints, progress);
      const double second = unevenness(bones->feet[1], prior(bones->feet[1].side), resources.joints, progress);
      planned = second > first ? 1 : 0;
      c.cautions.push_back(
          Message("case.both_feet_scan_foot_planned_because", {{"side", nameOf(bones->feet[planned].side)},
                                                               {"second", mm(std::max(first, second))},
                                                               {"second_2", mm(std::min(first, second))}}));
    }
  } else if (request.side && bones->feet[0].side != *request.side) {
    return fail(Fault::kRequest, Message("case.foot_images_foot", {{"side", nameOf(bones->feet[0].side)}}),
                request.images.string(), Message("case.check_side_asked_images"));
  }
  SegmentedFoot& foot = bones->feet[planned];
  c.side = foot.side;
  if (!edits.empty() && edits.side && *edits.side != c.side)
    return fail(
        Fault::kRequest,
        Message("case.edits_foot_but_foot_planned", {{"side", nameOf(*edits.side)}, {"side_2", nameOf(c.side)}}),
        edits.file + ", side", Message("case.name_side_side_correct_side_edits"));
  c.bones = foot.bones;
  c.injured = foot.surfaces();
  c.labels = labelsOfFoot(bones->labels, planned);
  BoneSurfaces other;
  if (other_bones) {
    const SegmentedFoot* match = nullptr;
    for (const SegmentedFoot& f : other_bones->feet) {
      if (f.side != c.side) match = &f;
    }
    if (match == nullptr) {
      return fail(Fault::kRequest, Message("case.images_other_foot_show_no_foot", {{"side", nameOf(opposite(c.side))}}),
                  request.other.string(), Message("case.give_foot_other_side_leave_other"));
    }
    other = match->surfaces();
    c.other_foot = request.other.filename().string();
  } else if (bones->feet.size() > 1 && bones->feet[1 - planned].side != c.side) {
    other = bones->feet[1 - planned].surfaces();
    c.other_foot = "same scan";
  }
  const BoneSurfaces* other_pointer = other.empty() ? nullptr : &other;
  c.partial = !doubtfulBones(c.bones).empty() ||
              std::any_of(kMidfootBones.begin(), kMidfootBones.end(), [&](Bone b) { return !c.bones.contains(b); });
  c.timings_s["injury"] = clock.lap();

  // --- reduction: where every ray belongs
  // A broken second metatarsal is put together first: its ray is placed, and read, as the whole bone it was.
  BoneSurfaces whole = c.injured;
  c.flecks = foot.flecks;
  reduceOntoBone(foot.fragments, c, whole);
  auto corrected = reduceCorrected(edits, whole, c.side, other_pointer, prior(c.side), resources.joints, progress);
  if (!corrected) return tl::unexpected(corrected.error());
  c.reduction = std::move(corrected->reduction);
  if (!edits.empty()) {
    c.edits.emplace();
    c.edits->file = std::filesystem::path(edits.file).filename().string();
    c.edits->source = edits.source;
    for (const auto* list : {&bones->edited, &corrected->applied})
      for (const Message& text : *list) c.edits->applied.push_back(sentence(text));
    for (const Message& text : c.edits->applied) c.cautions.push_back(Message("case.corrected_hand", {{"text", text}}));
  }
  c.cautions.insert(c.cautions.end(), c.reduction.cautions.begin(), c.reduction.cautions.end());
  c.timings_s["reduction"] = clock.lap();

  // --- injury: how far each ray stands from there
  for (const Ray ray : kRays) {
    const RayReduction* r = find(c.reduction.rays, ray);
    if (r == nullptr) {
      c.partial = true;
      continue;
    }
    RayDisplacement& d = c.rays[ray];
    d = displacement(ray, r->injured_to_reduced.inverse(), reducedBasePoint(ray, c.reduction, corrected->overrides),
                     c.reduction.frame);
    d.told = r->doubt.empty();
  }
  const std::vector<OpenQuestion> open = openQuestions(c);  // ahead of all other cautions
  std::transform(open.begin(), open.end(), std::inserter(c.cautions, c.cautions.begin()), inWords);
  const PerRay<double> within_mm = withinMm(c.reduction);
  c.patterns = classify(c.rays, within_mm);
  for (const CloseCall& call : closeCalls(c.rays, within_mm)) {
    const RayDisplacement& d = c.rays.at(call.ray);
    c.cautions.push_back(Message("case.ray_stands_out_place_give_take",
                                 {{"ray", nameOf(call.ray)},
                                  {"aside_mm", mm(d.asideMm())},
                                  {"within", mm(within_mm.at(call.ray))},
                                  {"displaced_from_mm", mm(kDisplacedFromMm, 0)},
                                  {"displaced", nameOfKey(d.displaced ? "in place" : "displaced")},
                                  {"quenu_kuss", nameOfKey(call.other.quenu_kuss.value)},
                                  {"hardcastle", nameOfKey(call.other.hardcastle.value)},
                                  {"myerson", nameOfKey(call.other.myerson.value)}}));
  }
  tbb::parallel_invoke(
      [&] { c.measures = ctMeasures(whole, c.side, c.reduction.frame, other_pointer, resources.limits); },
      [&] {
        c.measures_reduced =
            ctMeasures(c.reduction.reduced, c.side, c.reduction.frame, other_pointer, resources.limits);
      });
  placeFragments(c);
  c.timings_s["injury"] += clock.lap();
  if (progress.cancelled()) return cancelledError();

  // --- fixation
  // Much of the search runs on one thread: the grey values are cut up beside it.
  Result<ConstructResult> fixation;
  tbb::parallel_invoke(
      [&] { fixation = planConstruct(constructInput(c, &scan.volume), c.catalogue, request.construct, progress); },
      [&] { c.bodies = splitBodies(scan.volume, bones->labels, static_cast<int>(planned)); });
  if (!fixation) return tl::unexpected(fixation.error());
  c.fixation = std::move(*fixation);
  c.cautions.insert(c.cautions.end(), c.fixation.cautions.begin(), c.fixation.cautions.end());
  for (const Ray ray : request.construct.rays) {
    const bool fixed = std::any_of(c.fixation.devices.begin(), c.fixation.devices.end(), [ray](const Device& d) {
      return d.ray == ray && d.stage == DeviceStage::kDefinitive;
    });
    if (!fixed) c.partial = true;
  }
  c.timings_s["fixation"] = clock.lap();

  std::vector<Message> undone;
  for (const Ray ray : kRays) {
    if (!c.reduction.rays.contains(ray)) undone.push_back(nameOf(ray));
  }
  if (!undone.empty()) {
    c.cautions.push_back(
        Message("case.not_planned_ray_because_bone_not", {{"undone", all(undone)}, {"count", undone.size()}}));
  }
  for (Message& text : c.cautions) text = sentence(std::move(text));
  return c;
}

}  // namespace rayset
