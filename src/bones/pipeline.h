// The stages of the template segmenter with exchangeable template and access to what each stage measured. For tests and
// benchmarks; the rest of the program is given a Segmenter.
#pragma once

#include "bones/segment.h"
#include "bones/template_foot.h"

namespace rayset::bones {

/// Seconds spent per step, summed over the feet.
struct StepTimes {
  std::vector<std::pair<std::string, double>> seconds;
  void add(const std::string& step, double s);
};

[[nodiscard]] Result<BonesResult> segmentWith(const TemplatePair& templates, const CtVolume& ct,
                                              const BonesSettings& settings, const Progress& progress,
                                              StepTimes* times = nullptr);

}  // namespace rayset::bones
