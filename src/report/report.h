// Readable output of a planning run: report.pdf, pictures and STL.
#pragma once

#include <filesystem>
#include <string>

#include "base/progress.h"
#include "base/result.h"
#include "case/case.h"
#include "language/words.h"

namespace rayset {

struct ReportSettings {
  std::string made_at;            ///< date and time printed on every page; empty: now, local time
  double pixels_per_point = 2.3;  ///< detail of the pictures; 2.3 is about 165 dots per inch on paper
};

/// Writes into an existing folder:
///   surfaces/<bone>.stl    as scanned, patient frame         reduced/<bone>.stl   every bone where it belongs
///   devices/<device>.stl   in the reduced foot               labels.nrrd          the label map on the CT grid
///   pictures/*.png         marked with side, orientation, scale bar and legend; film_*: simulated radiographs
///   bodies/*.nrrd          each bone's grey values and the soft tissue's, for films and checks (xray/bodies.h)
///   report.pdf             A4, fonts embedded
/// plan.json is written by the caller, last. Anything missing (a bone, the other foot, every device) is stated in the
/// report and never an error. Fault::kInternal names the file that could not be written; Fault::kCancelled if stopped.
/// Progress stage: "report".
[[nodiscard]] Status writeReport(const Words& words, const Case& c, const std::filesystem::path& folder,
                                 const Progress& progress = {}, const ReportSettings& settings = {});

}  // namespace rayset
