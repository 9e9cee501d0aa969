#include "rayset/plan.h"

#include "base/units.h"
#include "case/case.h"
#include "case/open_questions.h"
#include "case/plan_record.h"
#include "library/convert.h"
#include "runs/runs.h"
#include "runs/staging.h"

namespace rayset::api {

using library::guarded;
using library::shown;
using library::taken;

Result<Resources> Resources::read(const std::filesystem::path& folder) {
  return guarded(Words(), [&]() -> Result<Resources> {
    auto words = readWords({folder / "words"});
    if (!words) return shown(words.error(), Words());
    return guarded(*words, [&]() -> Result<Resources> {
      auto read = readResources(folder, *words);
      if (!read) return shown(read.error(), *words);
      return Resources(std::make_shared<const Data>(Data{*std::move(read)}));
    });
  });
}

struct Plan::Impl {
  Case planned;
  Words words;
  /// Where it was read from; labels and grey values, needed only for writing, are then still there. Empty: everything
  /// is in memory.
  std::filesystem::path folder;
  bool fresh = false;  ///< not written yet
};

Plan::Plan(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
Plan::Plan(Plan&&) noexcept = default;
Plan& Plan::operator=(Plan&&) noexcept = default;
Plan::~Plan() = default;

Result<Plan> Plan::make(const PlanRequest& request, const Resources& resources, const Progress& progress) {
  return guarded(resources.data().resources.words, [&]() -> Result<Plan> {
    rayset::PlanRequest inner;
    inner.images = request.images;
    inner.other = request.other;
    inner.series = request.series;
    if (request.side) inner.side = *request.side == Side::kLeft ? rayset::Side::kLeft : rayset::Side::kRight;
    inner.construct.lateral_wires = request.lateral_wires;
    if (!request.edits.empty()) {
      auto edits = readEdits(request.edits);
      if (!edits) return shown(edits.error(), resources.data().resources.words);
      inner.edits = *std::move(edits);
    }
    auto planned = planCase(inner, resources.data().resources, taken(progress));
    if (!planned) return shown(planned.error(), resources.data().resources.words);
    return Plan(std::make_unique<Impl>(Impl{*std::move(planned), resources.data().resources.words, {}, true}));
  });
}

Result<Plan> Plan::open(const std::filesystem::path& folder, const Resources& resources) {
  return guarded(resources.data().resources.words, [&]() -> Result<Plan> {
    auto read = readCase(folder, resources.data().resources.catalogue, {.labels = false, .bodies = false});
    if (!read) return shown(read.error(), resources.data().resources.words);
    recogniseQuestions(*read, resources.data().resources.words);
    return Plan(std::make_unique<Impl>(Impl{*std::move(read), resources.data().resources.words, folder, false}));
  });
}

namespace {

rayset::Status loadVolumes(Case& c, std::filesystem::path& folder) {
  if (folder.empty()) return {};
  auto labels = readPlanLabels(folder);
  if (!labels) return tl::unexpected(labels.error());
  auto bodies = readPlanBodies(folder);
  if (!bodies) return tl::unexpected(bodies.error());
  c.labels = *std::move(labels);
  c.bodies = *std::move(bodies);
  folder.clear();
  return {};
}

}  // namespace

Status Plan::write(const std::filesystem::path& folder, bool replace, const Progress& progress) {
  return guarded(impl_->words, [&]() -> Status {
    if (const auto loaded = loadVolumes(impl_->planned, impl_->folder); !loaded)
      return shown(loaded.error(), impl_->words);
    auto staging = Staging::open(folder, "plan.json", replace);
    if (!staging) return shown(staging.error(), impl_->words);
    const auto written = impl_->fresh ? writeNewPlan(impl_->words, impl_->planned, staging->folder(), taken(progress))
                                      : writePlan(impl_->words, impl_->planned, staging->folder(), taken(progress));
    if (!written) return shown(written.error(), impl_->words);
    if (const auto done = staging->commit(); !done) return shown(done.error(), impl_->words);
    impl_->fresh = false;
    return {};
  });
}

Side Plan::side() const { return impl_->planned.side == rayset::Side::kLeft ? Side::kLeft : Side::kRight; }

Images Plan::images() const {
  const ScanInfo& scan = impl_->planned.scan;
  return {.patient_id = scan.patient_id,
          .patient_name = scan.patient_name,
          .study_uid = scan.study_uid,
          .study_date = scan.study_date,
          .series_uid = scan.series_uid,
          .series_description = scan.series_description,
          .frame_of_reference_uid = scan.frame_of_reference_uid,
          .files = scan.files};
}

Frame Plan::frame() const {
  const rayset::Frame& f = impl_->planned.reduction.frame;
  return {.origin = shown(f.origin), .distal = shown(f.distal), .medial = shown(f.medial), .dorsal = shown(f.dorsal)};
}

std::vector<Bone> Plan::bones() const {
  const Case& c = impl_->planned;
  const auto poses = reducedPoses(c);
  std::vector<Bone> out;
  const auto add = [&](const std::string& id, const std::string& name, const SegmentedBone& b) {
    const auto pose = poses.find(id);
    out.push_back({.id = id,
                   .name = name,
                   .confidence = b.confidence,
                   .doubt = impl_->words(b.doubt),
                   .complete = b.complete,
                   .by_hand = b.by_hand,
                   .volume_mm3 = b.volume_mm3,
                   .mean_hu = b.mean_hu,
                   .injured_to_reduced = shown(pose == poses.end() ? Rigid::Identity() : pose->second)});
  };
  for (const auto& [bone, b] : c.bones) add(std::string(boneId(bone)), impl_->words(nameOf(bone)), b);
  for (const auto& [id, f] : c.fragments) add(id, impl_->words("library.fragment", {{"id", id}}), f.bone);
  return out;
}

std::vector<std::string> Plan::missing() const {
  std::vector<std::string> out;
  for (const rayset::Bone bone : kMidfootBones)
    if (!impl_->planned.bones.contains(bone)) out.emplace_back(boneId(bone));
  return out;
}

std::vector<Ray> Plan::rays() const {
  std::vector<Ray> out;
  for (const rayset::Ray number : kRays)
    out.push_back({.number = number.number(), .displacement = {}, .displaced = {}, .reduction = {}});
  for (const auto& [number, d] : impl_->planned.rays) {
    Ray& ray = out[number.index()];
    ray.displacement = shown(d);
    if (d.told) ray.displaced = d.displaced;
  }
  for (const auto& [number, r] : impl_->planned.reduction.rays) {
    out[number.index()].reduction = {.injured_to_reduced = shown(r.injured_to_reduced),
                                     .uncertainty_mm = r.uncertainty_mm,
                                     .uncertainty_deg = toDegrees(r.uncertainty_rad),
                                     .roll_deg = toDegrees(r.roll_rad),
                                     .by_hand = r.by_hand,
                                     .doubt = impl_->words(r.doubt),
                                     .joint = {.gap_mm = r.joint.gap_mm,
                                               .step_mm = r.joint.step_mm,
                                               .overlap_mm = r.joint.overlap_mm,
                                               .contact_mm2 = r.joint.contact_mm2},
                                     .manoeuvre = impl_->words.texts(r.manoeuvre)};
  }
  return out;
}

Patterns Plan::patterns() const {
  const rayset::Patterns& p = impl_->planned.patterns;
  const auto name = [this](const rayset::PatternName& n) { return PatternName{n.value, impl_->words(n.reason)}; };
  return {name(p.quenu_kuss), name(p.hardcastle), name(p.myerson), p.columns};
}

std::vector<Measure> Plan::measures(Pose pose) const {
  return shown(pose == Pose::kInjured ? impl_->planned.measures : impl_->planned.measures_reduced, impl_->words);
}

std::vector<Device> Plan::devices() const { return shown(impl_->planned.fixation.devices, impl_->words); }
std::vector<std::string> Plan::cautions() const { return impl_->words.texts(impl_->planned.cautions); }
bool Plan::partial() const { return impl_->planned.partial; }
std::map<std::string, double> Plan::timings_s() const { return impl_->planned.timings_s; }

Result<Mesh> Plan::boneMesh(std::string_view id, Pose pose) const {
  const Case& c = impl_->planned;
  if (const auto bone = boneFromId(id)) {
    const BoneSurfaces& all = pose == Pose::kInjured ? c.injured : c.reduction.reduced;
    if (const auto it = all.find(*bone); it != all.end()) return shown(it->second);
  }
  if (const auto it = c.fragments.find(std::string(id)); it != c.fragments.end())
    return shown(pose == Pose::kInjured ? it->second.bone.surface : it->second.reduced);
  return Error{Fault::kRequest, impl_->words("library.plan_has_no_bone_id"), std::string(id),
               impl_->words("library.take_id_plan_bones")};
}

Result<Mesh> Plan::deviceMesh(std::string_view id) const {
  for (const rayset::Device& d : impl_->planned.fixation.devices)
    if (d.id == id) return shown(deviceSurface(d, impl_->planned.catalogue));
  return Error{Fault::kRequest, impl_->words("library.plan_has_no_device_id"), std::string(id),
               impl_->words("library.take_id_plan_devices")};
}

}  // namespace rayset::api
