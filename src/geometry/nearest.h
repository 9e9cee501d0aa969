// k-d tree over points (nanoflann). Const after construction and safe to share between threads.
#pragma once

#include <memory>
#include <vector>

#include "geometry/types.h"

namespace rayset {

class NearestPoints {
 public:
  struct Match {
    std::size_t index;
    double distance;  ///< mm
  };
  explicit NearestPoints(Points points);
  ~NearestPoints();
  NearestPoints(NearestPoints&&) noexcept;
  NearestPoints& operator=(NearestPoints&&) noexcept;

  [[nodiscard]] const Points& points() const;
  [[nodiscard]] Match nearest(const Vec3& p) const;
  /// Up to `count` nearest, closest first.
  [[nodiscard]] std::vector<Match> nearest(const Vec3& p, std::size_t count) const;
  /// All within a radius, closest first.
  [[nodiscard]] std::vector<Match> within(const Vec3& p, double radius_mm) const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
