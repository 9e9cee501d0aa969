// Where a thin cortex really ends. The steepest point of a blurred profile is outside the bone if the cortex is thinner
// than about twice the blur, and inside it next to a narrow joint gap. Both errors disappear if the profile is fitted
// with the scanner's image of a cortex of known density.
//
// Model of the grey value along the outward normal (s, mm), Phi the normal distribution, S the blur:
//   inside + (cortex - inside) Phi((s - x + t) / S) - (cortex - out) [Phi((s - x) / S) - Phi((s - x - w) / S)]
// x the edge, t the thickness of the cortex, w the width of the joint gap (left out if nothing follows). The density of
// compact bone and the blur are estimated from the scan: the most likely pair over many places on all metatarsals.
// Fixing them is what makes thickness and edge separable: Treece, Gee, Mayhew, Poole 2010, Med Image Anal 14:276 (we
// add the gap, weigh by priors and use the edge, not the thickness).
//
// A sharp reconstruction kernel overshoots: it adds the difference from a wider blur, so that Phi(s / S) becomes (1 +
// k) Phi(s / S) - k Phi(s / W); its strength k is estimated from the scan too. Without it, bones from such a scan come
// out 0.2 mm too small all round.
#pragma once

#include "bones/bone_surface.h"
#include "bones/normal_table.h"

namespace rayset::bones {

/// The scan's image of a step from 0 to 1 along one direction.
struct EdgeResponse {
  double sigma_mm = 0.35, wide_mm = 0;  ///< standard deviations
  double overshoot = 0;
  /// The blurred step at 0, `mm` beyond it, and its slope per mm.
  [[nodiscard]] NormalTable::Value at(double mm) const {
    const NormalTable& normal = normalTable();
    NormalTable::Value v = normal.at(mm / sigma_mm);
    v.density /= sigma_mm;
    if (overshoot <= 0) return v;
    const NormalTable::Value wide = normal.at(mm / wide_mm);
    v.cumulative += overshoot * (v.cumulative - wide.cumulative);
    v.density += overshoot * (v.density - wide.density / wide_mm);
    return v;
  }
};

/// Blur and compact bone of one scan.
struct EdgeModel {
  double sigma_plane_mm = 0.35;  ///< standard deviation of the blur across a slice
  double sigma_slice_mm = 0.35;  ///< the same along the slice normal
  double cortex_hu = 1200;       ///< compact bone
  std::size_t places = 0;        ///< number of places measured; 0: too few, nothing is corrected
  double overshoot = 0;          ///< how much of the difference from a wider blur the kernel adds in the slice
  double wide_plane_mm = 0;      ///< standard deviation of that wider blur across a slice
  [[nodiscard]] EdgeResponse along(const Vec3& normal) const;
};

/// From surfaces already at the steepest point (refineSurface), local frame. `pixel_mm`, `slice_mm`: voxels of the
/// scan.
[[nodiscard]] EdgeModel measureEdges(const ScanImage& scan, const std::vector<const Surface*>& surfaces,
                                     double pixel_mm, double slice_mm);

/// Moves the vertices along their normals to the fitted edge, at most 0.6 mm, in agreement with their neighbours.
/// Vertices at a border of the scan stay.
void fitCortex(const ScanImage& scan, const EdgeModel& model, Surface& surface);

}  // namespace rayset::bones
