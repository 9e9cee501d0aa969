// How far a bone drawn by the template segmenter can be trusted, and why not: the verdict drawn from its evidence. It
// was fitted to the true errors of synthetic scans: docs/decisions/confidence.md.
#pragma once

#include <string>
#include <vector>

#include "base/message.h"
#include "bones/doubt.h"
#include "bones/template_evidence.h"

namespace rayset {

/// Voxels above this are metal, or saturated next to it. Compact bone of the midfoot stays below 2000 HU (1441 HU on
/// average); steel and titanium saturate the 12-bit scale at 3071 HU.
inline constexpr double kMetalHu = 2500;

struct Verdict {
  /// 0 to 1; below kDoubtful the bone is more likely than not wrong by over 0.5 mm somewhere.
  double confidence = 0;
  double shape = 0;            ///< the same from the fit of the shape alone, on which the name depends
  std::vector<Doubt> doubts;   ///< most important first; empty if there is no doubt
  std::vector<Message> texts;  ///< one clause per doubt, with its figures
};

/// Pure function of the evidence. `midfoot`: one of the twelve bones of a plan; for others (toes, leg) volume is not
/// judged.
[[nodiscard]] Verdict verdictOn(const TemplateEvidence& evidence, bool midfoot);

/// Judges the midfoot bones of one foot together: if half of them are doubtful the template was probably placed
/// wrongly, names and all, and no bone is trusted more than the median one. Only ever lowers confidences; returns true
/// if it did.
bool judgeTogether(std::vector<Verdict*>& foot);

}  // namespace rayset
