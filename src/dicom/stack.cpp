#include "dicom/stack.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <numeric>

#include "base/median.h"
#include "base/units.h"
#include "dicom/attributes.h"

namespace rayset::dicom {
namespace {

constexpr const char* kExportAll = "dicom.export_whole_series_again_archive_choose";

std::string where(const std::string& name) { return name + ", " + label(attr::kPosition); }

/// Least-squares line y = a + b x.
struct Line {
  double a = 0, b = 0;
};
Line fitLine(const std::vector<double>& x, const std::vector<double>& y) {
  const auto n = static_cast<double>(x.size());
  const double mx = std::accumulate(x.begin(), x.end(), 0.0) / n;
  const double my = std::accumulate(y.begin(), y.end(), 0.0) / n;
  double xx = 0, xy = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    xx += (x[i] - mx) * (x[i] - mx);
    xy += (x[i] - mx) * (y[i] - my);
  }
  const double b = xx > 0 ? xy / xx : 0;
  return {my - b * mx, b};
}

}  // namespace

Result<StackPlan> planStack(const std::vector<FrameHeader>& frames, const std::vector<std::string>& names) {
  StackPlan plan;
  if (frames.size() == 1)
    return fail(Fault::kImages, "dicom.only_one_slice_no_volume", names.front(),
                Message("dicom.give_folder_whole_series"));
  const FrameHeader& first = frames.front();
  const Vec3 row = first.row_direction;
  const Vec3 column = first.column_direction;
  const Vec3 normal = row.cross(column).normalized();
  const auto height = [&](int i) { return frames[static_cast<std::size_t>(i)].position.dot(normal); };
  const auto name = [&](int i) -> const std::string& { return names[static_cast<std::size_t>(i)]; };

  std::vector<int> order(frames.size());
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(), [&](int a, int b) { return height(a) < height(b); });

  // Slices at one position: the same picture twice, or two pictures of one level; only the pixels can show which.
  for (const int i : order) {
    if (plan.slices.empty() || height(i) - height(plan.slices.back()) >= kSamePlace) {
      plan.slices.push_back(i);
      continue;
    }
    const int kept = plan.slices.back();
    const double apart =
        (frames[static_cast<std::size_t>(i)].position - frames[static_cast<std::size_t>(kept)].position).norm();
    if (apart >= kSamePlace)
      return fail(Fault::kImages,
                  Message("dicom.two_slices_lie_one_level_but",
                          {{"apart", mm(apart, 2)}, {"name", name(kept)}, {"name_2", name(i)}}),
                  where(name(i)), Message("dicom.series_mixes_two_fields_view_export"));
    plan.duplicates.emplace_back(kept, i);
  }
  const std::size_t n = plan.slices.size();
  if (n < static_cast<std::size_t>(kLeastSlices))
    return fail(Fault::kImages,
                Message("dicom.only_slices_different_places_plan_needs", {{"n", n}, {"least_slices", kLeastSlices}}),
                where(name(plan.slices.front())), Message("dicom.give_folder_whole_thin_slice_series"));

  // Distances along the normal.
  std::vector<double> s(n);
  for (std::size_t i = 0; i < n; ++i) s[i] = height(plan.slices[i]) - height(plan.slices[0]);
  std::vector<double> gaps(n - 1);
  for (std::size_t i = 0; i + 1 < n; ++i) gaps[i] = s[i + 1] - s[i];
  const double h = median(gaps);
  plan.median_spacing = h;
  if (h < kThinnest || h > kThickest)
    return fail(Fault::kImages,
                Message("dicom.slices_apart_plan_needs_between_mm",
                        {{"h", mm(h, -3)}, {"thinnest", plain(kThinnest)}, {"thickest", plain(kThickest)}}),
                where(name(plan.slices.front())), Message("dicom.choose_series_thin_slices_0"));

  // The regular positions: the number of steps between neighbours.
  plan.layer.assign(n, 0);
  for (std::size_t i = 0; i + 1 < n; ++i)
    plan.layer[i + 1] = plan.layer[i] + static_cast<int>(std::max(1.0, std::min(1e6, std::round(gaps[i] / h))));
  std::vector<double> steps(plan.layer.begin(), plan.layer.end());
  const Line regular = fitLine(steps, s);
  double off_place = 0;
  for (std::size_t i = 0; i < n; ++i)
    off_place = std::max(off_place, std::abs(regular.a + regular.b * steps[i] - s[i]));
  const bool in_place = off_place <= kEvenTolerance * regular.b;
  const int missing = plan.layer.back() + 1 - static_cast<int>(n);
  const auto [narrow, wide] = std::minmax_element(gaps.begin(), gaps.end());
  const auto at = [&](std::vector<double>::iterator gap) {
    return plan.slices[static_cast<std::size_t>(gap - gaps.begin())];
  };

  if (in_place && missing > 0) {
    // Missing slices: a few isolated ones are filled in and reported; more would be inventing bone.
    int most_together = 0;
    std::vector<Message> told;
    bool neighbours = false;
    for (std::size_t i = 0; i + 1 < n; ++i) {
      const int gone = plan.layer[i + 1] - plan.layer[i] - 1;
      if (gone == 0) continue;
      most_together = std::max(most_together, gone);
      neighbours = neighbours || (i > 0 && plan.layer[i] - plan.layer[i - 1] > 1);
      if (told.size() < 5)
        told.push_back(Message("dicom.between",
                               {{"gone", gone}, {"name", name(plan.slices[i])}, {"name_2", name(plan.slices[i + 1])}}));
    }
    const int allowed = std::max(2, static_cast<int>(kMostMissingShare * static_cast<double>(plan.layer.back() + 1)));
    const List list = each(told);
    if (missing > allowed || most_together > kMostMissingTogether || *wide > kWidestGap + 1e-6 || neighbours)
      return fail(Fault::kImages,
                  Message("dicom.slices_missing_widest_gap_where_slices", {{"missing", missing},
                                                                           {"layer", plan.layer.back() + 1},
                                                                           {"list", list},
                                                                           {"wide", mm(*wide, 2)},
                                                                           {"b", mm(regular.b, -3)}}),
                  where(name(at(wide))), kExportAll);
    for (std::size_t i = 0; i + 1 < n; ++i) {
      const int gone = plan.layer[i + 1] - plan.layer[i] - 1;
      if (gone == 0) continue;
      const Vec3 p = frames[static_cast<std::size_t>(plan.slices[i])].position;
      const Vec3 q = frames[static_cast<std::size_t>(plan.slices[i + 1])].position;
      plan.notes.push_back(Message("dicom.missing_between_position_position_interpolated_neighbours",
                                   {{"count", gone},
                                    {"name", name(plan.slices[i])},
                                    {"x", number(p.x(), 2)},
                                    {"y", number(p.y(), 2)},
                                    {"z", mm(p.z(), 2)},
                                    {"name_2", name(plan.slices[i + 1])},
                                    {"x_2", number(q.x(), 2)},
                                    {"y_2", number(q.y(), 2)},
                                    {"z_2", mm(q.z(), 2)}}));
    }
  } else if (!in_place) {
    if (*wide > (1 + kMildUnevenness) * h || *narrow < (1 - kMildUnevenness) * h)
      return fail(Fault::kImages,
                  Message("dicom.slices_unevenly_spaced_after_after", {{"narrow", mm(*narrow, -3)},
                                                                       {"name", name(at(narrow))},
                                                                       {"wide", mm(*wide, -3)},
                                                                       {"name_2", name(at(wide))}}),
                  where(name(at(wide))), kExportAll);
    plan.uneven = true;
    std::iota(plan.layer.begin(), plan.layer.end(), 0);
    plan.notes.push_back(Message("dicom.slices_unevenly_spaced_volume_resampled_even",
                                 {{"narrow", number(*narrow, -3)},
                                  {"wide", mm(*wide, -3)},
                                  {"s", mm(s.back() / static_cast<double>(n - 1), -3)}}));
  }
  plan.layers = plan.layer.back() + 1;

  // Sideways drift along the stack: none (upright), a straight line (tilted gantry), or not a stack.
  std::vector<double> u(n), v(n);
  for (std::size_t i = 0; i < n; ++i) {
    const Vec3 d = frames[static_cast<std::size_t>(plan.slices[i])].position -
                   frames[static_cast<std::size_t>(plan.slices[0])].position;
    u[i] = d.dot(row);
    v[i] = d.dot(column);
  }
  const Line du = fitLine(s, u);
  const Line dv = fitLine(s, v);
  const double pixel = std::min(first.row_spacing, first.column_spacing);
  for (std::size_t i = 0; i < n; ++i) {
    const double stray = std::hypot(u[i] - du.a - du.b * s[i], v[i] - dv.a - dv.b * s[i]);
    if (stray > 0.5 * pixel)
      return fail(Fault::kImages,
                  Message("dicom.slice_lies_side_line_neighbours_form",
                          {{"name", name(plan.slices[i])}, {"stray", mm(stray, 2)}}),
                  where(name(plan.slices[i])), Message("dicom.series_mixes_fields_view_export_one"));
  }
  const double shear = std::hypot(du.b, dv.b);
  plan.tilt_deg = toDegrees(std::atan(shear));
  plan.tilted = shear * s.back() > kDriftPixels * pixel;
  if (plan.tilted && plan.tilt_deg > kMostTilt_deg)
    return fail(Fault::kImages,
                Message("dicom.slices_advance_degrees_their_normal_more", {{"tilt", number(plan.tilt_deg, 1)}}),
                where(name(plan.slices.front())), kExportAll);

  plan.origin.assign(static_cast<std::size_t>(plan.layers), Vec3::Zero());
  for (std::size_t i = 0; i < n; ++i) {
    const Vec3 p = frames[static_cast<std::size_t>(plan.slices[i])].position;
    plan.origin[static_cast<std::size_t>(plan.layer[i])] = p;
    if (i == 0) continue;
    const Vec3 q = frames[static_cast<std::size_t>(plan.slices[i - 1])].position;
    const int from = plan.layer[i - 1];
    for (int k = from + 1; k < plan.layer[i]; ++k)
      plan.origin[static_cast<std::size_t>(k)] = q + (p - q) * (static_cast<double>(k - from) / (plan.layer[i] - from));
  }

  Grid& grid = plan.grid;
  grid.direction.col(0) = row;
  grid.direction.col(1) = column;
  grid.direction.col(2) = normal;
  grid.spacing = Vec3(first.column_spacing, first.row_spacing, s.back() / static_cast<double>(plan.layers - 1));
  grid.size = Eigen::Vector3i(first.columns, first.rows, plan.layers);
  grid.origin = plan.origin.front();
  if (plan.tilted) {
    // The upright box that holds every slice: its corner is the least, its width grows by the drift.
    const Vec3 drift = row * (du.b * s.back()) + column * (dv.b * s.back());
    const double least_u = std::min(0.0, du.b * s.back());
    const double least_v = std::min(0.0, dv.b * s.back());
    grid.origin += row * least_u + column * least_v;
    grid.size.x() += static_cast<int>(std::ceil(std::abs(drift.dot(row)) / grid.spacing.x() - 1e-6));
    grid.size.y() += static_cast<int>(std::ceil(std::abs(drift.dot(column)) / grid.spacing.y() - 1e-6));
    plan.notes.push_back(
        Message("dicom.gantry_tilted_degrees_volume_resampled_upright", {{"tilt", number(plan.tilt_deg, 1)}}));
  }
  const double voxels = static_cast<double>(grid.size.x()) * grid.size.y() * grid.size.z();
  if (voxels > kMostVoxels)
    return fail(
        Fault::kImages,
        Message(
            "dicom.volume_would_have_voxels_more_program",
            {{"x", grid.size.x()}, {"y", grid.size.y()}, {"z", grid.size.z()}, {"e6", number(kMostVoxels / 1e6, 0)}}),
        names.front(), Message("dicom.choose_series_covers_only_foot"));
  return plan;
}

namespace {

/// Catmull-Rom weights (cubic convolution with a = -1/2, Keys 1981, from memory) for a fraction t in [0, 1).
void cubicWeights(double t, float w[4]) {
  const double t2 = t * t, t3 = t2 * t;
  w[0] = static_cast<float>(-0.5 * t3 + t2 - 0.5 * t);
  w[1] = static_cast<float>(1.5 * t3 - 2.5 * t2 + 1);
  w[2] = static_cast<float>(-1.5 * t3 + 2 * t2 + 0.5 * t);
  w[3] = static_cast<float>(0.5 * t3 - 0.5 * t2);
}

std::int16_t toHu(float value) {
  return static_cast<std::int16_t>(std::lround(std::clamp(value, static_cast<float>(kAir), 32767.0f)));
}

/// One slice shifted sideways by whole and fractional pixels onto a wider one; air outside. Cubic, because a linear
/// shift by half a pixel would blur the cortex of every second slice.
void shiftSlice(const std::int16_t* in, int columns, int rows, double du, double dv, std::int16_t* out, int out_columns,
                int out_rows) {
  // Output pixel i shows input coordinate i - du.
  const int whole_u = static_cast<int>(std::floor(-du)), whole_v = static_cast<int>(std::floor(-dv));
  float wu[4], wv[4];
  cubicWeights(-du - whole_u, wu);
  cubicWeights(-dv - whole_v, wv);
  const auto pixel = [&](int i, int j) {
    return i >= 0 && j >= 0 && i < columns && j < rows
               ? static_cast<float>(
                     in[static_cast<std::size_t>(j) * static_cast<std::size_t>(columns) + static_cast<std::size_t>(i)])
               : static_cast<float>(kAir);
  };
  std::vector<float> line(static_cast<std::size_t>(out_columns) + 3);
  for (int j = 0; j < out_rows; ++j) {
    const int y = j + whole_v;
    for (int m = 0; m < out_columns + 3; ++m) {
      const int x = m + whole_u - 1;
      line[static_cast<std::size_t>(m)] =
          wv[0] * pixel(x, y - 1) + wv[1] * pixel(x, y) + wv[2] * pixel(x, y + 1) + wv[3] * pixel(x, y + 2);
    }
    std::int16_t* target = out + static_cast<std::size_t>(j) * static_cast<std::size_t>(out_columns);
    for (int i = 0; i < out_columns; ++i) {
      const float* l = &line[static_cast<std::size_t>(i)];
      target[i] = toHu(wu[0] * l[0] + wu[1] * l[1] + wu[2] * l[2] + wu[3] * l[3]);
    }
  }
}

void blend(const std::int16_t* a, const std::int16_t* b, float t, std::int16_t* out, std::size_t count) {
  for (std::size_t i = 0; i < count; ++i)
    out[i] = static_cast<std::int16_t>(std::lround(static_cast<float>(a[i]) + t * static_cast<float>(b[i] - a[i])));
}

}  // namespace

CtVolume finishStack(std::vector<std::int16_t>&& raw, const StackPlan& plan, int columns, int rows) {
  CtVolume out;
  out.grid = plan.grid;
  int width = columns, depth = rows;
  if (plan.tilted) {
    width = plan.grid.size.x();
    depth = plan.grid.size.y();
    const std::size_t in_size = static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows);
    const std::size_t out_size = static_cast<std::size_t>(width) * static_cast<std::size_t>(depth);
    std::vector<std::int16_t> upright(out_size * static_cast<std::size_t>(plan.layers));
    tbb::parallel_for(std::size_t{0}, plan.slices.size(), [&](std::size_t i) {
      const auto k = static_cast<std::size_t>(plan.layer[i]);
      const Vec3 d = plan.origin[k] - plan.grid.origin;
      shiftSlice(raw.data() + k * in_size, columns, rows, d.dot(plan.grid.direction.col(0)) / plan.grid.spacing.x(),
                 d.dot(plan.grid.direction.col(1)) / plan.grid.spacing.y(), upright.data() + k * out_size, width,
                 depth);
    });
    raw = std::move(upright);
  }
  const std::size_t size = static_cast<std::size_t>(width) * static_cast<std::size_t>(depth);
  const auto slice = [&](int k) { return raw.data() + static_cast<std::size_t>(k) * size; };
  for (std::size_t i = 0; i + 1 < plan.layer.size(); ++i) {
    const int from = plan.layer[i], to = plan.layer[i + 1];
    for (int k = from + 1; k < to; ++k)
      blend(slice(from), slice(to), static_cast<float>(k - from) / static_cast<float>(to - from), slice(k), size);
  }
  if (plan.uneven) {
    std::vector<std::int16_t> even(raw.size());
    const Vec3 n = plan.grid.direction.col(2);
    std::vector<double> at(static_cast<std::size_t>(plan.layers));
    for (std::size_t k = 0; k < at.size(); ++k) at[k] = (plan.origin[k] - plan.origin[0]).dot(n);
    tbb::parallel_for(0, plan.layers, [&](int k) {
      const double s = k * plan.grid.spacing.z();
      auto upper = static_cast<int>(std::lower_bound(at.begin(), at.end(), s) - at.begin());
      upper = std::clamp(upper, 1, plan.layers - 1);
      const double below = at[static_cast<std::size_t>(upper) - 1], above = at[static_cast<std::size_t>(upper)];
      const double t = std::clamp((s - below) / (above - below), 0.0, 1.0);
      blend(slice(upper - 1), slice(upper), static_cast<float>(t), even.data() + static_cast<std::size_t>(k) * size,
            size);
    });
    raw = std::move(even);
  }
  out.voxels = std::move(raw);
  return out;
}

}  // namespace rayset::dicom
