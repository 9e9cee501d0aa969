#include "bones/placing.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "geometry/registration.h"

namespace rayset::bones {
namespace {

/// Samples of the whole template, equally dense on every bone.
std::vector<OrientedPoint> samplesOf(const TemplateFoot& foot, std::size_t count, bool legs, bool toes) {
  double total = 0;
  const auto wanted = [&](Bone id) {
    if (id == Bone::kTibia || id == Bone::kFibula) return legs;
    if (id == Bone::kToes) return toes;
    return id != Bone::kSesamoids;
  };
  for (const auto& b : foot.bones)
    if (wanted(b.id)) total += b.area_mm2;
  std::vector<OrientedPoint> out;
  for (const auto& b : foot.bones) {
    if (!wanted(b.id)) continue;
    const auto n = static_cast<std::size_t>(std::max(4.0, static_cast<double>(count) * b.area_mm2 / total));
    const auto part = sampleEvenly(b.mesh, n, 3);
    out.insert(out.end(), part.begin(), part.end());
  }
  return out;
}

struct Start {
  std::size_t side;
  BonePose pose;
  double score = 0;
};

}  // namespace

std::vector<Placement> placeFoot(const TemplatePair& templates, const EdgeField& edges, const ScanImage& scan,
                                 const std::vector<Side>& sides) {
  if (edges.points().size() < 300) return {};
  Points cloud;
  const std::size_t stride = std::max<std::size_t>(1, edges.points().size() / 4000);
  for (std::size_t n = 0; n < edges.points().size(); n += stride) cloud.push_back(edges.points()[n].position);
  const PrincipalAxes image = principalAxes(cloud);
  Mat3 image_axes = image.axes;
  if (image_axes.determinant() < 0) image_axes.col(2) *= -1;

  // Per side: samples for scoring, and a search structure the other way round (edge to template).
  struct SideData {
    std::vector<OrientedPoint> quick, fine;
    std::unique_ptr<EdgeField> surface;
  };
  std::array<SideData, 2> data;
  for (std::size_t s = 0; s < 2; ++s) {
    data[s].quick = samplesOf(templates[s], 220, true, false);
    data[s].fine = samplesOf(templates[s], 900, true, false);
    std::vector<EdgePoint> all;
    for (const auto& p : samplesOf(templates[s], 6000, true, true)) all.push_back({p.position, p.normal, 1.0F, false});
    data[s].surface = std::make_unique<EdgeField>(std::move(all));
  }
  std::vector<OrientedPoint> probes;  // edges that the template should explain
  const std::size_t probe_stride = std::max<std::size_t>(1, edges.points().size() / 500);
  for (std::size_t n = probe_stride / 2; n < edges.points().size(); n += probe_stride)
    probes.push_back({edges.points()[n].position, edges.points()[n].normal});
  const auto explained = [&](std::size_t side, const BonePose& pose) {
    const Rigid back = pose.X.inverse();
    const double scale = std::exp(-pose.log_scale[0]);
    double sum = 0;
    for (const auto& q : probes) {
      const Vec3 p = pose.centre + scale * (back * q.position - pose.centre);
      const Vec3 n = back.linear() * q.normal;
      const auto m = data[side].surface->nearest(p, n);
      const auto& e = data[side].surface->points()[m.index];
      const double d = (e.position - p).norm() / scale, cosine = e.normal.dot(n);
      if (d < 8 && cosine > 0.3) sum += cosine * (1 - (d / 8) * (d / 8));
    }
    return sum / static_cast<double>(std::max<std::size_t>(1, probes.size()));
  };

  // Starts: principal axes of several parts of the foot the field of view may show, all ways round.
  std::vector<Start> starts;
  for (const Side side : sides) {
    const std::size_t s = side == Side::kRight ? 0 : 1;
    const TemplateFoot& foot = templates[s];
    const TemplateBone* middle = foot.find(Bone::kC2);
    const Vec3 origin = middle != nullptr ? middle->centre : Vec3::Zero();
    const auto whole = samplesOf(foot, 2500, true, true);
    const auto part = [&](bool legs, bool toes, double from, double to) {
      Points out;
      for (const auto& p : samplesOf(foot, 2500, legs, toes)) {
        const double along = foot.distal.dot(p.position - origin);
        if (along > from && along < to) out.push_back(p.position);
      }
      return out;
    };
    std::vector<Points> parts{positions(whole),
                              part(true, false, -1e9, 1e9),
                              part(false, true, -1e9, 1e9),
                              part(false, false, -1e9, 1e9),
                              part(false, false, -30, 45),
                              part(false, true, -30, 1e9),
                              part(false, false, -40, 1e9)};
    for (const auto& points : parts) {
      if (points.size() < 50) continue;
      const PrincipalAxes shape = principalAxes(points);
      for (int first = 0; first < 3; ++first)
        for (int second = 0; second < 3; ++second) {
          if (first == second) continue;
          const int third = 3 - first - second;
          // A permutation that pairs very different spreads cannot be right.
          const double fit = std::abs(std::log(image.spread[0] / shape.spread[first])) +
                             std::abs(std::log(image.spread[1] / shape.spread[second])) +
                             std::abs(std::log(image.spread[2] / shape.spread[third]));
          if (fit > 1.6 && !(first == 0 && second == 1)) continue;
          for (int signs = 0; signs < 4; ++signs) {
            Mat3 from;
            from.col(0) = shape.axes.col(first) * (signs & 1 ? -1 : 1);
            from.col(1) = shape.axes.col(second) * (signs & 2 ? -1 : 1);
            from.col(2) = from.col(0).cross(from.col(1));
            Mat3 to;
            to.col(0) = image_axes.col(0);
            to.col(1) = image_axes.col(1);
            to.col(2) = to.col(0).cross(to.col(1));
            Start start;
            start.side = s;
            start.pose.centre = shape.centre;
            start.pose.X.linear() = to * from.transpose();
            start.pose.X.translation() = image.centre - start.pose.X.linear() * shape.centre;
            const double ratio = std::cbrt(image.spread.prod() / shape.spread.prod());
            start.pose.log_scale = Vec3::Constant(std::log(std::clamp(ratio, 0.85, 1.15)));
            starts.push_back(start);
          }
        }
    }
  }
  FitSettings rough;
  rough.iterations = 10;
  rough.start_reach_mm = 22;
  rough.end_reach_mm = 9;
  rough.least_cosine = 0.4;
  rough.scaling = Scaling::kUniform;
  rough.keep = 0.85;
  rough.prior_shift_mm = 1e3;
  rough.prior_turn_rad = 1e2;
  rough.prior_log_scale = 0.08;
  const auto score = [&](std::size_t side, const std::vector<OrientedPoint>& samples, const BonePose& pose) {
    const FitResult f = scorePose(samples, edges, scan, pose);
    const double seen = std::min(1.0, f.visible / 0.35);
    return 0.5 * f.score * seen + 0.5 * explained(side, pose);
  };
  BonePose unit;  // scale prior: an adult foot of the template's size
  tbb::parallel_for(std::size_t{0}, starts.size(), [&](std::size_t n) {
    FitSettings settings = rough;
    BonePose prior = starts[n].pose;
    prior.log_scale.setZero();
    settings.prior = &prior;
    auto fit = fitPose(data[starts[n].side].quick, edges, scan, starts[n].pose, settings);
    starts[n].pose = fit.pose;
    starts[n].score = score(starts[n].side, data[starts[n].side].quick, fit.pose);
  });
  std::stable_sort(starts.begin(), starts.end(), [](const Start& a, const Start& b) { return a.score > b.score; });

  std::vector<Placement> out;
  for (const Side side : sides) {
    const std::size_t s = side == Side::kRight ? 0 : 1;
    std::vector<Start> best;
    for (const auto& start : starts) {
      if (start.side != s) continue;
      const bool known = std::any_of(best.begin(), best.end(), [&](const Start& b) {
        return rotationAngle(b.pose.X.linear().transpose() * start.pose.X.linear()) < 0.15 &&
               (b.pose.apply(Vec3::Zero()) - start.pose.apply(Vec3::Zero())).norm() < 6;
      });
      if (!known) best.push_back(start);
      if (best.size() == 8) break;
    }
    tbb::parallel_for(std::size_t{0}, best.size(), [&](std::size_t n) {
      FitSettings settings = rough;
      settings.iterations = 30;
      settings.start_reach_mm = 12;
      settings.end_reach_mm = 4;
      settings.least_cosine = 0.5;
      BonePose prior = best[n].pose;
      prior.log_scale.setZero();
      settings.prior = &prior;
      const auto fit = fitPose(data[s].fine, edges, scan, best[n].pose, settings);
      best[n].pose = fit.pose;
      best[n].score = score(s, data[s].fine, fit.pose);
    });
    std::stable_sort(best.begin(), best.end(), [](const Start& a, const Start& b) { return a.score > b.score; });
    if (best.empty()) continue;
    Placement p;
    p.side = side;
    p.pose = best.front().pose;
    p.quality = best.front().score;
    p.rms_mm = scorePose(data[s].fine, edges, scan, p.pose).rms_mm;
    p.explained = explained(s, p.pose);
    out.push_back(p);
  }
  std::stable_sort(out.begin(), out.end(),
                   [](const Placement& a, const Placement& b) { return a.quality > b.quality; });
  return out;
}

}  // namespace rayset::bones
