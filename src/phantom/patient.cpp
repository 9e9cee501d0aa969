#include "phantom/patient.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "base/units.h"
#include "geometry/side.h"

namespace rayset {
namespace {

struct Chosen {
  InjurySpec spec;
  std::string name;
  std::optional<NamedInjury> named;
};

Result<Chosen> choose(const std::string& injury) {
  if (const auto name = namedInjuryFromWord(injury)) return Chosen{namedInjury(*name), injury, name};
  if (constexpr std::string_view kRandom = "random:"; injury.rfind(kRandom, 0) == 0) {
    std::uint64_t seed = 0;
    const char* end = injury.data() + injury.size();
    const auto [stop, problem] = std::from_chars(injury.data() + kRandom.size(), end, seed);
    if (problem != std::errc() || stop != end)
      return fail(Fault::kRequest, Message("phantom.has_no_whole_number_seed", {{"injury", injury}}), "--injury",
                  Message("phantom.write_example_random"));
    const RandomInjury made = randomInjury(seed);
    return Chosen{made.spec, injury, made.kind};
  }
  std::error_code problem;
  if (!std::filesystem::is_regular_file(injury, problem))
    return fail(Fault::kRequest, Message("phantom.neither_named_injury_nor_file", {{"injury", injury}}), "--injury",
                Message("phantom.known_none_homolateral_isolated_divergent_medial"));
  auto spec = readInjurySpec(injury);
  if (!spec) return tl::unexpected(spec.error());
  return Chosen{*spec, std::filesystem::path(injury).filename().string(), std::nullopt};
}

Result<Foot> readFoot(const std::filesystem::path& folder, std::optional<Side> wanted) {
  auto bones = readBoneFolder(folder);
  if (!bones) return tl::unexpected(bones.error());
  const auto found = sideFromAnatomy(*bones);
  if (!found && !wanted)
    return fail(Fault::kRequest, "phantom.these_bones_do_not_tell_right", folder.string(),
                Message("phantom.give_side_add_talus_calcaneus_cuneiforms"));
  if (found && wanted && *found != *wanted)
    return fail(Fault::kRequest,
                Message("phantom.these_bones_foot_not_one", {{"side", nameOf(*found)}, {"side_2", nameOf(*wanted)}}),
                folder.string(), Message("phantom.leave_side_out_give_other_folder"));
  return Foot{found ? *found : *wanted, std::move(*bones)};
}

}  // namespace

BoneSurfaces otherFootBeside(const BoneSurfaces& intact, const Frame& frame, Side side) {
  constexpr double kBetweenMm = 45;
  // Mirrored in the plane across `medial` that lies half the distance beyond the most medial bone: reflection in x = 0
  // (the only place where left becomes right), then a rigid motion.
  const Vec3 n = frame.medial;
  double reach = -1e9;
  Box box;
  for (const auto& [bone, surface] : intact)
    for (const Vec3& v : surface.vertices) {
      reach = std::max(reach, v.dot(n));
      box.extend(v);
    }
  const double offset = reach + kBetweenMm / 2;
  Rigid X = Rigid::Identity();
  X.linear() = (Mat3::Identity() - 2 * n * n.transpose()) * Vec3(-1, 1, 1).asDiagonal();
  X.translation() = 2 * offset * n;
  // Its pose differs: turned out by 5 degrees, rolled by 4, plantarflexed by 3, and slightly farther up and forward.
  const double hand = side == Side::kRight ? 1 : -1;
  const Vec3 middle = box.center() + 2 * (offset - box.center().dot(n)) * n;
  // The mirrored foot's toes point away from the midline when it turns about dorsal from distal towards -(its medial) =
  // n.
  const Vec3 turn = toRadians(5) * frame.distal.cross(n) + toRadians(4) * hand * frame.distal + toRadians(3) * n;
  const Rigid pose = turnAbout(middle, turn, 6 * frame.distal - 4 * frame.dorsal) * X;
  BoneSurfaces other;
  for (const auto& [bone, surface] : mirrored(intact)) other[bone] = transformed(surface, pose);
  // Restore the gap after turning.
  double nearest = 1e9;
  for (const auto& [bone, surface] : other)
    for (const Vec3& v : surface.vertices) nearest = std::min(nearest, v.dot(n));
  Rigid apart = Rigid::Identity();
  apart.translate((reach + kBetweenMm - nearest) * n);
  for (auto& [bone, surface] : other) surface = transformed(surface, apart);
  return other;
}

Result<Patient> makePatient(const PatientRequest& request, const Progress& progress) {
  Patient patient;
  const auto chosen = choose(request.injury);
  if (!chosen) return tl::unexpected(chosen.error());
  if (!request.other_bones.empty() && (request.bones.empty() || request.other == OtherFoot::kNone))
    return fail(Fault::kRequest, "phantom.bones_other_foot_given_but_not", request.other_bones.string(),
                Message("phantom.add_bones_both_other_out"));
  progress("foot", 0);
  Foot foot;
  if (request.bones.empty()) {
    foot = proceduralFoot(randomShape(request.shape_seed), request.side.value_or(Side::kRight), request.detail_mm);
    patient.source = fmt::format("procedural, shape {}", request.shape_seed);
  } else {
    auto read = readFoot(request.bones, request.side);
    if (!read) return tl::unexpected(read.error());
    foot = std::move(*read);
    patient.source = "bones";
  }
  progress("foot", 1);
  if (progress.cancelled()) return cancelledError();

  progress("injury", 0);
  InjurySpec spec = chosen->spec;
  if (request.fragment) spec.fragment = *request.fragment;
  spec.contacts.insert(spec.contacts.end(), request.contacts.begin(), request.contacts.end());
  auto injured = injure(foot.bones, foot.side, spec);
  if (!injured) return tl::unexpected(injured.error());
  patient.foot = std::move(*injured);
  patient.injury = chosen->name;
  patient.named = chosen->named;
  patient.fragment = spec.fragment;
  patient.contacts = spec.contacts;
  patient.scan = request.scan;
  if (request.staple) {
    const auto bone = patient.foot.injured.find(*request.staple);
    if (bone == patient.foot.injured.end())
      return fail(Fault::kRequest, "phantom.staples_bone_not", std::string(boneId(*request.staple)),
                  Message("phantom.add_surface_name_another_bone"));
    patient.scan.staples.push_back(stapleIn(bone->second, patient.foot.frame));
  }
  patient.other = request.other;
  progress("injury", 1);
  if (progress.cancelled()) return cancelledError();

  if (request.other != OtherFoot::kNone) {
    if (request.other_bones.empty()) {
      patient.other_bones = otherFootBeside(patient.foot.intact, patient.foot.frame, foot.side);
      patient.other_is_mirror_image = true;
    } else {
      auto other = readFoot(request.other_bones, opposite(foot.side));
      if (!other) return tl::unexpected(other.error());
      patient.other_bones = std::move(other->bones);
    }
  }
  std::vector<ScannedPart> parts = scannedParts(patient.foot, 0);
  const std::vector<ScannedPart> other_parts = scannedParts(patient.other_bones, 1);
  if (request.other == OtherFoot::kSameScan) parts.insert(parts.end(), other_parts.begin(), other_parts.end());
  auto ct = synthesiseCt(parts, patient.scan, progress);
  if (!ct) return tl::unexpected(ct.error());
  patient.ct = std::move(*ct);
  if (request.other == OtherFoot::kOwnScan) {
    ScanSettings settings = request.scan;
    settings.seed += 1000003;  // its own noise and texture
    settings.cast = {};        // an intact foot wears no cast
    auto other_ct = synthesiseCt(other_parts, settings, progress);
    if (!other_ct) return tl::unexpected(other_ct.error());
    patient.other_ct = std::move(*other_ct);
  }
  return patient;
}

}  // namespace rayset
