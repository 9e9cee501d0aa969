// Rays and nearest points against surfaces (Embree). Const after construction and safe to share between threads.
#pragma once

#include <memory>
#include <optional>
#include <vector>

#include "geometry/surface.h"

namespace rayset {

class RayCaster {
 public:
  struct Hit {
    double distance;         ///< along the (unit) direction, mm
    std::size_t surface;     ///< index of the surface given at construction
    std::uint32_t triangle;  ///< index in that surface
    Vec3 position;
    Vec3 normal;    ///< outward face normal, unit
    bool entering;  ///< the ray goes from outside to inside here
  };
  struct Nearest {
    double distance;  ///< unsigned, mm
    std::size_t surface;
    std::uint32_t triangle;
    Vec3 position;
    Vec3 normal;  ///< outward face normal, unit
  };

  /// Surfaces are copied into the scene; the pointers need not outlive the constructor.
  explicit RayCaster(const std::vector<const Surface*>& surfaces);
  ~RayCaster();
  RayCaster(RayCaster&&) noexcept;
  RayCaster& operator=(RayCaster&&) noexcept;
  RayCaster(const RayCaster&) = delete;
  RayCaster& operator=(const RayCaster&) = delete;

  /// First hit after `from_mm`; direction need not be unit.
  [[nodiscard]] std::optional<Hit> first(const Vec3& origin, const Vec3& direction, double from_mm = 0,
                                         double to_mm = 1e6) const;
  /// Every hit in order of distance.
  [[nodiscard]] std::vector<Hit> all(const Vec3& origin, const Vec3& direction, double to_mm = 1e6) const;
  /// Nearest point on any surface within `limit_mm`.
  [[nodiscard]] std::optional<Nearest> nearest(const Vec3& point, double limit_mm = 1e6) const;
  /// True when the point lies inside any of the (closed) surfaces: majority of ray parities in three directions.
  [[nodiscard]] bool inside(const Vec3& point) const;
  /// Nearest distance, negative inside.
  [[nodiscard]] double signedDistance(const Vec3& point, double limit_mm = 1e6) const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// Distances between two surfaces measured both ways over about `samples` evenly spread points each.
struct SurfaceDistance {
  double mean;          ///< symmetric mean surface distance, mm
  double percentile95;  ///< of the pooled distances
  double maximum;       ///< Hausdorff, mm
};
[[nodiscard]] SurfaceDistance compareSurfaces(const Surface& a, const Surface& b, std::size_t samples = 4000);

}  // namespace rayset
