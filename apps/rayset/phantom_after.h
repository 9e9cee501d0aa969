// A synthetic postoperative CT: the foot of a plan, imperfectly reduced, with its metal.
#pragma once

#include <string>

#include "dicom/ct_reader.h"
#include "phantom/scan.h"
#include "verbs.h"

namespace rayset::app {

struct AfterOperation {
  std::string plan, out;
  /// How far each ray and each device is from the plan, at most; drawn from the scan's seed.
  double ray_mm = 1, ray_deg = 2, device_mm = 1, device_deg = 2;
  ScanSettings scan;
  bool force = false;
};

/// The header of every synthetic scan; the patient and the study are the caller's.
[[nodiscard]] ScanInfo inventedScan(const ScanSettings& scan, const std::string& feet, const std::string& laterality);

/// Writes ct/ and truth.json (planned_to_found of each ray, entry and tip of each device). The program's exit code.
int phantomAfter(const AfterOperation& request, Console& console);

}  // namespace rayset::app
