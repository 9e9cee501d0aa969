// Readable output of the postoperative check: verification.pdf and its pictures.
#pragma once

#include <filesystem>
#include <vector>

#include "base/result.h"
#include "case/plan_record.h"
#include "language/words.h"
#include "outcome/film_check.h"
#include "outcome/verification.h"
#include "report/report.h"

namespace rayset {

struct VerificationReport {
  const PlanRecord* plan = nullptr;
  const Verification* found = nullptr;
  const Catalogue* catalogue = nullptr;
  /// If films were checked: the films in the order of `found->films`, and the foot's grey values; else null.
  const std::vector<CheckedFilm>* films = nullptr;
  const FootBodies* bodies = nullptr;
};

/// Writes into an existing folder:
///   verification.pdf   A4: verdict, each ray against its place, metal, films beside what they would look like
///   pictures/*.png     bones and devices as found with the plan as outlines; check_film_1.png ... each film marked
/// verification.json is written by the caller. Fault::kInternal names the file that could not be written.
[[nodiscard]] Status writeVerificationReport(const Words& words, const VerificationReport& report,
                                             const std::filesystem::path& folder, const ReportSettings& settings = {});

}  // namespace rayset
