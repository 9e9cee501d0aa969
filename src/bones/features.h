// What the grey values show before any anatomy is known: the exterior of all bones, the outer edges of bones, and the
// dark sheets between them. Everything is in the local frame of ScanImage.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <vector>

#include "bones/scan_image.h"
#include "geometry/surface.h"

namespace rayset::bones {

/// 1 for voxels darker than the bone level and connected to the outside without crossing bone: soft tissue, not marrow.
/// A marrow cavity cut open by the scan's border is recognised as a hole in the border slice and stays bone.
[[nodiscard]] std::vector<std::uint8_t> exteriorMask(const ScanImage& scan);

/// Adds the joint gaps to the exterior: voxels on a dark sheet (one clearly largest eigenvalue of the Hessian) that the
/// exterior reaches through other such voxels. Every joint opens to soft tissue at its rim, whereas the dark pores of
/// cancellous bone are enclosed by cortex.
void growIntoGaps(const ScanImage& scan, std::vector<std::uint8_t>& exterior);

/// A point where a bone ends: the steepest point of the grey profile, with its outward normal (bright to dark).
struct EdgePoint {
  Vec3 position;
  Vec3 normal;
  float strength;  ///< gradient, HU per mm
  bool gap;        ///< true if the profile rises again beyond a narrow dark gap (a joint); false: open soft tissue
};

/// Sub-voxel edge points where a bone meets the exterior (with its gaps); edges inside a bone (cortex to marrow,
/// trabeculae) are left out. About one point per voxel face of bone surface, in a fixed order.
[[nodiscard]] std::vector<EdgePoint> edgePoints(const ScanImage& scan, const std::vector<std::uint8_t>& exterior);

/// At most one point per cell of `cell_mm` (the strongest), in a fixed order.
[[nodiscard]] std::vector<EdgePoint> thinned(const std::vector<EdgePoint>& points, double cell_mm);

/// Largest and middle eigenvalue of a symmetric 3x3 matrix (closed form: Smith 1961, Commun ACM 4:168).
[[nodiscard]] std::array<double, 2> largerEigenvalues(double xx, double yy, double zz, double xy, double xz, double yz);

/// Strength of the dark sheet at voxel (i, j, k): largest eigenvalue of the Hessian (central differences) minus the
/// middle one if that is positive too (a pore is dark in every direction, a sheet in one), times sigma^2, in HU: the
/// depth of the sheet for a Gaussian trough of that sigma; 0 if there is none, and at the border.
[[nodiscard]] float darkSheet(const Image& calm, int i, int j, int k, double sigma_mm);

/// How much brighter voxel (i, j, k) is than the bone 2.5 mm away on both sides, along whichever of thirteen lines
/// shows it most, in HU: two touching cortices form one bright sheet between cancellous bone. 0 if there is none, if
/// either side is not bone (an outer cortex), or at the border.
[[nodiscard]] float brightSheet(const Image& calm, const Levels& levels, int i, int j, int k);

/// A sheet at voxel n = (i, j, k), dark or bright, as a fraction of the bone's contrast. Called from several threads
/// but never for the same voxel twice at once, so it may cache.
using SheetAt = std::function<double(std::size_t n, int i, int j, int k)>;

}  // namespace rayset::bones
