// How far one segmented bone can be trusted, and why not: evidence measured on the scan, the template and the surface,
// and the verdict drawn from it. The verdict was fitted to the true errors of synthetic scans:
// docs/decisions/confidence.md.
#pragma once

#include <array>
#include <string>
#include <string_view>
#include <vector>

#include "anatomy/bones.h"

namespace rayset {

/// Why a bone may be wrong. The words of doubtWord() are those of plan.json (bones[].doubts).
enum class Doubt {
  kTouching,
  kCropped,
  kMetal,
  kLowDensity,
  kFaintOutline,
  kOddVolume,
  kEndMissing,
  kTakenAlong,
  kNotFound
};

inline constexpr std::array<Doubt, 9> kDoubts{Doubt::kTouching,   Doubt::kCropped,      Doubt::kMetal,
                                              Doubt::kLowDensity, Doubt::kFaintOutline, Doubt::kOddVolume,
                                              Doubt::kEndMissing, Doubt::kTakenAlong,   Doubt::kNotFound};
/// "touching", "cropped", "metal", "low density", "faint outline", "odd volume", "end missing",
/// "taken along" (a piece of a neighbour), "not found".
[[nodiscard]] std::string_view doubtWord(Doubt doubt);

/// Anything farther than this beyond the deformed template is unlikely to be the same bone.
inline constexpr double kStandsOffMm = 4;

/// Measurements of one bone. Lengths in mm, grey values in HU, fractions of the bone's surface from 0 to 1.
struct BoneEvidence {
  double outline = 1;       ///< fraction of the surface (in view) placed by a clear edge of its own
  double match = 1;         ///< how well the rigid template fitted the edges (FitResult::score)
  double touching = 0;      ///< fraction in contact with other bones without a visible gap
  double volume_ratio = 1;  ///< volume relative to what the size of the tarsus suggests; 1 if there is no expectation
  double cut = 0;           ///< fraction on a border of the scan
  double contrast = 900;    ///< median of grey values 1 mm inside minus those 1.5 mm outside the surface
  double noise = 20;        ///< of single voxels in soft tissue
  double metal = 0;         ///< fraction within 4 mm of metal
  double strayed = 0;       ///< fraction more than 1.5 mm from the deformed template
  double missed = 0;        ///< fraction of the deformed template (in view) more than 1.5 mm from the surface
  double buried = 0;        ///< fraction where bone continues beyond the surface and no gap shows where one should be
  double open_end = 0;  ///< of a long bone: fraction of an end's face that is buried; nearly 1 for a shaft cut across
  double length_ratio =
      1;  ///< of a metatarsal: length relative to what the others suggest; 1 if there is no expectation
  double stands_off_mm2 = 0;    ///< of a metatarsal: area beyond kStandsOffMm; 0 for others
  double dense_inside_mm3 = 0;  ///< dense bone deep inside, except in shafts: the plates of a joint that was missed
};

/// The evidence as written (plan.json, bench_confidence), in order: key, member, decimal places.
struct EvidenceField {
  const char* key;
  double BoneEvidence::*value;
  int digits;
};
inline constexpr std::array<EvidenceField, 15> kEvidenceFields{
    {{"outline", &BoneEvidence::outline, 4},
     {"match", &BoneEvidence::match, 4},
     {"touching", &BoneEvidence::touching, 4},
     {"volume_ratio", &BoneEvidence::volume_ratio, 4},
     {"cut", &BoneEvidence::cut, 4},
     {"contrast_hu", &BoneEvidence::contrast, 1},
     {"noise_hu", &BoneEvidence::noise, 1},
     {"metal", &BoneEvidence::metal, 4},
     {"strayed", &BoneEvidence::strayed, 4},
     {"missed", &BoneEvidence::missed, 4},
     {"buried", &BoneEvidence::buried, 4},
     {"open_end", &BoneEvidence::open_end, 4},
     {"length_ratio", &BoneEvidence::length_ratio, 4},
     {"stands_off_mm2", &BoneEvidence::stands_off_mm2, 1},
     {"dense_inside_mm3", &BoneEvidence::dense_inside_mm3, 1}}};

/// Voxels above this are metal, or saturated next to it. Compact bone of the midfoot stays below 2000 HU (1441 HU on
/// average); steel and titanium saturate the 12-bit scale at 3071 HU.
inline constexpr double kMetalHu = 2500;

struct Verdict {
  /// 0 to 1; below kDoubtful the bone is more likely than not wrong by over 0.5 mm somewhere.
  double confidence = 0;
  double shape = 0;                ///< the same from the fit of the shape alone, on which the name depends
  std::vector<Doubt> doubts;       ///< most important first; empty if there is no doubt
  std::vector<std::string> texts;  ///< one clause per doubt, with its figures
};

/// Below this a bone counts as doubtful: more likely than not it is wrong by over kDoubtfulErrorMm somewhere.
inline constexpr double kDoubtful = 0.5;
inline constexpr double kDoubtfulErrorMm = 0.5;

/// Pure function of the evidence. `midfoot`: one of the twelve bones of a plan; for others (toes, leg) volume is not
/// judged.
[[nodiscard]] Verdict verdictOn(const BoneEvidence& evidence, bool midfoot);

/// Judges the midfoot bones of one foot together: if half of them are doubtful the template was probably placed
/// wrongly, names and all, and no bone is trusted more than the median one. Only ever lowers confidences; returns true
/// if it did.
bool judgeTogether(std::vector<Verdict*>& foot);

}  // namespace rayset
