// The template segmenter: CT -> named, separate bone surfaces with confidence (docs/decisions/bones.md).
#pragma once

#include "bones/segmenter.h"

namespace rayset {

/// A template of the foot finds and names the bones; the grey values draw them. Evidence: TemplateEvidence; none for
/// fragments, which the template does not know.
class TemplateSegmenter final : public Segmenter {
 public:
  [[nodiscard]] Result<BonesResult> segment(const CtVolume& ct, const BonesSettings& settings,
                                            const Progress& progress) const override;
};

/// TemplateSegmenter's segment(), for its tests and benchmarks; the rest of the program uses a Segmenter.
[[nodiscard]] Result<BonesResult> segmentBones(const CtVolume& ct, const BonesSettings& settings = {},
                                               const Progress& progress = {});

}  // namespace rayset
