// rayset phantom: invent a patient, scan the foot, write the scan as DICOM and the truth beside it.
#include <fmt/format.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <memory>
#include <vector>

#include "base/units.h"
#include "dicom/ct_writer.h"
#include "geometry/side.h"
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
      return console.fail({Fault::kInternal, Message("cli.truth_could_not_written"), file.string(),
                           Message("cli.check_free_space_permissions")});
  }
  progress("dicom", 1);
  if (progress.cancelled()) return console.fail(cancelledError().value());
  if (other_staging)
    if (const Status done = other_staging->commit(); !done) return console.fail(done.error());
  if (const Status done = staging->commit(); !done) return console.fail(done.error());

  const Eigen::Vector3i size = patient.ct.grid.size;
  console.say(
      Message("cli.invented_patient_foot_injury",
              {{"side", nameOf(patient.foot.side)},
               {"source", patient.source},
               {"injury", patient.injury},
               {"broken", patient.fragment == BaseFragment::kNone
                              ? Message()
                              : Message("cli.base_break", {{"fragment", nameOfKey(wordOf(patient.fragment))}})}}));
  for (const Ray ray : kRays) {
    if (!patient.foot.intact.contains(metatarsal(ray))) continue;
    const RayDisplacement d =
        displacement(ray, patient.foot.intact_to_injured[ray], patient.foot.base_points.at(ray), patient.foot.frame);
    if (d.displaced)
      console.say(
          console.words("cli.ray_lateral_dorsal_distal", {{"ray", ray},
                                                          {"lateral", Quantity{d.lateral_mm, Unit::kMm, 1, true}},
                                                          {"dorsal", Quantity{d.dorsal_mm, Unit::kNone, 1, true}},
                                                          {"distal", Quantity{d.distal_mm, Unit::kNone, 1, true}}}));
    if (patient.foot.eased_mm[ray] > 0.05)
      console.say(
          console.words("cli.ray_eased_out_neighbours", {{"ray", ray}, {"eased", mm(patient.foot.eased_mm[ray])}}));
  }
  console.say(
      console.words("cli.scan_voxels_made",
                    {{"x", size.x()},
                     {"y", size.y()},
                     {"z", size.z()},
                     {"pixel", plain(patient.scan.pixel_mm)},
                     {"slice", mm(patient.scan.slice_mm, -1)},
                     {"count", Quantity{std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count(),
                                        Unit::kSeconds, 1}}}));
  console.say(Message("cli.written_phantom", {{"images", (fs::path(options.out) / "ct").string()},
                                              {"truth", (fs::path(options.out) / "truth.json").string()}}));
  return 0;
}

}  // namespace

void addPhantomVerb(CLI::App& app, Console& console, int& status) {
  auto options = std::make_shared<Options>();
  CLI::App* verb = app.add_subcommand("phantom", console.words("cli.invent_injured_foot_write_ct_scan"));
  verb->add_option("--out", options->out, console.words("cli.folder_ct_truth_json"))->required();
  CLI::Option* foot = verb->add_option("--foot", options->foot, console.words("cli.foot_start"))
                          ->check(CLI::IsMember({"procedural"}))
                          ->capture_default_str();
  CLI::Option* bones =
      verb->add_option("--bones", options->bones, console.words("cli.folder_closed_bone_surfaces_m1_stl"))
          ->excludes(foot);
  CLI::Option* after =
      verb->add_option("--after", options->after, console.words("cli.ct_after_operation_instead_foot_plan"))
          ->excludes(foot)
          ->excludes(bones);
  verb->add_option("--off-mm", options->residual.ray_mm, console.words("cli.after_how_far_each_ray_plan"))
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--off-deg", options->residual.ray_deg, console.words("cli.same_degrees"))
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--metal-off-mm", options->residual.device_mm, console.words("cli.after_same_each_device"))
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--metal-off-deg", options->residual.device_deg, console.words("cli.same_degrees"))
      ->needs(after)
      ->capture_default_str();
  verb->add_option("--side", options->side, console.words("cli.procedural_foot_right_bones_checked_against"))
      ->check(CLI::IsMember({"left", "right"}));
  verb->add_option("--seed", options->seed, console.words("cli.shape_procedural_foot_0_mean_foot"))
      ->capture_default_str();
  verb->add_option("--injury", options->injury, console.words("cli.none_homolateral_isolated_divergent_medial_partial"))
      ->capture_default_str();
  verb->add_option("--fragment", options->fragment, console.words("cli.break_second_metatarsals_base"))
      ->check(CLI::IsMember({"none", "shear", "butterfly", "y", "fleck"}));
  CLI::Option* both = verb->add_flag("--both", options->both, console.words("cli.other_intact_foot_same_scan"));
  verb->add_option("--other-out", options->other_out, console.words("cli.other_intact_foot_scan_own_folder"))
      ->excludes(both);
  verb->add_option("--other-bones", options->other_bones, console.words("cli.bones_other_foot_same_frame_bones"))
      ->needs(bones);
  verb->add_option("--spacing", options->scan.pixel_mm, console.words("cli.pixel_spacing_mm"))->capture_default_str();
  verb->add_option("--slice", options->scan.slice_mm, console.words("cli.slice_spacing_thickness_mm"))
      ->capture_default_str();
  verb->add_option("--noise", options->scan.noise_hu, console.words("cli.standard_deviation_noise_hu"))
      ->capture_default_str();
  verb->add_option("--density", options->scan.density, console.words("cli.bone_mineral_1_healthy_adult"))
      ->capture_default_str();
  verb->add_option("--blur", options->scan.blur_fwhm_mm, console.words("cli.full_width_half_maximum_blur_mm"))
      ->capture_default_str();
  verb->add_option("--kernel", options->kernel, console.words("cli.reconstruction_sharp_edges_overshoot_more_noise"))
      ->check(CLI::IsMember({"standard", "soft", "sharp"}))
      ->capture_default_str();
  verb->add_flag("--hardening", options->scan.bone_hardening,
                 console.words("cli.beam_hardening_bone_dense_bone_reads"));
  verb->add_option("--cast", options->scan.cast.thickness_mm, console.words("cli.plaster_cast_thickness_mm_0_none"))
      ->capture_default_str();
  verb->add_option("--cast-hu", options->scan.cast.hu, console.words("cli.density_plaster_hu"))->capture_default_str();
  verb->add_option("--staple", options->staple, console.words("cli.steel_staple_streaks_bone"))
      ->check(CLI::IsMember({"C1", "C2", "C3", "Cub", "Nav", "Tal", "Cal"}));
  verb->add_option("--contact", options->contact, console.words("cli.pairs_bones_pressed_into_contact_example"));
  verb->add_option("--orientation", options->orientation_deg,
                   console.words("cli.scanner_turned_against_foot_about_degrees"))
      ->delimiter(',')
      ->expected(3);
  verb->add_option("--crop", options->scan.proximal_crop_mm, console.words("cli.field_view_starts_far_behind_c2"))
      ->capture_default_str();
  verb->add_option("--compression", options->compression, console.words("cli.pixel_data"))
      ->check(CLI::IsMember({"none", "rle", "jpeg-lossless", "jpeg-ls"}))
      ->capture_default_str();
  verb->add_flag("--enhanced", options->enhanced, console.words("cli.one_multi_frame_object_instead_file"));
  verb->add_flag("--surfaces", options->surfaces, console.words("cli.also_write_intact_injured_bones_stl"));
  verb->add_flag("--force", options->force, console.words("cli.replace_earlier_phantom_same_folder"));
  verb->callback([options, &console, &status] { status = phantom(*options, console); });
}

}  // namespace rayset::app
