#include "geometry/nearest.h"

#include <cmath>
#include <nanoflann.hpp>

namespace rayset {
namespace {

struct Cloud {
  Points points;
  [[nodiscard]] std::size_t kdtree_get_point_count() const { return points.size(); }
  [[nodiscard]] double kdtree_get_pt(std::size_t i, std::size_t k) const { return points[i][static_cast<int>(k)]; }
  template <class B>
  bool kdtree_get_bbox(B&) const {
    return false;
  }
};
using Tree = nanoflann::KDTreeSingleIndexAdaptor<nanoflann::L2_Simple_Adaptor<double, Cloud>, Cloud, 3, std::size_t>;

}  // namespace

struct NearestPoints::Impl {
  Cloud cloud;
  Tree tree;
  explicit Impl(Points points)
      : cloud{std::move(points)}, tree(3, cloud, nanoflann::KDTreeSingleIndexAdaptorParams(12)) {
    tree.buildIndex();
  }
};

NearestPoints::NearestPoints(Points points) : impl_(std::make_unique<Impl>(std::move(points))) {}
NearestPoints::~NearestPoints() = default;
NearestPoints::NearestPoints(NearestPoints&&) noexcept = default;
NearestPoints& NearestPoints::operator=(NearestPoints&&) noexcept = default;

const Points& NearestPoints::points() const { return impl_->cloud.points; }

NearestPoints::Match NearestPoints::nearest(const Vec3& p) const {
  std::size_t index = 0;
  double squared = std::numeric_limits<double>::infinity();
  impl_->tree.knnSearch(p.data(), 1, &index, &squared);
  return {index, std::sqrt(squared)};
}

std::vector<NearestPoints::Match> NearestPoints::nearest(const Vec3& p, std::size_t count) const {
  std::vector<std::size_t> index(count);
  std::vector<double> squared(count);
  const std::size_t found = impl_->tree.knnSearch(p.data(), count, index.data(), squared.data());
  std::vector<Match> matches(found);
  for (std::size_t i = 0; i < found; ++i) matches[i] = {index[i], std::sqrt(squared[i])};
  return matches;
}

std::vector<NearestPoints::Match> NearestPoints::within(const Vec3& p, double radius_mm) const {
  std::vector<std::pair<std::size_t, double>> found;
  nanoflann::SearchParams parameters;
  parameters.sorted = true;
  impl_->tree.radiusSearch(p.data(), radius_mm * radius_mm, found, parameters);
  std::vector<Match> matches;
  matches.reserve(found.size());
  for (const auto& [index, squared] : found) matches.push_back({index, std::sqrt(squared)});
  return matches;
}

}  // namespace rayset
