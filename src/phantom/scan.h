// A CT scan of a foot, synthesised from bone surfaces: cortex, cancellous texture, marrow, soft tissue, blur and noise.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/progress.h"
#include "base/result.h"
#include "image/volume.h"

namespace rayset {

struct ScanSettings {
  double pixel_mm = 0.5;
  double slice_mm = 0.5;
  double noise_hu = 30;               ///< standard deviation in soft tissue
  double blur_fwhm_mm = 0.7;          ///< in plane and through plane, applied before sampling
  double density = 1.0;               ///< bone mineral relative to a healthy adult
  double cortex_mm = 1.6;             ///< diaphysis; thinner (0.8) at the ends and on tarsal bones
  Mat3 scanner_from_patient = Mat3::Identity();  ///< rotation of the slice grid relative to the foot (tests any orientation)
  double margin_mm = 12;              ///< air and soft tissue kept around the bones
  double proximal_crop_mm = 0;        ///< > 0: field of view starts this far behind C2 (midfoot only)
  bool soft_tissue = true;
  std::uint64_t seed = 1;
};

/// Parts are closed surfaces with names ("M2", "M2.1", "toes"...), one foot or two, as scanned.
struct ScannedPart {
  std::string id;
  const Surface* surface;
};

/// The grid covers all parts. Memory about 8 bytes a voxel beside the result.
[[nodiscard]] Result<CtVolume> synthesiseCt(const std::vector<ScannedPart>& parts, const ScanSettings& settings,
                                            const Progress& progress = {});

}  // namespace rayset
