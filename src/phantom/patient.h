// A synthetic patient: a foot, an injury, perhaps the other foot beside it, and a scan of everything.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "phantom/injury_spec.h"
#include "phantom/scan.h"

namespace rayset {

enum class OtherFoot {
  kNone,
  kSameScan,  ///< beside the injured foot in the same volume
  kOwnScan    ///< in a volume of its own
};

struct PatientRequest {
  std::filesystem::path bones;  ///< folder of surfaces; empty: the procedural foot
  std::filesystem::path
      other_bones;           ///< the other foot, in the same frame as `bones`; empty: the mirror image, put beside it
  std::optional<Side> side;  ///< procedural: right when not given; bones: must agree with their anatomy
  std::uint32_t shape_seed = 0;  ///< procedural: 0 is the mean foot
  double detail_mm = 0.6;        ///< procedural: grid step of the surfaces

  std::string injury =
      "homolateral";  ///< a name of namedInjuryFromWord, "random:SEED", or a JSON file (readInjurySpec)
  std::optional<BaseFragment> fragment;         ///< overrides the injury's own
  std::vector<std::pair<Bone, Bone>> contacts;  ///< beside the injury's own, see InjurySpec
  std::optional<Bone> staple;                   ///< a staple in this bone of the injured foot, see stapleIn()
  OtherFoot other = OtherFoot::kNone;
  ScanSettings scan;
};

struct Patient {
  InjuredFoot foot;
  std::string source;  ///< "procedural, shape 0", or "bones"
  std::string injury;  ///< as asked for; a file's name without its folder
  std::optional<NamedInjury> named;
  BaseFragment fragment = BaseFragment::kNone;
  std::vector<std::pair<Bone, Bone>> contacts;
  ScanSettings scan;  ///< with the staple

  OtherFoot other = OtherFoot::kNone;
  BoneSurfaces other_bones;  ///< intact, as scanned
  bool other_is_mirror_image = false;
  CtVolume ct;                       ///< of the injured foot, or of both
  std::optional<CtVolume> other_ct;  ///< OtherFoot::kOwnScan
};

/// Makes the foot, injures it and scans it. kRequest if the request contradicts itself (saying where, and what to do).
/// The other foot, if it is a mirror image, is put 45 mm to the medial side (bone to bone), off by a few degrees and
/// millimetres: nobody lies perfectly symmetrically.
[[nodiscard]] Result<Patient> makePatient(const PatientRequest& request, const Progress& progress = {});

/// The mirror image of a foot, put beside it as makePatient() does.
[[nodiscard]] BoneSurfaces otherFootBeside(const BoneSurfaces& intact, const Frame& frame, Side side);

}  // namespace rayset
