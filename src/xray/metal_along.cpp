#include "xray/metal_along.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "xray/film_beside.h"

namespace rayset::film_fit {
namespace {

constexpr double kSlabMm = 1, kBeyondMm = 9;

/// The planned device cut across into slabs, and slabs of its shank before and beyond it.
class Slabs {
 public:
  explicit Slabs(PlannedMetal metal) : metal_(std::move(metal)) {
    double begin = 1e300, end = -1e300;
    for (const ProfilePiece& piece : metal_.solid.pieces) {
      begin = std::min(begin, piece.from);
      end = std::max(end, piece.to);
    }
    if (const ProfilePiece* shaft = shaftOf(metal_.solid)) shank_ = std::sqrt(shaft->a);
    planned_ = std::max(1, static_cast<int>(std::lround((end - begin) / kSlabMm)));
    slab_ = (end - begin) / planned_;
    beyond_ = static_cast<int>(std::lround(kBeyondMm / slab_));
    begin_ = begin;
  }
  [[nodiscard]] int count() const { return planned_ + 2 * beyond_; }
  [[nodiscard]] int firstPlanned() const { return beyond_; }
  [[nodiscard]] int endPlanned() const { return beyond_ + planned_; }
  [[nodiscard]] double mm(int slabs) const { return slabs * slab_; }
  /// Along the axis, where slab k begins.
  [[nodiscard]] double at(int k) const { return begin_ + mm(k - beyond_); }
  [[nodiscard]] std::vector<bool> asPlanned() const {
    std::vector<bool> out(static_cast<std::size_t>(count()), false);
    std::fill(out.begin() + firstPlanned(), out.begin() + endPlanned(), true);
    return out;
  }
  /// The part of the device that is present.
  [[nodiscard]] PlannedMetal device(const std::vector<bool>& there) const {
    PlannedMetal out = metal_;
    out.solid.pieces.clear();
    for (int k = 0; k < count(); ++k) {
      if (!there[static_cast<std::size_t>(k)]) continue;
      if (k < firstPlanned() || k >= endPlanned()) {
        out.solid.pieces.push_back(cylinderPiece(at(k), at(k + 1), shank_));
        continue;
      }
      for (ProfilePiece piece : metal_.solid.pieces) {
        piece.from = std::max(piece.from, at(k));
        piece.to = std::min(piece.to, at(k + 1));
        if (piece.to > piece.from) out.solid.pieces.push_back(piece);
      }
    }
    return out;
  }

 private:
  PlannedMetal metal_;
  int planned_ = 1, beyond_ = 0;
  double begin_ = 0, slab_ = 1, shank_ = 1;
};

/// The narrowed problem with its only device drawn differently.
Problem with(const Problem& narrow, const PlannedMetal& metal) {
  Problem out = narrow;
  out.groups.front().metal = &metal;
  return out;
}

/// How much of each slab the films show, 0 to 1 but for noise: least squares over all pixels compared, on the change
/// that each slab makes to the prediction with the slabs that are `there`. What no film shows stays as it is.
std::vector<double> shown(const Problem& narrow, const Slabs& slabs, const std::vector<bool>& there) {
  constexpr double kRidge = 0.05;  // of the best seen slab's information
  const PlannedMetal device = slabs.device(there);
  const Problem now = with(narrow, device);
  const std::vector<Prediction> base = predictAll(now, kFine, {});
  const std::size_t count = there.size();
  // By film and slab, over the pixels compared.
  std::vector<std::vector<std::vector<float>>> change(base.size(), std::vector<std::vector<float>>(count));
  tbb::parallel_for(std::size_t{0}, count, [&](std::size_t k) {
    std::vector<bool> other = there;
    other[k] = !other[k];
    const PlannedMetal toggled = slabs.device(other);
    const Problem without = with(narrow, toggled);
    const float sign = other[k] ? 1.F : -1.F;
    for (std::size_t f = 0; f < base.size(); ++f) {
      const Film values = predict(without, without.films[f], kFine, {}).shown.values;
      for (std::size_t i = 0; i < values.values.size(); ++i)
        if (base[f].weight.values[i] > 0)
          change[f][k].push_back(sign * (values.values[i] - base[f].shown.values.values[i]));
    }
  });
  const auto n = static_cast<Eigen::Index>(count);
  Eigen::MatrixXd A = Eigen::MatrixXd::Zero(n, n);
  Eigen::VectorXd b = Eigen::VectorXd::Zero(n);
  for (std::size_t f = 0; f < base.size(); ++f) {
    std::vector<float> residual;
    for (std::size_t i = 0; i < base[f].weight.values.size(); ++i)
      if (base[f].weight.values[i] > 0)
        residual.push_back(base[f].wanted.values.values[i] - base[f].shown.values.values[i]);
    const auto pixels = static_cast<Eigen::Index>(residual.size());
    Eigen::MatrixXf D(pixels, n);
    for (Eigen::Index k = 0; k < n; ++k)
      D.col(k) = Eigen::Map<const Eigen::VectorXf>(change[f][static_cast<std::size_t>(k)].data(), pixels);
    A += (D.transpose() * D).cast<double>();
    b += (D.transpose() * Eigen::Map<const Eigen::VectorXf>(residual.data(), pixels)).cast<double>();
  }
  A.diagonal().array() += kRidge * A.diagonal().maxCoeff() + 1e-9;
  const Eigen::VectorXd x = A.ldlt().solve(b);
  std::vector<double> out(count);
  for (std::size_t k = 0; k < count; ++k) out[k] = (there[k] ? 1 : 0) + x[static_cast<Eigen::Index>(k)];
  return out;
}

/// Runs shorter than two slabs are noise: they take the value of the run before them.
void smooth(std::vector<bool>& there) {
  for (std::size_t k = 1; k + 1 < there.size(); ++k)
    if (there[k] != there[k - 1] && there[k] != there[k + 1]) there[k] = there[k - 1];
}

/// Which slabs are there. A change makes its surroundings look otherwise (pictures are compared after their local
/// contrast is taken out): a few millimetres more are seen as 0.4 of them, and as all of them once they are drawn.
std::vector<bool> slabsShown(const Problem& narrow, const Slabs& slabs) {
  constexpr int kPasses = 4;
  std::vector<bool> there = slabs.asPlanned();
  for (int pass = 0; pass < kPasses; ++pass) {
    const double more = pass == 0 ? 0.25 : 0.5, less = pass == 0 ? 0.75 : 0.5;
    const std::vector<double> much = shown(narrow, slabs, there);
    std::vector<bool> next = there;
    for (std::size_t k = 0; k < there.size(); ++k) next[k] = much[k] > (there[k] ? less : more);
    smooth(next);
    if (next == there) break;
    there = std::move(next);
  }
  return there;
}

/// The share of the difference between two predictions that the films show: above half, the other one matches better.
double shareShown(const Problem& one, const Problem& other) {
  double shown = 0, all = 0;
  const std::vector<Prediction> of_one = predictAll(one, kFine, {}), of_other = predictAll(other, kFine, {});
  for (std::size_t f = 0; f < of_one.size(); ++f) {
    const Prediction &a = of_one[f], &b = of_other[f];
    for (std::size_t i = 0; i < a.weight.values.size(); ++i) {
      if (a.weight.values[i] <= 0) continue;
      const auto difference = static_cast<double>(b.shown.values.values[i] - a.shown.values.values[i]);
      shown += difference * static_cast<double>(a.wanted.values.values[i] - a.shown.values.values[i]);
      all += difference * difference;
    }
  }
  return all > 0 ? shown / all : 0;
}

}  // namespace

MetalAlong metalAlong(Problem& p, std::size_t g, const RefineSettings& base, const Mode& mode,
                      const Progress& progress) {
  constexpr double kAround = 2, kShareShown = 0.5, kMost = 0.6;
  const PlannedMetal& planned = *p.groups[g].metal;
  const Slabs slabs(planned);
  // All that is looked at lies in one region.
  const PlannedMetal longest = slabs.device(std::vector<bool>(static_cast<std::size_t>(slabs.count()), true));
  p.groups[g].metal = &longest;
  const Problem narrow = narrowed(p, g, g, kAround, {kFine}, mode);
  p.groups[g].metal = &planned;

  const std::vector<bool> there = slabsShown(narrow, slabs);
  int first = 0, end = slabs.count(), gap_from = 0, gap = 0;
  while (first < end && !there[static_cast<std::size_t>(first)]) ++first;
  while (end > first && !there[static_cast<std::size_t>(end - 1)]) --end;
  for (int k = first, run = 0; k < end; ++k) {
    run = there[static_cast<std::size_t>(k)] ? 0 : run + 1;
    if (run <= gap) continue;
    gap = run;
    gap_from = k + 1 - run;
  }
  MetalAlong out;
  const auto planned_there = std::count(there.begin() + slabs.firstPlanned(), there.begin() + slabs.endPlanned(), true);
  out.there = static_cast<double>(planned_there) >= kMost * (slabs.endPlanned() - slabs.firstPlanned());
  if (!out.there) return out;
  out.longer_mm = slabs.mm((end - first) - (slabs.endPlanned() - slabs.firstPlanned()));
  out.gap_mm = slabs.mm(gap);
  if (std::abs(out.longer_mm) < kOtherLengthMm && gap == 0) return {};

  // The planned device refined once more, against the device as shown, whole or in pieces.
  RefineSettings r = base;
  r.level = kFine;
  r.iterations = 6;
  r.mode = {};
  const auto followed = [&](Problem q) {
    refine(q, unknowns(q, std::vector<bool>(q.films.size(), false), {true}), r, progress);
    return q;
  };
  const Problem as_planned = followed(with(narrow, planned));
  struct Try {
    double longer = 0;
    PlannedMetal metal;
    Problem at;
    double met = -1;
  };
  std::vector<Try> tries;
  if (gap > 0) {
    tries.push_back({out.longer_mm, slabs.device(there), {}});
  } else {
    for (const double more : {-1.0, 0.0, 1.0}) {
      Try t{out.longer_mm + more, planned, {}};
      t.metal.solid = lengthened(planned.solid, t.longer);
      tries.push_back(std::move(t));
    }
  }
  const double slid = slabs.at(first) - slabs.at(slabs.firstPlanned());
  tbb::parallel_for(std::size_t{0}, tries.size(), [&](std::size_t n) {
    Try& t = tries[n];
    t.at = with(narrow, t.metal);
    Group& group = t.at.groups.front();
    group.reach_mm += std::max(0.0, t.longer);
    if (gap == 0) group.planned_to_found.pretranslate(slid * (group.planned_to_found.linear() * planned.solid.axis));
    t.at = followed(std::move(t.at));
    t.met = 0;
    for (const FilmState& f : t.at.films)
      t.met += similarity(predict(t.at, f, kFine, {})) / static_cast<double>(t.at.films.size());
  });
  const Try& best = *std::ranges::max_element(tries, {}, &Try::met);
  out.longer_mm = best.longer;
  if (gap == 0 && std::abs(out.longer_mm) < kOtherLengthMm) return {};
  if (shareShown(as_planned, best.at) < kShareShown) return {};
  Rigid& pose = p.groups[g].planned_to_found;
  pose = best.at.groups.front().planned_to_found;
  if (gap > 0) {
    out.gap_at_mm = slabs.at(gap_from) - slabs.at(first);
    pose.pretranslate(slid * (pose.linear() * planned.solid.axis));
  }
  return out;
}

}  // namespace rayset::film_fit
