// One foot of a scan: its cluster of bone cut out, brought under a template, bent, labelled and drawn.
#pragma once

#include <chrono>
#include <string>
#include <vector>

#include "bones/fragments.h"
#include "bones/label_edits.h"
#include "bones/pipeline.h"

namespace rayset::bones {

/// Tells what each step took; null: nobody asks.
class Stopwatch {
 public:
  explicit Stopwatch(StepTimes* times) : times_(times) {}
  void lap(const std::string& step);

 private:
  StepTimes* times_;
  std::chrono::steady_clock::time_point last_ = std::chrono::steady_clock::now();
};

/// A cluster of bone that may be a foot.
struct FootCluster {
  ScanImage scan;
  double pixel_mm = 1, slice_mm = 1;  ///< voxels of the CT
  std::vector<Side> sides;            ///< that it may be of
  const Edits* edits = nullptr;       ///< those for the other side are not looked at
};

/// Where one foot's part of the whole work begins and ends, 0 to 1.
struct Span {
  double from = 0, to = 1;
};

struct FootResult {
  SegmentedFoot foot;
  ScanImage scan;
  EditedLabels edited;
  bool doubtful = false;  ///< as a whole
  FragmentFindings pieces;
};

/// kImages where the cluster is no foot (`what` says why, as part of a sentence), kRequest where an edit does not fit,
/// kCancelled.
[[nodiscard]] Result<FootResult> segmentFoot(const TemplatePair& templates, FootCluster cluster,
                                             const Progress& progress, const Span& span, Stopwatch& watch);

}  // namespace rayset::bones
