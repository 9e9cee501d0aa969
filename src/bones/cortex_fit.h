// Where a thin cortex really ends. The steepest place of a blurred profile lies outside the bone where the cortex is
// thinner than about twice the blur, and inside it beside a narrow joint gap. Both go away when the profile is fitted
// by what the scanner makes of a cortex of known density.
//
// Model of the grey value along the outward normal (s, mm), Phi the normal distribution, S the blur:
//   inside + (cortex - inside) Phi((s - x + t) / S) - (cortex - out) [Phi((s - x) / S) - Phi((s - x - w) / S)]
// x the edge, t the thickness of the cortex, w the width of the joint gap (left out where nothing follows). The density
// of compact bone and the blur are those of the scan: the most likely pair over many places of all metatarsals. Fixing
// them is what makes thickness and edge separable: Treece, Gee, Mayhew, Poole 2010, Med Image Anal 14:276 (we add the
// gap, weigh by priors and use the edge, not the thickness).
#pragma once

#include "bones/bone_surface.h"

namespace rayset::bones {

/// Blur and compact bone of one scan.
struct EdgeModel {
  double sigma_plane_mm = 0.35;  ///< standard deviation of the blur across a slice
  double sigma_slice_mm = 0.35;  ///< the same along the slice normal
  double cortex_hu = 1200;       ///< compact bone
  std::size_t places = 0;        ///< where it was measured; 0: too few, nothing is corrected
  [[nodiscard]] double sigma(const Vec3& normal) const;
};

/// From surfaces that already lie on the steepest place (refineSurface), local frame. `pixel_mm`, `slice_mm`: voxels of
/// the scan.
[[nodiscard]] EdgeModel measureEdges(const ScanImage& scan, const std::vector<const Surface*>& surfaces,
                                     double pixel_mm, double slice_mm);

/// Moves the vertices along their normals to the fitted edge, at most 0.6 mm, agreed with their neighbours. Vertices at
/// a border of the scan stay.
void fitCortex(const ScanImage& scan, const EdgeModel& model, Surface& surface);

}  // namespace rayset::bones
