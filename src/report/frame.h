// The header and footer of every page of a report: side, patient, title, statement, time, page number.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "geometry/types.h"
#include "language/words.h"
#include "report/page.h"

namespace rayset {

/// As DICOM writes them. `born` is nullopt if unknown, and then not printed.
struct PatientLine {
  std::string name, id;
  std::optional<std::string> born;
};

/// `title` in plain ASCII or UTF-8 without markup, short: it is printed to the right of the patient.
[[nodiscard]] pdf::PageFrame reportFrame(const Words& words, const PatientLine& patient, Side side,
                                         const std::string& title, const std::string& made_at);
/// The heading of the first page: facts (name and markup) to the left, the side of the foot in large words to the
/// right.
void drawFacts(pdf::Document& doc, const std::vector<std::pair<std::string, std::string>>& facts, Side side);

}  // namespace rayset
