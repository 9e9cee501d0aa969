// Segments one foot of a scan: cuts out its cluster of bone, fits and deforms a template, labels it and makes surfaces.
#pragma once

#include <chrono>
#include <string>
#include <vector>

#include "bones/fragments.h"
#include "bones/label_edits.h"
#include "bones/pipeline.h"

namespace rayset::bones {

/// Reports the time each step took; may be null.
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
  std::vector<Side> sides;            ///< it may belong to
  const Edits* edits = nullptr;       ///< those for the other side are ignored
};

/// Start and end of one foot's share of the whole work, 0 to 1.
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

/// kImages if the cluster is not a foot (`what` says why, as part of a sentence), kRequest if an edit does not fit,
/// kCancelled.
[[nodiscard]] Result<FootResult> segmentFoot(const TemplatePair& templates, FootCluster cluster,
                                             const Progress& progress, const Span& span, Stopwatch& watch);

}  // namespace rayset::bones
