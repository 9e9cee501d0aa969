#include "xray/line_integrals.h"

#include <sys/mman.h>
#include <tbb/blocked_range.h>
#include <tbb/cache_aligned_allocator.h>
#include <tbb/parallel_for.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <limits>
#include <mutex>
#include <new>
#include <stdexcept>
#include <vector>

#include "xray/plane_kernel.h"

namespace rayset {
namespace {

using plane_kernel::kBlock;
using plane_kernel::kChunk;
using plane_kernel::kRows;

/// Memory in large pages where there is much of it: planes are half a megabyte apart, and every one would otherwise
/// cost a walk through the page tables.
template <class T>
struct LargePages {
  using value_type = T;
  LargePages() = default;
  template <class U>
  explicit LargePages(const LargePages<U>&) {}
  T* allocate(std::size_t n) {
    const std::size_t page = n * sizeof(T) >= kPage ? kPage : 64;
    const std::size_t bytes = (n * sizeof(T) + page - 1) / page * page;
    void* p = std::aligned_alloc(page, bytes);
    if (p == nullptr) throw std::bad_alloc();
    // A hint: without it everything is merely slower.
    if (page == kPage) static_cast<void>(madvise(p, bytes, MADV_HUGEPAGE));
    return static_cast<T*>(p);
  }
  void deallocate(T* p, std::size_t) { std::free(p); }
  bool operator==(const LargePages&) const = default;
  static constexpr std::size_t kPage = std::size_t{1} << 21;
};

template <class T>
using Aligned = std::vector<T, tbb::cache_aligned_allocator<T>>;

/// Largest magnitude held: differences of two values must fit 16 bits.
constexpr int kLargest = 16383;
/// Planes that can be summed before 32 bits may overflow.
constexpr int kPlanesPerSum = ((1 << (31 - plane_kernel::kWeightBits)) - 1) / (kLargest + 1);
/// Pitch of the plane picture in voxels of the farthest plane.
constexpr double kPitch = 1.0;
static_assert(kPitch <= plane_kernel::kMaxStep);
/// A picture is drawn along one axis if nowhere another runs more than this much faster along the rays: drawing it in
/// parts costs a quarter more, and steps of up to 2 voxels were measured to be no worse (0.128 against 0.126 %).
constexpr double kSlopeOfOneAxis = 1.7;
/// Columns and rows around the plane picture for the four-point interpolation.
constexpr double kMargin = 2;
/// Planes nearer to the source than this (in planes) are left out: the picture has no scale there.
constexpr double kNearest = 0.01;
/// How many planes ahead voxels are fetched.
constexpr int kPlanesAhead = 1;

void forRange(int count, Threads threads, const std::function<void(int, int)>& work) {
  if (threads == Threads::kOne) {
    work(0, count);
    return;
  }
  tbb::parallel_for(tbb::blocked_range<int>(0, count),
                    [&](const tbb::blocked_range<int>& range) { work(range.begin(), range.end()); });
}

/// The volume with one axis slowest. Planes of rows, rows padded to whole chunks.
struct Layout {
  int axis = 2, u = 0, v = 1;  ///< slowest, fastest, middle
  int nu = 0, nv = 0, nw = 0;
  std::ptrdiff_t row = 0, plane = 0;  ///< values from row to row, from plane to plane
  std::vector<std::int16_t, LargePages<std::int16_t>> voxels;
  struct Span {
    std::uint16_t begin = 0, end = 0;  ///< chunks that are not all zero
  };
  std::vector<Span> spans;  ///< of every row, grouped by position across all planes, in order of access

  void shape(const Eigen::Vector3i& size) {
    nu = size[u];
    nv = size[v];
    nw = size[axis];
    row = (nu + kChunk - 1) / kChunk * kChunk;
    plane = row * nv;
    voxels.assign(static_cast<std::size_t>(plane) * static_cast<std::size_t>(nw), 0);
    spans.assign(static_cast<std::size_t>(nv) * static_cast<std::size_t>(nw), {});
  }
  [[nodiscard]] std::int16_t* at(int k, int j) { return voxels.data() + k * plane + j * row; }
  [[nodiscard]] const std::int16_t* at(int k, int j) const { return voxels.data() + k * plane + j * row; }
  [[nodiscard]] std::size_t spanAt(int k, int j) const {
    return static_cast<std::size_t>(j) * static_cast<std::size_t>(nw) + static_cast<std::size_t>(k);
  }
  void findSpans(int k) {
    for (int j = 0; j < nv; ++j) {
      const std::int16_t* values = at(k, j);
      int first = nu, last = -1;
      for (int i = 0; i < nu; ++i) {
        if (values[i] == 0) continue;
        first = std::min(first, i);
        last = i;
      }
      if (last < 0) continue;
      spans[spanAt(k, j)] = {static_cast<std::uint16_t>(first / kChunk), static_cast<std::uint16_t>(last / kChunk + 1)};
    }
  }
};

}  // namespace

struct ProjectionVolume::Impl {
  Grid grid;
  int shift = 0;  ///< values are held times 2^shift
  mutable std::array<Layout, 3> layouts;
  mutable std::array<std::once_flag, 2> made;

  [[nodiscard]] double unit() const { return std::ldexp(1.0, -shift); }

  const Layout& along(int axis) const {
    if (axis == 2) return layouts[2];
    std::call_once(made[static_cast<std::size_t>(axis)], [&] {
      // Isolated, so that this thread cannot pick up a task that waits for this very layout.
      tbb::this_task_arena::isolate([&] { make(axis); });
    });
    return layouts[static_cast<std::size_t>(axis)];
  }

  void make(int axis) const {
    const Layout& from = layouts[2];
    Layout& to = layouts[static_cast<std::size_t>(axis)];
    to.axis = axis;
    to.u = axis == 0 ? 1 : 0;
    to.v = 2;
    to.shape(grid.size);
    if (axis == 1) {
      tbb::parallel_for(0, to.nw, [&](int j) {
        for (int k = 0; k < to.nv; ++k) std::copy_n(from.at(k, j), to.nu, to.at(j, k));
      });
    } else {
      constexpr int kTile = 32;  // both sides of the transposition in the first cache
      tbb::parallel_for(0, from.nw, [&](int k) {
        for (int j0 = 0; j0 < from.nv; j0 += kTile)
          for (int i0 = 0; i0 < from.nu; i0 += kTile)
            for (int i = i0; i < std::min(i0 + kTile, from.nu); ++i) {
              std::int16_t* row = to.at(i, k);
              for (int j = j0; j < std::min(j0 + kTile, from.nv); ++j) row[j] = from.at(k, j)[i];
            }
      });
    }
    tbb::parallel_for(0, to.nw, [&](int k) { to.findSpans(k); });
  }
};

ProjectionVolume::ProjectionVolume(const Grid& grid, std::span<const std::int16_t> voxels)
    : impl_(std::make_unique<Impl>()) {
  if ((grid.size.array() < 0).any() || voxels.size() != grid.count())
    throw std::invalid_argument("ProjectionVolume: number of voxels is not the grid's");
  if (!(grid.spacing.array() > 0).all()) throw std::invalid_argument("ProjectionVolume: spacing must be positive");
  if (!(grid.direction.transpose() * grid.direction).isIdentity(1e-4))
    throw std::invalid_argument("ProjectionVolume: directions must be unit and perpendicular");

  Eigen::Vector3i low = grid.size, high = Eigen::Vector3i::Constant(-1);
  int largest = 0;
  for (int k = 0; k < grid.size.z(); ++k) {
    for (int j = 0; j < grid.size.y(); ++j) {
      const std::int16_t* row = voxels.data() + grid.offset(0, j, k);
      int first = grid.size.x(), last = -1;
      for (int i = 0; i < grid.size.x(); ++i) {
        if (row[i] == 0) continue;
        first = std::min(first, i);
        last = i;
        largest = std::max(largest, std::abs(static_cast<int>(row[i])));
      }
      if (last < 0) continue;
      low = low.cwiseMin(Eigen::Vector3i(first, j, k));
      high = high.cwiseMax(Eigen::Vector3i(last, j, k));
    }
  }
  Impl& m = *impl_;
  m.grid = grid;
  if (largest == 0) {
    m.grid.size.setZero();
    return;
  }
  m.grid.size = high - low + Eigen::Vector3i::Ones();
  m.grid.origin = grid.toPatient(low.cast<double>());
  // Small values are held large, so that rounding to whole numbers between voxels stays far below them.
  m.shift = largest > kLargest ? -1 : 0;
  while (largest << (m.shift + 1) <= kLargest) ++m.shift;

  Layout& layout = m.layouts[2];
  layout.shape(m.grid.size);
  tbb::parallel_for(0, layout.nw, [&](int k) {
    for (int j = 0; j < layout.nv; ++j) {
      const std::int16_t* from = voxels.data() + grid.offset(low.x(), low.y() + j, low.z() + k);
      std::int16_t* to = layout.at(k, j);
      for (int i = 0; i < layout.nu; ++i)
        to[i] = static_cast<std::int16_t>(m.shift < 0 ? from[i] >> 1 : from[i] * (1 << m.shift));
    }
    layout.findSpans(k);
  });
}
ProjectionVolume::~ProjectionVolume() = default;
ProjectionVolume::ProjectionVolume(ProjectionVolume&&) noexcept = default;
ProjectionVolume& ProjectionVolume::operator=(ProjectionVolume&&) noexcept = default;

const Grid& ProjectionVolume::grid() const { return impl_->grid; }
double ProjectionVolume::value(int i, int j, int k) const { return impl_->layouts[2].at(k, j)[i] * impl_->unit(); }
void ProjectionVolume::prepare(int axis) const {
  if (impl_->grid.count() > 0) static_cast<void>(impl_->along(axis));
}

bool supported(InstructionSet set) {
  switch (set) {
    case InstructionSet::kScalar:
      return true;
    case InstructionSet::kAvx2:
      return __builtin_cpu_supports("avx2") != 0;
    case InstructionSet::kAvx512:
      return __builtin_cpu_supports("avx512f") != 0 && __builtin_cpu_supports("avx512bw") != 0 &&
             __builtin_cpu_supports("avx512vl") != 0 && __builtin_cpu_supports("avx512vbmi") != 0 &&
             __builtin_cpu_supports("avx512vnni") != 0;
  }
  return false;
}

InstructionSet bestInstructionSet() {
  static const InstructionSet best = supported(InstructionSet::kAvx512) ? InstructionSet::kAvx512
                                     : supported(InstructionSet::kAvx2) ? InstructionSet::kAvx2
                                                                        : InstructionSet::kScalar;
  return best;
}

PixelBox shadow(const Grid& grid, const ProjectionView& view) {
  if ((grid.size.array() <= 0).any()) return {};
  Vec2 low = Vec2::Constant(std::numeric_limits<double>::max()), high = -low;
  for (int c = 0; c < 8; ++c) {
    const Vec3 index((c & 1) != 0 ? grid.size.x() : -1, (c & 2) != 0 ? grid.size.y() : -1,
                     (c & 4) != 0 ? grid.size.z() : -1);
    const Vec3 p = grid.toPatient(index);
    if ((p - view.source).dot(view.normal()) < 1e-3) return {0, 0, view.columns, view.rows};
    const Vec2 at = view.project(p);
    low = low.cwiseMin(at);
    high = high.cwiseMax(at);
  }
  // Compared before they become whole numbers, which far outside the detector would overflow.
  const auto from = [](double x, int n) { return static_cast<int>(std::ceil(std::clamp(x, 0.0, double{1} * n))); };
  const auto to = [](double x, int n) { return static_cast<int>(std::floor(std::clamp(x, -1.0, n - 1.0))); };
  PixelBox box;
  box.column = from(low.x(), view.columns);
  box.row = from(low.y(), view.rows);
  box.columns = to(high.x(), view.columns) - box.column + 1;
  box.rows = to(high.y(), view.rows) - box.row + 1;
  return box.empty() ? PixelBox{} : box;
}

namespace {

using Polygon = std::vector<Vec2>;  ///< convex, in (column, row)

/// What of the polygon has f >= 0, f being affine.
template <class F>
Polygon clipped(const Polygon& polygon, const F& f) {
  Polygon kept;
  for (std::size_t i = 0; i < polygon.size(); ++i) {
    const Vec2 &a = polygon[i], &b = polygon[(i + 1) % polygon.size()];
    const double fa = f(a), fb = f(b);
    if (fa >= 0) kept.push_back(a);
    if ((fa > 0 && fb < 0) || (fa < 0 && fb > 0)) kept.push_back(a + (b - a) * (fa / (fa - fb)));
  }
  return kept;
}

using Float4 [[gnu::vector_size(16)]] = float;
Float4 loadFloat4(const float* p) {
  Float4 v;
  std::memcpy(&v, p, sizeof v);
  return v;
}
/// Weights of four neighbours for a point t of the way from the second to the third: Catmull-Rom, the cubic
/// convolution of Keys 1981 with a = -1/2.
Float4 cubicWeights(float t) {
  constexpr Float4 c0{0, 1, 0, 0}, c1{-0.5F, 0, 0.5F, 0}, c2{1, -2.5F, 2, -0.5F}, c3{-0.5F, 1.5F, -1.5F, 0.5F};
  return c0 + t * (c1 + t * (c2 + t * c3));
}

/// The rays of an exposure in voxels of a volume.
struct Rays {
  Vec3 source;              ///< in voxels
  Vec3 first, column, row;  ///< of the direction, in voxels: of pixel (0, 0), and per column and row
  [[nodiscard]] Vec3 direction(const Vec2& pixel) const { return first + pixel.x() * column + pixel.y() * row; }
};

/// One drawing: along one axis, for the pixels whose rays run most along it in one sense.
class Drawing {
 public:
  Drawing(const ProjectionVolume::Impl& volume, const ProjectionView& view, const Rays& rays, int axis, int sense,
          bool whole, const PixelBox& box)
      : volume_(volume),
        layout_(volume.along(axis)),
        view_(view),
        rays_(rays),
        sense_(sense),
        whole_(whole),
        box_(box) {}

  void draw(const Polygon& pixels, double scale, std::span<float> out, plane_kernel::AddPlanes add, Threads threads) {
    if (!place(pixels)) return;
    picture_ =
        std::make_unique_for_overwrite<float[]>(static_cast<std::size_t>(columns_) * static_cast<std::size_t>(rows_));
    forRange(rows_ / kRows, threads, [&](int begin, int end) { addPlanes(begin, end, add); });
    forRange(box_.rows, threads, [&](int begin, int end) { warp(begin, end, scale, out); });
  }

 private:
  /// Lays the plane picture out: on the farthest plane, over the shadow of the volume from the source and the pixels'
  /// rays. False if nothing falls on the pixels.
  bool place(const Polygon& pixels) {
    const Layout& l = layout_;
    source_ = Vec3(rays_.source[l.u], rays_.source[l.v], sense_ * rays_.source[l.axis]);
    // Planes in front of the source, by their distance from it in planes.
    first_plane_ = 0;
    last_plane_ = l.nw - 1;
    if (sense_ > 0)
      first_plane_ = static_cast<int>(std::clamp(std::ceil(source_.z() + kNearest), 0.0, 1.0 * l.nw));
    else
      last_plane_ = static_cast<int>(std::clamp(std::floor(-source_.z() - kNearest), -1.0, l.nw - 1.0));
    if (first_plane_ > last_plane_) return false;
    far_ = distance(sense_ > 0 ? last_plane_ : first_plane_);
    const double near = distance(sense_ > 0 ? first_plane_ : last_plane_) / far_;

    Vec2 low = Vec2::Constant(1e300), high = -low;
    for (const Vec2& pixel : pixels) {
      const Vec3 d = rays_.direction(pixel);
      const Vec2 at = source_.head<2>() + Vec2(d[l.u], d[l.v]) * (far_ / (sense_ * d[l.axis]));
      low = low.cwiseMin(at);
      high = high.cwiseMax(at);
    }
    const int size[2] = {l.nu, l.nv};
    for (int a = 0; a < 2; ++a) {
      const double s = source_[a];
      low[a] = std::max(low[a], std::min(-1.0, s + (-1 - s) / near)) - kMargin;
      high[a] = std::min(high[a], std::max(1.0 * size[a], s + (size[a] - s) / near)) + kMargin;
      if (!(high[a] - low[a] >= 2 * kMargin)) return false;
    }
    origin_ = low;
    const auto count = [](double length, int multiple) {
      const auto n = static_cast<int>(std::ceil(length / kPitch)) + 1;
      return (n + multiple - 1) / multiple * multiple;
    };
    columns_ = count(high.x() - low.x(), kBlock);
    rows_ = count(high.y() - low.y(), kRows);
    return true;
  }

  [[nodiscard]] double distance(int plane) const { return sense_ * plane - source_.z(); }

  /// Sums the planes under tiles [begin, end) of the plane picture.
  void addPlanes(int begin, int end, plane_kernel::AddPlanes add) {
    const Layout& l = layout_;
    const std::ptrdiff_t stride = l.row + 2 * plane_kernel::kGuard;
    Aligned<std::int16_t> rows(static_cast<std::size_t>(stride) * kRows * plane_kernel::kPlanes);
    const Aligned<std::int16_t> nothing(static_cast<std::size_t>(l.row));
    Aligned<std::int32_t> sums(static_cast<std::size_t>(columns_) * kRows);
    std::array<plane_kernel::PlaneTile, plane_kernel::kPlanes> planes;
    for (int tile = begin; tile < end; ++tile) {
      std::fill(sums.begin(), sums.end(), 0);
      bool fresh = true;
      int summed = 0, waiting = 0;
      const auto addWaiting = [&] {
        if (waiting == 0) return;
        align(planes, waiting);
        add(planes.data(), waiting, rows.data(), stride, sums.data());
        waiting = 0;
      };
      for (int k = first_plane_; k <= last_plane_; ++k) {
        plane_kernel::PlaneTile& plane = planes[static_cast<std::size_t>(waiting)];
        if (!seen(k, tile, nothing.data(), plane)) continue;
        if (waiting > 0 && !closeBy(planes[0], plane)) {
          const plane_kernel::PlaneTile last = plane;
          addWaiting();
          planes[0] = last;
        }
        if (++waiting == plane_kernel::kPlanes) addWaiting();
        if (++summed == kPlanesPerSum) {
          addWaiting();
          flush(tile, sums, fresh);
          fresh = false;
          summed = 0;
        }
      }
      addWaiting();
      flush(tile, sums, fresh);
    }
  }

  /// Plane k under a tile. False if there is nothing to add.
  bool seen(int k, int tile, const std::int16_t* nothing, plane_kernel::PlaneTile& plane) const {
    const Layout& l = layout_;
    // Column and row of the plane picture to voxels of this plane: towards the source by `near`.
    const double near = distance(k) / far_, step = near * kPitch;
    const double v0 = source_.y() + (origin_.y() - source_.y()) * near + step * (tile * kRows);
    int from = std::numeric_limits<int>::max(), to = 0;
    for (int r = 0; r < kRows; ++r) {
      const double v = v0 + step * r;
      plane.above[r] = plane.below[r] = nothing;
      plane.fraction[r] = 0;
      if (!(v >= -1 && v < l.nv)) continue;
      const int below = static_cast<int>(v + 1);  // truncated from zero up
      plane.fraction[r] = static_cast<std::int16_t>(std::min(32767.0, (v + 1 - below) * 32768));
      if (below > 0) take(k, below - 1, plane.above[r], from, to);
      if (below < l.nv) take(k, below, plane.below[r], from, to);
    }
    if (from >= to) return false;
    // Only what the picture's columns fall on: near 45 degrees that is a part of each row.
    const double u0 = source_.x() + (origin_.x() - source_.x()) * near;
    const double u1 = u0 + step * (columns_ - 1) + 1;
    if (u0 >= l.row || u1 < 0) return false;
    plane.begin = std::max(from, static_cast<int>(std::max(u0, 0.0)) / kChunk) * kChunk;
    plane.end = std::min(to, static_cast<int>(std::min(u1, 1.0 * l.row)) / kChunk + 1) * kChunk;
    if (plane.begin >= plane.end) return false;
    constexpr double kUnit = 4294967296.0;  // 2^32
    plane.start = static_cast<std::int64_t>(u0 * kUnit);
    plane.step = static_cast<std::int64_t>(step * kUnit);
    plane.ahead = l.plane * kPlanesAhead;
    return true;
  }

  /// Whether two planes' columns are close enough to be processed together.
  [[nodiscard]] bool closeBy(const plane_kernel::PlaneTile& a, const plane_kernel::PlaneTile& b) const {
    constexpr auto kApart = static_cast<std::int64_t>(plane_kernel::kApart * 4294967296.0);
    const std::int64_t first = b.start - a.start, last = first + (b.step - a.step) * columns_;
    return std::abs(first) < kApart && std::abs(last) < kApart;
  }

  /// Gives planes that are processed together the voxels and blocks of columns that any of them needs.
  void align(std::array<plane_kernel::PlaneTile, plane_kernel::kPlanes>& planes, int count) const {
    plane_kernel::PlaneTile& a = planes[0];
    for (int p = 1; p < count; ++p) {
      a.begin = std::min(a.begin, planes[static_cast<std::size_t>(p)].begin);
      a.end = std::max(a.end, planes[static_cast<std::size_t>(p)].end);
    }
    const int last_block = columns_ / kBlock - 1;
    a.first_block = last_block;
    a.last_block = 0;
    for (int p = 0; p < count; ++p) {
      const plane_kernel::PlaneTile& plane = planes[static_cast<std::size_t>(p)];
      const auto column = [&](int u) {  // the last one before u
        const double at = (u * 4294967296.0 - static_cast<double>(plane.start)) / static_cast<double>(plane.step);
        return static_cast<int>(std::clamp(at, 0.0, columns_ - 1.0));
      };
      a.first_block = std::min(a.first_block, column(a.begin - 1) / kBlock);
      a.last_block = std::max(a.last_block, std::min(column(a.end) / kBlock, last_block));
    }
    for (int p = 1; p < count; ++p) {
      plane_kernel::PlaneTile& plane = planes[static_cast<std::size_t>(p)];
      plane.begin = a.begin;
      plane.end = a.end;
      plane.first_block = a.first_block;
      plane.last_block = a.last_block;
    }
  }

  void take(int k, int j, const std::int16_t*& row, int& from, int& to) const {
    const Layout::Span span = layout_.spans[layout_.spanAt(k, j)];
    if (span.begin >= span.end) return;
    row = layout_.at(k, j);
    from = std::min<int>(from, span.begin);
    to = std::max<int>(to, span.end);
  }

  /// Moves the sums of a tile to the picture, storing them there the first time.
  void flush(int tile, Aligned<std::int32_t>& sums, bool fresh) {
    for (int block = 0; block < columns_ / kBlock; ++block) {
      for (int r = 0; r < kRows; ++r) {
        std::int32_t* from = sums.data() + (static_cast<std::ptrdiff_t>(block) * kRows + r) * kBlock;
        float* to = picture_.get() + static_cast<std::ptrdiff_t>(tile * kRows + r) * columns_ + block * kBlock;
        if (fresh) std::fill_n(to, kBlock, 0.0F);
        for (int i = 0; i < kBlock; ++i) to[i] += static_cast<float>(from[i]);
        std::fill_n(from, kBlock, 0);
      }
    }
  }

  /// Brings the picture to rows [begin, end) of the pixel box.
  void warp(int begin, int end, double scale, std::span<float> out) const {
    const Layout& l = layout_;
    const auto unit = static_cast<float>(scale * volume_.unit() / (1 << plane_kernel::kWeightBits));
    const auto n = static_cast<std::size_t>(box_.columns);
    std::vector<float> x(n), y(n), length(n);
    std::vector<unsigned char> mine(n, 1);
    const Vec3 mm_column = view_.pixel_mm * view_.right;
    for (int r = begin; r < end; ++r) {
      const Vec2 pixel(box_.column, box_.row + r);
      // Along the row everything is affine in the column, but for the division and the length of the ray.
      const Vec3 d = rays_.direction(pixel);
      const Vec3 mm = view_.place(pixel.x(), pixel.y()) - view_.source;
      const double w = sense_ * d[l.axis], dw = sense_ * rays_.column[l.axis];
      const auto numerator = [&](double along, int a) { return along * far_ + (source_[a] - origin_[a]) * w; };
      const auto slope = [&](double along, int a) { return along * far_ + (source_[a] - origin_[a]) * dw; };
      const auto w0 = static_cast<float>(w), w1 = static_cast<float>(dw);
      const auto x0 = static_cast<float>(numerator(d[l.u], 0) / kPitch),
                 x1 = static_cast<float>(slope(rays_.column[l.u], 0) / kPitch);
      const auto y0 = static_cast<float>(numerator(d[l.v], 1) / kPitch),
                 y1 = static_cast<float>(slope(rays_.column[l.v], 1) / kPitch);
      const Eigen::Vector3f m0 = mm.cast<float>(), m1 = mm_column.cast<float>();
      float *to_x = x.data(), *to_y = y.data(), *to_length = length.data();
      const float m0x = m0.x(), m0y = m0.y(), m0z = m0.z(), m1x = m1.x(), m1y = m1.y(), m1z = m1.z();
      for (int c = 0; c < box_.columns; ++c) {
        const auto t = static_cast<float>(c);
        const float over = 1 / (w0 + t * w1);
        const float mx = m0x + t * m1x, my = m0y + t * m1y, mz = m0z + t * m1z;
        to_x[c] = (x0 + t * x1) * over;
        to_y[c] = (y0 + t * y1) * over;
        to_length[c] = unit * over * std::sqrt(mx * mx + my * my + mz * mz);
      }
      if (!whole_) sort(d, mine);
      float* to = out.data() + static_cast<std::ptrdiff_t>(box_.row + r) * view_.columns + box_.column;
      const auto right = static_cast<float>(columns_ - 2), bottom = static_cast<float>(rows_ - 2);
      for (std::size_t c = 0; c < n; ++c) {
        if (mine[c] == 0 || !(x[c] >= 1 && x[c] < right && y[c] >= 1 && y[c] < bottom)) continue;
        const int i = static_cast<int>(x[c]), j = static_cast<int>(y[c]);
        const float* p = picture_.get() + static_cast<std::ptrdiff_t>(j - 1) * columns_ + (i - 1);
        const Float4 wx = cubicWeights(x[c] - static_cast<float>(i)), wy = cubicWeights(y[c] - static_cast<float>(j));
        const Float4 s = wx * (wy[0] * loadFloat4(p) + wy[1] * loadFloat4(p + columns_) +
                               wy[2] * loadFloat4(p + 2 * columns_) + wy[3] * loadFloat4(p + 3 * columns_));
        to[c] += length[c] * ((s[0] + s[2]) + (s[1] + s[3]));
      }
    }
  }

  /// Which pixels of a row are drawn along this axis: every pixel along exactly one, the first of equals.
  void sort(const Vec3& d, std::vector<unsigned char>& mine) const {
    const Eigen::Vector3f d0 = d.cast<float>(), d1 = rays_.column.cast<float>();
    for (std::size_t c = 0; c < mine.size(); ++c) {
      const Eigen::Vector3f at = d0 + static_cast<float>(static_cast<int>(c)) * d1;
      int axis = 0;
      for (int a = 1; a < 3; ++a)
        if (std::abs(at[a]) > std::abs(at[axis])) axis = a;
      mine[c] = axis == layout_.axis && static_cast<float>(sense_) * at[axis] > 0 ? 1 : 0;
    }
  }

  const ProjectionVolume::Impl& volume_;
  const Layout& layout_;
  const ProjectionView& view_;
  const Rays& rays_;
  int sense_;   ///< of the rays along the axis: 1 or -1
  bool whole_;  ///< every pixel is drawn along this axis
  PixelBox box_;
  Vec3 source_ = Vec3::Zero();  ///< (u, v, sense x w), in voxels
  int first_plane_ = 0, last_plane_ = -1;
  double far_ = 1;              ///< of the farthest plane, on which the plane picture lies, from the source in planes
  Vec2 origin_ = Vec2::Zero();  ///< of the plane picture, in voxels
  int columns_ = 0, rows_ = 0;
  std::unique_ptr<float[]> picture_;
};

void checkSize(const ProjectionView& view, std::span<float> out) {
  if (view.columns < 0 || view.rows < 0 ||
      out.size() != static_cast<std::size_t>(view.columns) * static_cast<std::size_t>(view.rows))
    throw std::invalid_argument("addLineIntegrals: the picture is not of the view's size");
}

}  // namespace

void addLineIntegrals(const ProjectionVolume& volume, const ProjectionView& view, float scale, std::span<float> out,
                      InstructionSet set, Threads threads) {
  checkSize(view, out);
  if (!supported(set)) throw std::invalid_argument("addLineIntegrals: this machine lacks the instructions");
  const plane_kernel::AddPlanes add = set == InstructionSet::kAvx512 ? plane_kernel::addPlanesAvx512
                                      : set == InstructionSet::kAvx2 ? plane_kernel::addPlanesAvx2
                                                                     : plane_kernel::addPlanesScalar;
  const Grid& grid = volume.grid();
  const PixelBox box = shadow(grid, view);
  if (box.empty()) return;

  const auto inVoxels = [&](const Vec3& v) -> Vec3 {
    return (grid.direction.transpose() * v).cwiseQuotient(grid.spacing);
  };
  const Rays rays{grid.toIndex(view.source), inVoxels(view.detector - view.source),
                  inVoxels(view.pixel_mm * view.right), inVoxels(view.pixel_mm * view.down)};
  const double c0 = box.column, c1 = box.column + box.columns - 1, r0 = box.row, r1 = box.row + box.rows - 1;
  const Polygon all{{c0, r0}, {c1, r0}, {c1, r1}, {c0, r1}};

  Eigen::Index axis = 0;
  const Vec3 middle = rays.direction({(c0 + c1) / 2, (r0 + r1) / 2});
  middle.cwiseAbs().maxCoeff(&axis);
  const int sense = middle[axis] > 0 ? 1 : -1;
  const bool one_axis = std::all_of(all.begin(), all.end(), [&](const Vec2& pixel) {
    const Vec3 d = rays.direction(pixel);
    return sense * d[axis] > 0 && d.cwiseAbs().maxCoeff() <= kSlopeOfOneAxis * sense * d[axis];
  });
  if (one_axis) {
    Drawing(volume.impl(), view, rays, static_cast<int>(axis), sense, true, box)
        .draw(all, static_cast<double>(scale), out, add, threads);
    return;
  }
  for (int a = 0; a < 3; ++a) {
    for (const int s : {1, -1}) {
      Polygon part = all;
      for (int b = 0; b < 3; ++b) {
        if (b == a) continue;
        part = clipped(part, [&](const Vec2& p) { return s * rays.direction(p)[a] - rays.direction(p)[b]; });
        part = clipped(part, [&](const Vec2& p) { return s * rays.direction(p)[a] + rays.direction(p)[b]; });
      }
      if (part.empty()) continue;
      Drawing(volume.impl(), view, rays, a, s, false, box).draw(part, static_cast<double>(scale), out, add, threads);
    }
  }
}

double lineIntegralReference(const ProjectionVolume& volume, const ProjectionView& view, double column, double row,
                             double step_voxels) {
  const Grid& grid = volume.grid();
  if (grid.count() == 0) return 0;
  const Vec3 ray = (view.place(column, row) - view.source).normalized();
  const Vec3 from = grid.toIndex(view.source);
  const Vec3 along = (grid.direction.transpose() * ray).cwiseQuotient(grid.spacing);  // voxels per mm
  double begin = 0, end = 1e300;
  for (int a = 0; a < 3; ++a) {
    if (along[a] == 0) {
      if (!(from[a] > -1 && from[a] < grid.size[a])) return 0;
      continue;
    }
    const double t0 = (-1 - from[a]) / along[a], t1 = (grid.size[a] - from[a]) / along[a];
    begin = std::max(begin, std::min(t0, t1));
    end = std::min(end, std::max(t0, t1));
  }
  if (!(end > begin)) return 0;
  const auto steps = static_cast<long>(std::ceil((end - begin) / (step_voxels * grid.spacing.minCoeff())));
  const double h = (end - begin) / static_cast<double>(steps);
  double sum = 0;
  for (long n = 0; n < steps; ++n) {
    const Vec3 at = from + (begin + (static_cast<double>(n) + 0.5) * h) * along;
    const Vec3 low(std::floor(at.x()), std::floor(at.y()), std::floor(at.z()));
    const Vec3 f = at - low;
    const Eigen::Vector3i c = low.cast<int>();
    for (int corner = 0; corner < 8; ++corner) {
      const int i = c.x() + (corner & 1), j = c.y() + ((corner >> 1) & 1), k = c.z() + (corner >> 2);
      if (!grid.contains(i, j, k)) continue;
      sum += ((corner & 1) != 0 ? f.x() : 1 - f.x()) * ((corner & 2) != 0 ? f.y() : 1 - f.y()) *
             ((corner & 4) != 0 ? f.z() : 1 - f.z()) * volume.value(i, j, k);
    }
  }
  return sum * h;
}

void addLineIntegralsReference(const ProjectionVolume& volume, const ProjectionView& view, float scale,
                               std::span<float> out, double step_voxels) {
  checkSize(view, out);
  tbb::parallel_for(0, view.rows, [&](int r) {
    for (int c = 0; c < view.columns; ++c) {
      const double integral = lineIntegralReference(volume, view, c, r, step_voxels);
      out[static_cast<std::size_t>(r) * static_cast<std::size_t>(view.columns) + static_cast<std::size_t>(c)] +=
          scale * static_cast<float>(integral);
    }
  });
}

PixelBox united(const PixelBox& a, const PixelBox& b) {
  if (a.empty()) return b;
  if (b.empty()) return a;
  const int column = std::min(a.column, b.column), row = std::min(a.row, b.row);
  return {column, row, std::max(a.column + a.columns, b.column + b.columns) - column,
          std::max(a.row + a.rows, b.row + b.rows) - row};
}

}  // namespace rayset
