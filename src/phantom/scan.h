// A CT scan of a foot, synthesised from bone surfaces: cortex, cancellous texture, marrow, soft tissue, blur and noise.
//
// Model. Every part is a closed surface; its signed distance gives the depth below the surface, and depth gives the
// tissue: a cortical shell (thick along the middle of the metatarsal shafts, thin at their ends and on the tarsal
// bones), cancellous bone with a band-limited trabecular texture, fatty marrow in the canal of the shafts. Around the
// bones are capsule and cartilage, muscle, fat, and a skin that is thicker under the foot and the heel. Tissue values:
// compact bone 1441 HU and trabecular bone 314 HU (teaching page), trabecular bone of the foot 100-400 HU (from
// memory); the thicknesses are ours.
//
// Image formation, in this order: the tissue map is evaluated on a grid finer than the voxels (step no larger than the
// sigma of the blur), averaged by the point spread function on that fine grid (this is the partial volume), sampled at
// the voxel centres, and only then given noise. In the plane the point spread function is a Gaussian of blur_fwhm_mm,
// but never narrower than the pixel (sigma >= pixel/sqrt(12)); along the slice normal it is that Gaussian convolved
// with the slice's thickness.
//
// Optional obstacles: a plaster cast (a shell that follows the skin, padding below it, open at the toes and at the leg;
// thickness and HU as asked for, ours) and metal (metal.h). Kernels: see ReconstructionKernel.
//
// The tissue map is fixed in the patient frame, so turning the scanner does not change the foot. Results depend on the
// seed and not on the number of threads.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "anatomy/bones.h"
#include "base/progress.h"
#include "base/result.h"
#include "image/volume.h"
#include "phantom/metal.h"

namespace rayset {

/// Between sharpness and noise, in the plane; ours, in the spirit of soft-tissue and bone kernels. kSoft: blur 1.5
/// times as wide, 0.6 of the noise, which is coarser. kSharp: blur 0.75 times as wide, then the difference to a wider
/// blur added (edges over- and undershoot by about a sixth of their step), 1.8 times the noise, which is finer.
enum class ReconstructionKernel { kStandard, kSoft, kSharp };
/// "standard", "soft", "sharp".
[[nodiscard]] std::optional<ReconstructionKernel> kernelFromWord(std::string_view word);
[[nodiscard]] std::string_view wordOf(ReconstructionKernel kernel);

/// A plaster cast around the injured foot (parts with foot number 0).
struct Cast {
  double thickness_mm = 0;  ///< 0: none; a cast is about 6 to 10 mm thick (common practice, no source)
  double hu = 500;          ///< of dry plaster, which is uneven by a tenth or so
  double padding_mm = 4;    ///< cotton wool between skin and plaster
};

struct ScanSettings {
  double pixel_mm = 0.5;
  double slice_mm = 0.5;
  /// Standard deviation in soft tissue, standard kernel; correlated over neighbouring pixels of a slice.
  double noise_hu = 30;
  double blur_fwhm_mm = 0.7;  ///< in plane (standard kernel) and through plane, applied before sampling
  double density = 1.0;       ///< bone mineral relative to a healthy adult
  double cortex_mm = 1.6;     ///< diaphysis; thinner (0.8) at the ends and on tarsal bones
  Mat3 scanner_from_patient =
      Mat3::Identity();         ///< rotation of the slice grid relative to the foot (tests any orientation)
  double margin_mm = 12;        ///< air and soft tissue kept around the bones
  double proximal_crop_mm = 0;  ///< > 0: field of view starts this far behind C2 (midfoot only)
  ReconstructionKernel kernel = ReconstructionKernel::kStandard;
  bool bone_hardening = false;   ///< dense bone reads low, dark bands between bones (hardening.h)
  Cast cast;                     ///< widens the field of view by its own thickness
  std::vector<Staple> staples;   ///< patient frame
  std::vector<SteelBody> steel;  ///< other metal
  bool soft_tissue = true;       ///< false: dry bones in air
  bool texture = true;           ///< false: uniform cancellous bone and soft tissue (tests)
  std::uint64_t seed = 1;
};

/// Parts are closed surfaces with names ("M2", "M2.1", "toes"...), one foot or two, as scanned. Names are bone ids, for
/// a fragment the bone's id, a dot and a number; any other name is taken for a solid of compact bone ("solid": tests).
struct ScannedPart {
  std::string id;
  const Surface* surface = nullptr;
  /// For a broken bone: the unbroken one in the pose of this piece. The cortex then follows the bone's own surface and
  /// the break shows cancellous bone, not a new cortex. Null: the part is whole.
  const Surface* whole = nullptr;
  /// Where the part's trabeculae are read in the texture, which is fixed in the patient frame; null: at the part's own
  /// place. A bone scanned again after being moved by X keeps its trabeculae with X.inverse().
  const Rigid* to_texture = nullptr;
  int foot = 0;  ///< parts with the same number belong to one foot (decides where the sole and the heel are)
};

/// The HU of the tissues before blur and noise, at density 1 (tests compare with them).
struct TissueHu {
  static constexpr double kAir = -1000, kCapsule = 70, kMuscle = 50, kFat = -90, kSkin = 50;
  static constexpr double kCortex = 1500, kMarrow = -20, kPadding = -850;
};

/// The grid covers all parts. Uses about 8 bytes per voxel besides the result. Fails (kRequest) for settings out of
/// range, no parts, a part that is not closed, or a volume of more than 2^31 voxels.
[[nodiscard]] Result<CtVolume> synthesiseCt(const std::vector<ScannedPart>& parts, const ScanSettings& settings,
                                            const Progress& progress = {});

}  // namespace rayset
