// How far one segmented bone can be trusted, and why not: evidence measured on the scan, the template and the surface,
// and the verdict drawn from it. The verdict was fitted to true errors of invented scans: docs/decisions/confidence.md.
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

/// What stands farther than this beyond the bent template is hardly the same bone.
inline constexpr double kStandsOffMm = 4;

/// What was measured of one bone. Lengths in mm, grey values in HU, fractions of the bone's surface from 0 to 1.
struct BoneEvidence {
  double outline = 1;       ///< fraction of the surface (in view) placed by a clear edge of its own
  double match = 1;         ///< how well the rigid template met the edges (FitResult::score)
  double touching = 0;      ///< fraction that lies against other bones without a visible gap
  double volume_ratio = 1;  ///< volume against what the size of the tarsus suggests; 1 where nothing is expected
  double cut = 0;           ///< fraction that lies on a border of the scan
  double contrast = 900;    ///< median of grey values 1 mm inside less those 1.5 mm outside the surface
  double noise = 20;        ///< of single voxels in soft tissue
  double metal = 0;         ///< fraction within 4 mm of metal
  double strayed = 0;       ///< fraction more than 1.5 mm from the bent template
  double missed = 0;        ///< fraction of the bent template (in view) more than 1.5 mm from the surface
  double buried = 0;        ///< fraction where bone goes on beyond the surface and no gap shows where it should lie
  double open_end = 0;  ///< of a long bone: fraction of an end's face that is buried; a shaft cut across shows nearly 1
  double length_ratio =
      1;  ///< of a metatarsal: its length against what the others suggest; 1 where nothing is expected
  double stands_off_mm2 = 0;    ///< of a metatarsal: area beyond kStandsOffMm; 0 of others
  double dense_inside_mm3 = 0;  ///< dense bone deep inside, shafts aside: plates of a joint that was not seen
};

/// The evidence as it is written (plan.json, bench_confidence), in order: key, member, digits after the point.
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

/// Voxels above this are metal or saturated beside it. Compact bone of the midfoot stays below 2000 HU (reference: 1441
/// HU on average); steel and titanium saturate the 12-bit scale at 3071 HU.
inline constexpr double kMetalHu = 2500;

struct Verdict {
  double confidence = 0;      ///< 0..1; below kDoubtful the bone is more likely than not wrong by over 0.5 mm somewhere
  double shape = 0;           ///< the same by the fit of the shape alone, which is what the name rests on
  std::vector<Doubt> doubts;  ///< most important first; empty where nothing speaks against the bone
  std::vector<std::string> texts;  ///< of each doubt, a clause with its figures
};

/// Below this a bone counts as doubtful: more likely than not it is wrong by over kDoubtfulErrorMm somewhere.
inline constexpr double kDoubtful = 0.5;
inline constexpr double kDoubtfulErrorMm = 0.5;

/// Pure function of the evidence. `midfoot`: one of the twelve bones a plan is about; of others (toes, leg) volume is
/// not judged.
[[nodiscard]] Verdict verdictOn(const BoneEvidence& evidence, bool midfoot);

/// Bones of one foot judged together: where half of them are doubtful the foot was probably laid on wrongly, names and
/// all, and no bone is trusted more than the middle one. The verdicts of the midfoot bones of one foot; lowers
/// confidences only. True where it did.
bool judgeTogether(std::vector<Verdict*>& foot);

}  // namespace rayset
