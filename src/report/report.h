// What a planning run leaves for people: report.pdf, pictures and STL.
#pragma once

#include <filesystem>

#include "base/progress.h"
#include "base/result.h"
#include "case/case.h"

namespace rayset {

/// Writes surfaces/, reduced/, devices/ (STL), labels.nrrd, pictures/*.png and report.pdf into an existing folder.
/// plan.json is written by the caller, last.
[[nodiscard]] Status writeReport(const Case& c, const std::filesystem::path& folder, const Progress& progress = {});

}  // namespace rayset
