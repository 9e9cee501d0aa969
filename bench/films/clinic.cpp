#include "clinic.h"

#include <algorithm>
#include <cmath>

#include "base/median.h"
#include "draw.h"
#include "image/filters.h"
#include "xray/film_normal.h"
#include "xray/itk_ray_cast.h"

namespace rayset::films_bench {
using bench::normal, bench::uniform;

namespace {

/// A beam of 60 kV behind aluminium, as three energies of 30, 40 and 50 keV: shares are ours; attenuation per mm of
/// water, compact bone (ICRU 44, 1.85 g/cm^3) and iron from the NIST tables of Hubbell and Seltzer (NISTIR 5632), from
/// memory.
struct Energy {
  double share, water, bone, steel;
};
constexpr std::array<Energy, 3> kBeam{
    {{0.35, 0.03756, 0.2462, 6.435}, {0.45, 0.02683, 0.1231, 2.856}, {0.20, 0.02269, 0.0785, 1.541}}};

constexpr double kContrast = 2.2;     ///< of the S-shaped grey scale, at its middle
constexpr double kHeel = 0.2;         ///< loss of exposure from the cathode's side to the anode's
constexpr double kFocusMm = 0.15;     ///< standard deviation of the blur at the detector
constexpr double kGrainBeside = 0.4;  ///< share of the neighbouring pixels in the noise

/// Means over `half` pixels each way, along rows and columns.
void boxBlur(Film& film, int half) {
  for (const bool along_rows : {true, false}) {
    const Film from = film;
    const int length = along_rows ? film.columns : film.rows, lines = along_rows ? film.rows : film.columns;
    const auto at = [&](int line, int n) {
      return static_cast<double>(along_rows ? from.at(n, line) : from.at(line, n));
    };
    for (int line = 0; line < lines; ++line) {
      double sum = 0;
      for (int n = -half; n <= half; ++n) sum += at(line, std::clamp(n, 0, length - 1));
      for (int n = 0; n < length; ++n) {
        (along_rows ? film.at(n, line) : film.at(line, n)) = static_cast<float>(sum / (2 * half + 1));
        sum += at(line, std::min(length - 1, n + half + 1)) - at(line, std::max(0, n - half));
      }
    }
  }
}

/// Line integrals of what is in the volume; what is empty around it costs nothing.
Film cast(const FloatVolume& volume, const ProjectionView& view) {
  constexpr unsigned kThreads = 2;
  Eigen::Vector3i low = volume.grid.size, high = Eigen::Vector3i::Zero();
  for (int k = 0; k < volume.grid.size.z(); ++k)
    for (int j = 0; j < volume.grid.size.y(); ++j)
      for (int i = 0; i < volume.grid.size.x(); ++i)
        if (volume.at(i, j, k) > 0) {
          const Eigen::Vector3i at(i, j, k);
          low = low.cwiseMin(at);
          high = high.cwiseMax(at);
        }
  Film out(view.columns, view.rows);
  if ((low.array() > high.array()).any()) return out;
  const Eigen::Vector3i rim = Eigen::Vector3i::Constant(2);
  const FloatVolume full =
      crop(volume, (low - rim).cwiseMax(0), (high + rim).cwiseMin(volume.grid.size - Eigen::Vector3i::Ones()));
  out.values = itkRayCast(full, view, kThreads);
  return out;
}

/// The same in pixels twice as wide, for what has no fine detail.
Film castSmooth(const FloatVolume& volume, const ProjectionView& view) {
  const Film wide = cast(volume, view.binned(2));
  Film out(view.columns, view.rows);
  for (int y = 0; y < out.rows; ++y)
    for (int x = 0; x < out.columns; ++x) out.at(x, y) = static_cast<float>(resampled(wide, x, y, 0.5));
  return out;
}

}  // namespace

Materials materialsOf(const CtVolume& ct) {
  constexpr double kSoftHu = 100, kWater = 0.02059, kBone = 0.05824;  // per mm at 60 keV, where a scanner's beam lies
  Materials m{FloatVolume(ct.grid), FloatVolume(ct.grid), FloatVolume(ct.grid)};
  for (std::size_t n = 0; n < ct.voxels.size(); ++n) {
    const double hu = ct.voxels[n] < -850 ? -1000.0 : static_cast<double>(ct.voxels[n]);
    m.soft.voxels[n] = static_cast<float>(std::max(0.0, 1 + std::min(hu, kSoftHu) / 1000));
    m.bone.voxels[n] = static_cast<float>(std::max(0.0, hu - kSoftHu) / 1000 * kWater / kBone);
    m.steel.voxels[n] = 0;
  }
  return m;
}

Film clinicalFilm(const Materials& materials, const ProjectionView& view, const Collimated& field, double photons,
                  double scatter, std::mt19937_64& g) {
  const Film soft = castSmooth(materials.soft, view), bone = cast(materials.bone, view),
             steel = cast(materials.steel, view);
  const auto exposed = [&](int x, int y) {
    return x >= field.left && x < field.right && y >= field.top && y < field.bottom;
  };
  Film primary(view.columns, view.rows);
  for (int y = 0; y < primary.rows; ++y)
    for (int x = 0; x < primary.columns; ++x) {
      if (!exposed(x, y)) continue;
      const std::size_t n = primary.offset(x, y);
      double passed = 0;
      for (const Energy& e : kBeam)
        passed += e.share * std::exp(-(static_cast<double>(soft.values[n]) * e.water +
                                       static_cast<double>(bone.values[n]) * e.bone +
                                       static_cast<double>(steel.values[n]) * e.steel));
      primary.values[n] = static_cast<float>(passed * (1 - kHeel * x / primary.columns));
    }
  primary = gaussian(primary, kFocusMm / view.pixel_mm);
  Film wide = primary;  // scatter: a wide even blur of the primary
  boxBlur(wide, static_cast<int>(std::lround(12 / view.pixel_mm)));
  boxBlur(wide, static_cast<int>(std::lround(12 / view.pixel_mm)));
  Film grain(view.columns, view.rows);
  for (float& v : grain.values) v = static_cast<float>(normal(g));
  const Film white = grain;
  const double scale = 1 / std::sqrt(1 + 4 * kGrainBeside * kGrainBeside);
  for (int y = 1; y + 1 < grain.rows; ++y)
    for (int x = 1; x + 1 < grain.columns; ++x)
      grain.at(x, y) =
          static_cast<float>(scale * (static_cast<double>(white.at(x, y)) +
                                      kGrainBeside * static_cast<double>(white.at(x - 1, y) + white.at(x + 1, y) +
                                                                         white.at(x, y - 1) + white.at(x, y + 1))));
  const auto exposure = [&](std::size_t n) {
    return static_cast<double>(primary.values[n]) + scatter * static_cast<double>(wide.values[n]);
  };
  // As a unit's processing does it: the middle of the body comes out middle grey.
  constexpr double kBody = 0.35;  // logarithm of what it takes away
  std::vector<double> body;
  for (int y = field.top; y < field.bottom; ++y)
    for (int x = field.left; x < field.right; ++x)
      if (const double passed = exposure(primary.offset(x, y)); passed < std::exp(-kBody)) body.push_back(passed);
  double middle = std::exp(-1.0);
  if (!body.empty()) middle = median(std::move(body));
  Film out(view.columns, view.rows);
  for (int y = 0; y < out.rows; ++y)
    for (int x = 0; x < out.columns; ++x) {
      if (!exposed(x, y)) continue;
      const std::size_t n = out.offset(x, y);
      const double mean = photons * exposure(n);
      const double counts = std::max(1.0, mean + std::sqrt(mean) * static_cast<double>(grain.values[n]));
      out.values[n] =
          static_cast<float>(std::floor(4095 / (1 + std::exp(kContrast * std::log(counts / (photons * middle))))));
    }
  return out;
}

}  // namespace rayset::films_bench
