// The grey values one foot is segmented from: a box of the CT around its bones on an isotropic grid.
//
// Everything between the CT and the result is computed in the LOCAL frame: millimetres along the grid axes, voxel (i,
// j, k) of the image at h * (i, j, k). X_PL takes local points to the patient frame.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "base/progress.h"
#include "image/volume.h"

namespace rayset::bones {

/// An isotropic float image in the local frame.
struct Image {
  Eigen::Vector3i size = Eigen::Vector3i::Zero();
  double h = 0.5;  ///< voxel edge, mm
  std::vector<float> v;

  [[nodiscard]] std::size_t offset(int i, int j, int k) const {
    return (static_cast<std::size_t>(k) * static_cast<std::size_t>(size.y()) + static_cast<std::size_t>(j)) *
               static_cast<std::size_t>(size.x()) +
           static_cast<std::size_t>(i);
  }
  [[nodiscard]] std::size_t count() const { return v.size(); }
  /// The voxel at an offset.
  [[nodiscard]] Eigen::Vector3i voxel(std::size_t n) const {
    const auto nx = static_cast<std::size_t>(size.x()), ny = static_cast<std::size_t>(size.y());
    return {static_cast<int>(n % nx), static_cast<int>(n / nx % ny), static_cast<int>(n / (nx * ny))};
  }
  /// Its centre in the local frame, mm.
  [[nodiscard]] Vec3 centre(std::size_t n) const { return h * voxel(n).cast<double>(); }
  /// Whether all six neighbours of the voxel exist.
  [[nodiscard]] bool inner(std::size_t n) const {
    const Eigen::Vector3i at = voxel(n);
    return at.minCoeff() > 0 && (at.array() + 1 < size.array()).all();
  }
  /// Offset steps across the faces of a voxel along i, j and k, forwards then backwards.
  [[nodiscard]] std::array<std::ptrdiff_t, 6> six() const {
    const auto j = static_cast<std::ptrdiff_t>(size.x()), k = j * size.y();
    return {1, -1, j, -j, k, -k};
  }
  /// Trilinear value; border values are extended outwards.
  [[nodiscard]] float linear(const Vec3& p) const;
  /// Tricubic (Catmull-Rom) value; smoother than trilinear, and as sharp between voxels as on them.
  [[nodiscard]] float cubic(const Vec3& p) const;
  /// Distance in mm from a local point to the nearest border of the grid; negative outside.
  [[nodiscard]] double depth(const Vec3& p) const;
};

/// The voxel one step away.
[[nodiscard]] inline std::size_t beside(std::size_t n, std::ptrdiff_t step) {
  return static_cast<std::size_t>(static_cast<std::ptrdiff_t>(n) + step);
}

/// Gaussian smoothing with a truncated kernel (3 sigma), border extended. Bitwise reproducible for any number of
/// threads.
void smooth(Image& image, double sigma_mm);

/// Grey levels of a scan. All HU.
struct Levels {
  double soft = 40;     ///< mode of the soft tissue
  double noise = 20;    ///< standard deviation of single voxels in soft tissue
  double bright = 900;  ///< reached by the brighter half of the bone
  double bone = 250;    ///< bone is above this (in a smoothed image)
};

/// A connected cluster of bones in the scan, as a box of CT indices (inclusive).
struct Cluster {
  Eigen::Vector3i low, high;
  double bone_mm3 = 0;         ///< volume above the bone level
  std::int32_t component = 0;  ///< in Overview::component
};

/// A quick survey of the whole scan.
struct Overview {
  Levels levels;
  std::vector<Cluster> clusters;  ///< largest first
  double bone_mm3 = 0;            ///< all bone in the scan
  double maximum = 0;             ///< brightest block
  /// Blocks of about 2 mm: the CT voxels in one, the number of blocks, and for each the cluster it belongs to, -1 if it
  /// contains no bone. x fastest.
  Eigen::Vector3i block = Eigen::Vector3i::Ones(), blocks = Eigen::Vector3i::Zero();
  std::vector<std::int32_t> component;
};

/// Levels from the histogram of 2 mm block means, and clusters of bone within about 6 mm of each other.
[[nodiscard]] Overview surveyScan(const CtVolume& ct);

/// One foot's part of the scan, resampled to an isotropic grid of about half a millimetre.
struct ScanImage {
  Image grey;                      ///< as scanned (resampled if the CT is coarse or anisotropic)
  Image calm;                      ///< smoothed for labelling
  Rigid X_PL = Rigid::Identity();  ///< local to patient
  Levels levels;
  Eigen::Vector3i ct_low, ct_high;  ///< CT indices covered, inclusive
  /// Sides of the box (-x, +x, -y, +y, -z, +z) that are borders of the scan, where bones may be cut.
  std::array<bool, 6> scan_border{};
  double calm_sigma_mm = 0.4;
  /// Local coordinates to continuous CT index.
  [[nodiscard]] Vec3 toCtIndex(const Vec3& local) const {
    return ct_from_local_scale.cwiseProduct(local) + ct_from_local_shift;
  }
  Vec3 ct_from_local_scale = Vec3::Ones(), ct_from_local_shift = Vec3::Zero();
  /// Whether the point is within `margin_mm` of a border of the scan.
  [[nodiscard]] bool nearScanBorder(const Vec3& local, double margin_mm) const;
};

/// `others`: components to hide (the other foot reaches into the box if the feet are close together); they and 2 mm
/// around them read as soft tissue.
[[nodiscard]] ScanImage cutOut(const CtVolume& ct, const Overview& overview, const Cluster& cluster,
                               const std::vector<std::int32_t>& others = {});

}  // namespace rayset::bones
