#include "phantom_after.h"

#include <fmt/format.h>

#include <random>

#include "anatomy/frames.h"
#include "base/units.h"
#include "case/plan_record.h"
#include "dicom/ct_writer.h"
#include "geometry/json.h"
#include "geometry/side.h"
#include "runs/staging.h"

namespace rayset::app {
namespace {

double uniform(std::mt19937_64& g) { return static_cast<double>(g() >> 11) * 0x1.0p-53; }

Vec3 direction(std::mt19937_64& g) {
  for (;;) {
    const Vec3 v(2 * uniform(g) - 1, 2 * uniform(g) - 1, 2 * uniform(g) - 1);
    if (v.norm() > 0.1 && v.norm() < 1) return v.normalized();
  }
}

Rigid wander(std::mt19937_64& g, const Vec3& centre, double mm, double deg) {
  const Vec3 turn = uniform(g) * toRadians(deg) * direction(g);
  return turnAbout(centre, turn, uniform(g) * mm * direction(g));
}

}  // namespace

ScanInfo inventedScan(const ScanSettings& scan, const std::string& feet, const std::string& laterality) {
  ScanInfo info;
  const bool soft = scan.kernel == ReconstructionKernel::kSoft;
  info.series_number = "2";
  info.series_description = fmt::format("{} {}, {:g} mm", feet, soft ? "soft" : "bone", scan.slice_mm);
  // verbatim: DICOM
  info.manufacturer = "Rayset phantom, no scanner";
  info.model = "synthetic";
  // In scanners' terms, at most sixteen letters; the standard kernel here is what they call bone.
  info.kernel = soft                                          ? "soft (synthetic)"
                : scan.kernel == ReconstructionKernel::kSharp ? "edge (synthetic)"
                                                              : "bone (synthetic)";
  info.body_part = "FOOT";
  info.laterality = laterality;
  info.patient_position = "FFS";
  info.kvp = 120;
  return info;
}

int phantomAfter(const AfterOperation& request, Console& console) {
  const auto resources = console.resources();
  if (!resources) return console.fail(resources.error());
  const auto plan = readPlan(request.plan);
  if (!plan) return console.fail(plan.error());
  auto staging = Staging::open(request.out, "truth.json", request.force);
  if (!staging) return console.fail(staging.error());
  std::mt19937_64 generator(request.scan.seed);

  nlohmann::ordered_json truth{
      {"schema", "rayset.truth/1"}, {"invented", true}, {"side", sideWord(plan->side)}, {"after_operation", true}};
  BoneSurfaces post = plan->reduced;
  truth["rays"] = nlohmann::ordered_json::array();
  for (const Ray ray : kRays) {
    const auto bone = post.find(metatarsal(ray));
    if (bone == post.end()) continue;
    const Vec3 base = basePoint(bone->second, plan->frame.distal);
    const Rigid off = wander(generator, base, request.ray_mm, request.ray_deg);
    bone->second = transformed(bone->second, off);
    truth["rays"].push_back({{"ray", ray},
                             {"shift_mm", (off * base - base).norm()},
                             {"turn_deg", toDegrees(rotationAngle(off.linear()))},
                             {"planned_to_found", rigidJson(off)}});
  }
  std::vector<ScannedPart> parts;
  for (const auto& [bone, surface] : post)
    if (!surface.empty()) parts.push_back({std::string(boneId(bone)), &surface});
  for (const auto& [id, surface] : plan->fragments) parts.push_back({id, &surface});
  ScanSettings scan = request.scan;
  truth["devices"] = nlohmann::ordered_json::array();
  for (const Device& d : plan->devices) {
    if (d.stage != DeviceStage::kDefinitive) continue;
    const Rigid off = wander(generator, 0.5 * (d.entry + d.tip), request.device_mm, request.device_deg);
    const Surface solid = transformed(deviceSurface(d, resources->catalogue), off);
    if (solid.empty()) continue;
    scan.steel.push_back(steelBody(solid));
    truth["devices"].push_back(
        {{"id", d.id}, {"entry", pointJson(off * d.entry, 3)}, {"tip", pointJson(off * d.tip, 3)}});
  }
  const Progress progress = console.progress();
  const auto ct = synthesiseCt(parts, scan, progress);
  if (!ct) return console.fail(ct.error());
  ScanInfo info = inventedScan(scan, "Foot", plan->side == Side::kRight ? "R" : "L");
  info.patient_name = plan->patient_name;
  info.patient_id = plan->patient_id;
  info.study_date = "20260119";
  info.study_description = console.words("cli.ct_foot_after_operation_invented");
  CtWriteSettings write;
  write.uid_seed = scan.seed * 7919 + 20260119;
  if (const Status done = writeCt(staging->folder() / "ct", *ct, info, write); !done) return console.fail(done.error());
  if (const Status done = writeJson(staging->folder() / "truth.json", truth); !done) return console.fail(done.error());
  if (progress.cancelled()) return console.fail(cancelledError().value());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());
  console.say(console.words("cli.invented_ct_after_operation_each_ray",
                            {{"ray", mm(request.ray_mm, -1)},
                             {"ray_2", plain(request.ray_deg)},
                             {"device", mm(request.device_mm, -1)},
                             {"device_2", plain(request.device_deg)},
                             {"string", (std::filesystem::path(request.out) / "ct").string()},
                             {"string_2", (std::filesystem::path(request.out) / "truth.json").string()}}));
  return 0;
}

}  // namespace rayset::app
