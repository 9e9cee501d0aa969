// rayset phantom: invent a patient, scan the foot, write the scan as DICOM and the truth beside it.
#include <fmt/format.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <memory>
#include <vector>

#include "base/units.h"
#include "dicom/ct_writer.h"
#include "injury/displacement.h"
#include "phantom/patient.h"
#include "phantom/truth.h"
#include "phantom_after.h"
#include "runs/staging.h"
#include "verbs.h"

namespace rayset::app {
namespace {

namespace fs = std::filesystem;

struct Options {
  std::string out, other_out, foot = "procedural", bones, other_bones, side, injury = "homolateral", fragment;
  std::string after;
  AfterOperation residual;
  std::string compression = "none", kernel = "standard", contact, staple;
  std::uint32_t seed = 0;
  bool both = false, enhanced = false, surfaces = false, force = false;
  ScanSettings scan;
  std::vector<double> orientation_deg;
};

/// FNV-1a: the same request gives the same UIDs, another one different UIDs.
std::uint64_t digest(const std::string& text) {
  std::uint64_t h = 14695981039346656037ULL;
  for (const char c : text) h = (h ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  return h;
}

ScanInfo infoFor(const Patient& patient, const Options& options, const char* feet, const char* laterality) {
  ScanInfo info = inventedScan(patient.scan, feet, laterality);
  info.patient_name = "INVENTED^DEMO FOOT";
  info.patient_id = fmt::format("INVENTED-{}", options.seed);
  info.patient_sex = "O";
  info.patient_birth_date = "19850101";
  info.study_date = "20260105";
  info.study_description = "CT foot (invented)";
  return info;
}

/// The scanner rotated against the foot about x, y, z; not rotated if no angles are given.
Mat3 orientation(const std::vector<double>& degrees) {
  if (degrees.empty()) return Mat3::Identity();
  const auto turn = [&](std::size_t n, const Vec3& axis) { return Eigen::AngleAxisd(toRadians(degrees[n]), axis); };
  return (turn(2, Vec3::UnitZ()) * turn(1, Vec3::UnitY()) * turn(0, Vec3::UnitX())).toRotationMatrix();
}

int phantom(const Options& options, Console& console) {
  if (!options.after.empty()) {
    AfterOperation request = options.residual;
    request.plan = options.after;
    request.out = options.out;
    request.scan = options.scan;
    request.scan.kernel = *kernelFromWord(options.kernel);
    request.scan.seed = options.seed + 1ULL;
    request.scan.scanner_from_patient = orientation(options.orientation_deg);
    request.force = options.force;
    return phantomAfter(request, console);
  }
  const auto start = std::chrono::steady_clock::now();
  PatientRequest request;
  request.bones = options.bones;
  request.other_bones = options.other_bones;
  if (!options.side.empty()) request.side = options.side == "left" ? Side::kLeft : Side::kRight;
  request.shape_seed = options.seed;
  request.injury = options.injury;
  if (!options.fragment.empty()) request.fragment = baseFragmentFromWord(options.fragment);
  request.other = options.both                 ? OtherFoot::kSameScan
                  : !options.other_out.empty() ? OtherFoot::kOwnScan
                                               : OtherFoot::kNone;
  if (!options.contact.empty()) {
    const auto contacts = contactsFromWords(options.contact);
    if (!contacts) return console.fail(contacts.error());
    request.contacts = *contacts;
  }
  if (!options.staple.empty()) request.staple = boneFromId(options.staple);
  request.scan = options.scan;
  request.scan.kernel = *kernelFromWord(options.kernel);
  request.scan.seed = options.seed + 1ULL;
  request.scan.scanner_from_patient = orientation(options.orientation_deg);

  auto staging = Staging::open(options.out, "truth.json", options.force);
  if (!staging) return console.fail(staging.error());
  std::unique_ptr<Staging> other_staging;
  if (!options.other_out.empty()) {
    auto opened = Staging::open(options.other_out, "truth.json", options.force);
    if (!opened) return console.fail(opened.error());
    other_staging = std::make_unique<Staging>(std::move(*opened));
  }
  const Progress progress = console.progress();
  const auto made = makePatient(request, progress);
  if (!made) return console.fail(made.error());
  const Patient& patient = *made;

  const bool right = patient.foot.side == Side::kRight;
  CtWriteSettings write;
  write.compression = options.compression == "rle"             ? CtWriteSettings::Compression::kRle
                      : options.compression == "jpeg-lossless" ? CtWriteSettings::Compression::kJpegLossless
                      : options.compression == "jpeg-ls"       ? CtWriteSettings::Compression::kJpegLs
                                                               : CtWriteSettings::Compression::kNone;
  write.enhanced = options.enhanced;
  write.uid_seed = digest(truthJson(patient, false).dump());
  progress("dicom", 0);
  if (const Status done = writeCt(staging->folder() / "ct", patient.ct,
                                  infoFor(patient, options, options.both ? "Feet" : "Foot",
                                          options.both ? ""
                                          : right      ? "R"
                                                       : "L"),
                                  write);
      !done)
    return console.fail(done.error());
  if (const Status done = writeTruth(staging->folder(), patient, options.surfaces); !done)
    return console.fail(done.error());
  if (other_staging && patient.other_ct) {
    write.uid_seed += 1;
    if (const Status done = writeCt(other_staging->folder() / "ct", *patient.other_ct,
                                    infoFor(patient, options, "Foot", right ? "L" : "R"), write);
        !done)
      return console.fail(done.error());
    const fs::path file = other_staging->folder() / "truth.json";
    std::ofstream out(file);
    out << nlohmann::ordered_json{{"schema", "rayset.truth/1"},
                                  {"invented", true},
                                  {"side", right ? "left" : "right"},
                                  {"injury", "none"},
                                  {"other_of", fs::path(options.out).filename().string()}}
               .dump(2)
        << '\n';
    out.close();
    if (!out)
      return console.fail(
          {Fault::kInternal, "the truth could not be written", file.string(), "Check free space and permissions."});
  }
  progress("dicom", 1);
  if (progress.cancelled()) return console.fail(cancelledError().value());
  if (other_staging)
    if (const Status done = other_staging->commit(); !done) return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());

  const Eigen::Vector3i size = patient.ct.grid.size;
  console.say(fmt::format("Invented patient: {} foot ({}), injury {}{}", right ? "right" : "left", patient.source,
                          patient.injury,
                          patient.fragment == BaseFragment::kNone
                              ? ""
                              : fmt::format(", {} break of the second base", wordOf(patient.fragment))));
  for (const Ray ray : kRays) {
    if (!patient.foot.intact.contains(metatarsal(ray))) continue;
    const RayDisplacement d =
        displacement(ray, patient.foot.intact_to_injured[ray], patient.foot.base_points.at(ray), patient.foot.frame);
    if (d.displaced)
      console.say(fmt::format("  ray {}  {:+.1f} mm lateral, {:+.1f} dorsal, {:+.1f} distal", ray, d.lateral_mm,
                              d.dorsal_mm, d.distal_mm));
    if (patient.foot.eased_mm[ray] > 0.05)
      console.say(
          fmt::format("  ray {}  was eased out of its neighbours by {:.1f} mm", ray, patient.foot.eased_mm[ray]));
  }
  console.say(fmt::format("Scan: {} x {} x {} voxels of {:g} x {:g} x {:g} mm, made in {:.1f} s", size.x(), size.y(),
                          size.z(), patient.scan.pixel_mm, patient.scan.pixel_mm, patient.scan.slice_mm,
                          std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count()));
  console.say(fmt::format("Images: {}\nTruth:  {}", (fs::path(options.out) / "ct").string(),
                          (fs::path(options.out) / "truth.json").string()));
  return 0;
}

}  // namespace

void addPhantomVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("phantom", "invent an injured foot and write its CT scan with the truth");
  verb->add_option("--out", options->out, "folder for ct/ and truth.json")->required();
  CLI::Option* foot = verb->add_option("--foot", options->foot, "the foot to start from")
                          ->check(CLI::IsMember({"procedural"}))
                          ->capture_default_str();
  CLI::Option* bones =
      verb->add_option("--bones", options->bones, "folder of closed bone surfaces (M1.stl, C1.stl, ...) to start from")
          ->excludes(foot);
  CLI::Option* after =
      verb->add_option("--after", options->after,
                       "a CT after the operation instead: the foot of this plan (a folder that `rayset "
                       "plan` wrote) with its metal")
          ->excludes(foot)
          ->excludes(bones);
  verb->add_option("--off-mm", options->residual.ray_mm, "with --after: how far each ray is from the plan, at most")
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--off-deg", options->residual.ray_deg, "the same, degrees")->needs(after)->capture_default_str();
  verb->add_option("--metal-off-mm", options->residual.device_mm, "with --after: the same for each device")
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--metal-off-deg", options->residual.device_deg, "the same, degrees")
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--side", options->side, "procedural: which foot (right); bones: checked against them")
      ->check(CLI::IsMember({"left", "right"}));
  verb->add_option("--seed", options->seed, "shape of the procedural foot (0: the mean foot), texture and noise")
      ->capture_default_str();
  verb->add_option(
          "--injury", options->injury,
          "none, homolateral, isolated, divergent, medial-partial, lateral-partial, random:SEED, or a JSON file")
      ->capture_default_str();
  verb->add_option("--fragment", options->fragment, "break of the second metatarsal's base")
      ->check(CLI::IsMember({"none", "shear", "butterfly", "y", "fleck"}));
  CLI::Option* both = verb->add_flag("--both", options->both, "the other, intact foot in the same scan");
  verb->add_option("--other-out", options->other_out, "the other, intact foot in a scan of its own, in this folder")
      ->excludes(both);
  verb->add_option("--other-bones", options->other_bones,
                   "bones of the other foot in the same frame as --bones (otherwise its mirror image, put beside it)")
      ->needs(bones);
  verb->add_option("--spacing", options->scan.pixel_mm, "pixel spacing, mm")->capture_default_str();
  verb->add_option("--slice", options->scan.slice_mm, "slice spacing and thickness, mm")->capture_default_str();
  verb->add_option("--noise", options->scan.noise_hu, "standard deviation of the noise, HU")->capture_default_str();
  verb->add_option("--density", options->scan.density, "bone mineral, 1: healthy adult")->capture_default_str();
  verb->add_option("--blur", options->scan.blur_fwhm_mm, "full width at half maximum of the blur, mm")
      ->capture_default_str();
  verb->add_option("--kernel", options->kernel, "of the reconstruction; sharp: edges overshoot, more noise")
      ->check(CLI::IsMember({"standard", "soft", "sharp"}))
      ->capture_default_str();
  verb->add_flag("--hardening", options->scan.bone_hardening,
                 "beam hardening by bone: dense bone reads low, dark bands between bones");
  verb->add_option("--cast", options->scan.cast.thickness_mm, "plaster cast of this thickness, mm (0: none)")
      ->capture_default_str();
  verb->add_option("--cast-hu", options->scan.cast.hu, "density of the plaster, HU")->capture_default_str();
  verb->add_option("--staple", options->staple, "steel staple, with its streaks, in this bone")
      ->check(CLI::IsMember({"C1", "C2", "C3", "Cub", "Nav", "Tal", "Cal"}));
  verb->add_option("--contact", options->contact,
                   "pairs of bones pressed into contact, for example M1-C1,C2-C3: a metatarsal moves, two tarsal bones "
                   "grow together");
  verb->add_option("--orientation", options->orientation_deg, "scanner turned against the foot about x,y,z, degrees")
      ->delimiter(',')
      ->expected(3);
  verb->add_option("--crop", options->scan.proximal_crop_mm,
                   "field of view starts this far behind C2, mm (0: whole foot)")
      ->capture_default_str();
  verb->add_option("--compression", options->compression, "of the pixel data")
      ->check(CLI::IsMember({"none", "rle", "jpeg-lossless", "jpeg-ls"}))
      ->capture_default_str();
  verb->add_flag("--enhanced", options->enhanced, "one multi-frame object instead of a file a slice");
  verb->add_flag("--surfaces", options->surfaces, "also write the intact and injured bones as STL");
  verb->add_flag("--force", options->force, "replace an earlier phantom in the same folder");
  verb->callback([options, &console, &status] { status = phantom(*options, console); });
}

}  // namespace rayset::app
