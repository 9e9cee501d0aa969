// How far a bone that the template segmenter drew can be trusted, and why not: the verdict drawn from its evidence. It
// was fitted to true errors of invented scans: docs/decisions/confidence.md.
#pragma once

#include <string>
#include <vector>

#include "bones/doubt.h"
#include "bones/template_evidence.h"

namespace rayset {

/// Voxels above this are metal or saturated beside it. Compact bone of the midfoot stays below 2000 HU (reference: 1441
/// HU on average); steel and titanium saturate the 12-bit scale at 3071 HU.
inline constexpr double kMetalHu = 2500;

struct Verdict {
  double confidence = 0;      ///< 0..1; below kDoubtful the bone is more likely than not wrong by over 0.5 mm somewhere
  double shape = 0;           ///< the same by the fit of the shape alone, which is what the name rests on
  std::vector<Doubt> doubts;  ///< most important first; empty where nothing speaks against the bone
  std::vector<std::string> texts;  ///< of each doubt, a clause with its figures
};

/// Pure function of the evidence. `midfoot`: one of the twelve bones a plan is about; of others (toes, leg) volume is
/// not judged.
[[nodiscard]] Verdict verdictOn(const TemplateEvidence& evidence, bool midfoot);

/// Bones of one foot judged together: where half of them are doubtful the foot was probably laid on wrongly, names and
/// all, and no bone is trusted more than the middle one. The verdicts of the midfoot bones of one foot; lowers
/// confidences only. True where it did.
bool judgeTogether(std::vector<Verdict*>& foot);

}  // namespace rayset
