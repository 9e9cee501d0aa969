// Metal in the field of view: a bone staple, screws and wires, and its effect on the slices that contain it.
//
// Model. Each slice that metal touches is scanned again as one parallel beam of many directions: the path through metal
// and the attenuation of everything else are added up along every ray through metal, the beam is a mixture of four
// energies (beam.h), the detector's reading is put through the water correction of the scanner (exact for water, wrong
// for metal: beam hardening), counts run out behind metal (photon starvation: the noise of a ray grows with the square
// root of what metal took away), and the difference to the scan without metal is reconstructed by filtered
// back-projection and added. Left out: scatter, the change of a ray over the thickness of a slice, and metal beyond the
// field of view.

#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "geometry/surface.h"
#include "geometry/types.h"
#include "image/volume.h"

namespace rayset {

/// Round steel wire bent twice: a bridge between two legs that go into the bone side by side. Patient frame, mm.
struct Staple {
  Vec3 a = Vec3::Zero(), b = Vec3::UnitY();  ///< ends of the bridge, where the legs start
  Vec3 into = Vec3::UnitX();                 ///< unit, from the bridge to the tips
  double leg_mm = 16;
  double wire_mm = 2.0;

  /// Distance from p to the surface of the wire, negative inside.
  [[nodiscard]] double distance(const Vec3& p) const;
};

/// A staple in the lateral wall of a bone: the bridge lies along `frame.distal` on the cortex, the legs point medially.
/// Bridge and legs are as long as the bone allows, up to 14 and 16 mm (common practice, no source).
[[nodiscard]] Staple stapleIn(const Surface& bone, const Frame& frame);

/// Steel of any shape: signed distance to its surface (negative inside; accurate within a voxel of it), and a bounding
/// box. Patient frame, mm.
struct SteelBody {
  std::function<double(const Vec3&)> distance;
  Box box;
};
[[nodiscard]] SteelBody steelBody(const Staple& staple);
/// From a closed surface.
[[nodiscard]] SteelBody steelBody(const Surface& surface);

/// One slice with metal in it.
struct MetalSlice {
  Grid grid;            ///< of the whole scan
  int slice = 0;        ///< k
  double noise_hu = 0;  ///< standard deviation without metal; 0: no starvation either
  double blur_sigma_mm = 0.3;
  std::uint64_t seed = 1;
  /// Where along k (in slices from the centre of this one) the slice looks, and with what weight (sum 1).
  std::vector<std::pair<double, float>> profile;
};

/// Adds the metal to `hu` (size.x * size.y values, without noise). Returns false, adding nothing, if the slice contains
/// no metal.
bool addMetal(std::vector<float>& hu, const std::vector<SteelBody>& steel, const MetalSlice& slice);

}  // namespace rayset
