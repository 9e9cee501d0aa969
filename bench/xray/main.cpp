// Simulated radiographs against ITK and against the machine's memory.
//
//   bench_xray [--no-itk] [--repeats=N]
//
// A made-up foot-like body of 512 x 512 x 300 voxels of 0.4 mm (int16, HU + 1000, air 0) is filmed onto 512 x 512
// pixels at several tube angles, by RayCastInterpolateImageFunction with ResampleImageFilter and by ours, with two
// threads each. Times are the best of N runs (ITK: of two), errors relative L1 against marching with a tenth of a voxel
// over 4000 rays.
#include <fmt/format.h>
#include <tbb/global_control.h>
#include <tbb/parallel_for.h>
#include <time.h>

#include <chrono>
#include <cstring>
#include <string_view>

#include "xray/attenuation.h"
#include "xray/itk_ray_cast.h"
#include "xray/line_integrals.h"
#include "xray/metal.h"

namespace rayset {
namespace {

constexpr int kThreads = 2;

/// Best of several runs: by the clock on the wall, and of processor time over all threads. The second hardly depends on
/// what else the machine does.
struct Times {
  double wall_ms = 1e300, cpu_ms = 1e300;
};

double cpuMs() {
  timespec t{};
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
  return static_cast<double>(t.tv_sec) * 1e3 + static_cast<double>(t.tv_nsec) * 1e-6;
}

template <class Job>
Times best(int repeats, Job job) {
  Times times;
  for (int n = 0; n < repeats; ++n) {
    const auto start = std::chrono::steady_clock::now();
    const double cpu = cpuMs();
    job();
    times.cpu_ms = std::min(times.cpu_ms, cpuMs() - cpu);
    times.wall_ms = std::min(
        times.wall_ms, std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - start).count());
  }
  return times;
}

/// 0 to 1 from the counter (splitmix64).
double random01(std::uint64_t n) {
  std::uint64_t x = n * 0x9E3779B97F4A7C15ULL + 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27)) * 0x94D049BB133111EBULL;
  return static_cast<double>((x ^ (x >> 31)) >> 11) * 0x1p-53;
}

Grid centred(int columns, int rows, int slices, double mm) {
  Grid g;
  g.size = {columns, rows, slices};
  g.spacing = Vec3::Constant(mm);
  g.origin = -0.5 * mm * (g.size.cast<double>() - Vec3::Ones());
  return g;
}

/// Soft tissue with six bones in it, each with a dense cortex of 1.5 mm and spongy inside; noise of the scanner.
/// `filled`: no air at all, so that nothing can be skipped.
Volume<std::int16_t> body(const Grid& g, bool filled) {
  Volume<std::int16_t> out(g);
  const Vec3 half = 0.5 * g.spacing.cwiseProduct(g.size.cast<double>());
  const double mm = g.spacing.x();
  tbb::parallel_for(0, g.size.z(), [&](int k) {
    for (int j = 0; j < g.size.y(); ++j)
      for (int i = 0; i < g.size.x(); ++i) {
        const Vec3 p = g.toPatient(Vec3(i, j, k));
        const auto ramp = [&](double depth_mm) { return std::clamp(depth_mm / (1.5 * mm) + 0.5, 0.0, 1.0); };
        double value = filled ? 1050 : 1050 * ramp((0.95 - p.cwiseQuotient(half).norm()) * half.minCoeff());
        for (int b = 0; b < 6; ++b) {
          const Vec3 centre(0.5 * std::cos(b * 1.05), 0.5 * std::sin(b * 1.05), 0.2 * std::sin(b * 3.0));
          const Vec3 q = (p.cwiseQuotient(half) - centre).cwiseQuotient(Vec3(0.18, 0.22, 0.6));
          if (q.squaredNorm() > 1.5) continue;
          const double depth = (1 - q.norm()) * 0.18 * half.x(), inner = ramp(depth - 1.5);
          const auto sponge = static_cast<std::uint64_t>(((k / 2) * g.size.y() + j / 2) * g.size.x() + i / 2);
          value += 1200 * (ramp(depth) - inner) + inner * (300 + 300 * (random01(sponge) - 0.5));
        }
        if (value > 0) value += 40 * (random01(g.offset(i, j, k)) - 0.5);
        out.at(i, j, k) = static_cast<std::int16_t>(std::max(0L, std::lround(value)));
      }
  });
  return out;
}

/// Tube at `angle` about y and `tilt` about x, 700 mm from the middle and 1000 mm from a detector of 512 x 512 pixels
/// that the body just fills.
ProjectionView viewAt(double angle_degrees, double tilt_degrees) {
  const double a = angle_degrees * std::numbers::pi / 180, b = tilt_degrees * std::numbers::pi / 180;
  const Mat3 R = (Eigen::AngleAxisd(a, Vec3::UnitY()) * Eigen::AngleAxisd(b, Vec3::UnitX())).toRotationMatrix();
  ProjectionView v;
  v.right = R.col(0);
  v.down = R.col(1);
  v.source = -700 * R.col(2);
  v.columns = v.rows = 512;
  v.pixel_mm = 0.62;
  v.detector = 300 * R.col(2) - v.pixel_mm * 255.5 * (v.right + v.down);
  return v;
}

double errorPercent(const ProjectionVolume& volume, const ProjectionView& view, const std::vector<float>& out,
                    int rays) {
  std::vector<double> error(static_cast<std::size_t>(rays)), reference(error.size());
  tbb::parallel_for(0, rays, [&](int n) {
    const auto seed = static_cast<std::uint64_t>(n);
    const int c = static_cast<int>(random01(2 * seed) * view.columns);
    const int r = static_cast<int>(random01(2 * seed + 1) * view.rows);
    const auto at = static_cast<std::size_t>(n);
    reference[at] = lineIntegralReference(volume, view, c, r, 0.1);
    error[at] = std::abs(reference[at] - static_cast<double>(out[static_cast<std::size_t>(r * view.columns + c)]));
  });
  double e = 0, s = 0;
  for (std::size_t n = 0; n < error.size(); ++n) {
    e += error[n];
    s += reference[n];
  }
  return 100 * e / s;
}

/// Bytes per second read by one or two threads, whichever is more, that do nothing else.
double readLimit(const std::vector<std::int16_t>& voxels, int repeats) {
  const std::size_t words = voxels.size() * sizeof(std::int16_t) / sizeof(std::uint64_t);
  constexpr std::size_t kPiece = 1 << 15;
  std::uint64_t sink = 0;
  const auto read = [&](bool both) {
    std::vector<std::uint64_t> sums(words / kPiece);
    const auto one = [&](std::size_t piece) {
      std::uint64_t sum[8] = {};
      const char* from = reinterpret_cast<const char*>(voxels.data()) + piece * kPiece * sizeof(std::uint64_t);
      for (std::size_t n = 0; n < kPiece; n += 8) {
        std::uint64_t v[8];
        std::memcpy(v, from + n * sizeof(std::uint64_t), sizeof v);
        for (int i = 0; i < 8; ++i) sum[i] += v[i];
      }
      for (const std::uint64_t s : sum) sums[piece] += s;
    };
    if (both)
      tbb::parallel_for(std::size_t{0}, sums.size(), one);
    else
      for (std::size_t piece = 0; piece < sums.size(); ++piece) one(piece);
    for (const std::uint64_t s : sums) sink += s;
  };
  const double ms =
      std::min(best(2 * repeats, [&] { read(true); }).wall_ms, best(2 * repeats, [&] { read(false); }).wall_ms);
  if (sink == 1) fmt::print(" ");  // the sum must be wanted, or it is not made
  return static_cast<double>(words / kPiece * kPiece * sizeof(std::uint64_t)) / (ms / 1e3);
}

/// Voxels on the rays: one sample for every plane that a pixel's ray crosses within the box.
double samplesOf(const Grid& g, const ProjectionView& view) {
  double samples = 0;
  const Vec3 from = g.toIndex(view.source);
  for (int r = 0; r < view.rows; r += 4)
    for (int c = 0; c < view.columns; c += 4) {
      const Vec3 d = g.toIndex(view.place(c, r)) - from;
      double begin = 0, end = 1e300;
      for (int a = 0; a < 3; ++a) {
        const double t0 = -from[a] / d[a], t1 = (g.size[a] - 1 - from[a]) / d[a];
        begin = std::max(begin, std::min(t0, t1));
        end = std::min(end, std::max(t0, t1));
      }
      if (end > begin) samples += 16 * (end - begin) * d.cwiseAbs().maxCoeff();
    }
  return samples;
}

/// Bytes that have to come from memory once: those between the first and the last voxel of each row that is not zero.
std::size_t bytesRead(const Volume<std::int16_t>& volume) {
  std::size_t voxels = 0;
  const auto width = static_cast<std::ptrdiff_t>(volume.grid.size.x());
  for (auto row = volume.voxels.begin(); row != volume.voxels.end(); row += width) {
    std::ptrdiff_t first = 0, last = width - 1;
    while (first <= last && row[first] == 0) ++first;
    while (last >= first && row[last] == 0) --last;
    voxels += static_cast<std::size_t>(last - first + 1);
  }
  return voxels * sizeof(std::int16_t);
}

const char* nameOf(InstructionSet set) {
  return set == InstructionSet::kAvx512 ? "AVX-512" : set == InstructionSet::kAvx2 ? "AVX2" : "scalar";
}

void whole(const char* title, bool filled, bool with_itk, int repeats) {
  const Volume<std::int16_t> voxels = body(centred(512, 512, 300, 0.4), filled);
  const ProjectionVolume volume(voxels.grid, voxels.voxels);
  for (int axis = 0; axis < 3; ++axis) volume.prepare(axis);
  const double limit = readLimit(voxels.voxels, repeats);
  fmt::print("\n{}: 512 x 512 x 300 voxels onto 512 x 512 pixels, 2 threads; read limit {:.1f} GB/s\n", title,
             limit / 1e9);
  fmt::print("{:>12} {:>14} {:>8} {:>8} {:>8} {:>14} {:>12} {:>11} {:>9} {:>8}\n", "tube", "ITK wall/cpu", "scalar",
             "AVX2", "AVX-512", "cpu 512/AVX2", "ratio w/c", "Gsamples/s", "of limit", "error");
  struct Pose {
    const char* name;
    double angle, tilt;
  };
  for (const Pose& pose : {Pose{"0", 0, 0}, Pose{"20", 20, 0}, Pose{"45", 45, 0}, Pose{"90", 90, 0},
                           Pose{"oblique", 11.5, 8.6}, Pose{"oblique 45", 45, 35}}) {
    const ProjectionView view = viewAt(pose.angle, pose.tilt);
    std::vector<float> out(512 * 512);
    Times itk{0, 0};
    if (with_itk) itk = best(2, [&] { itkRayCast(voxels, view, kThreads); });
    Times ms[3] = {{0, 0}, {0, 0}, {0, 0}}, fastest;
    for (const auto set : {InstructionSet::kScalar, InstructionSet::kAvx2, InstructionSet::kAvx512}) {
      if (!supported(set)) continue;
      fastest = ms[static_cast<int>(set)] = best(set == InstructionSet::kScalar ? 2 : repeats, [&] {
        std::fill(out.begin(), out.end(), 0.0F);
        addLineIntegrals(volume, view, 1, out, set);
      });
    }
    const double bytes = static_cast<double>(bytesRead(voxels));
    fmt::print(
        "{:>12} {:>6.0f} / {:<5.0f} {:>8.1f} {:>8.1f} {:>8.1f} {:>6.1f} / {:<5.1f} {:>5.0f} / {:<4.0f} {:>11.2f} "
        "{:>7.0f} % {:>6.3f} %\n",
        pose.name, itk.wall_ms, itk.cpu_ms, ms[0].wall_ms, ms[1].wall_ms, ms[2].wall_ms, ms[2].cpu_ms, ms[1].cpu_ms,
        itk.wall_ms / fastest.wall_ms, itk.cpu_ms / fastest.cpu_ms,
        samplesOf(volume.grid(), view) / fastest.wall_ms / 1e6, 100 * (bytes / limit * 1e3) / fastest.wall_ms,
        errorPercent(volume, view, out, 4000));
  }
}

/// One bone in its own box, onto the pixels of its own shadow.
void bone(const char* title, int columns, int rows, int slices, int repeats) {
  const Volume<std::int16_t> voxels = body(centred(columns, rows, slices, 0.4), false);
  const ProjectionVolume volume(voxels.grid, voxels.voxels);
  for (const double angle : {0.0, 20.0, 45.0, 90.0}) {
    ProjectionView view = viewAt(angle, 5);
    view.pixel_mm = 0.3;
    view.detector = view.detector + (0.62 - 0.3) * 255.5 * (view.right + view.down);
    const PixelBox box = shadow(volume.grid(), view);
    view = view.cropped(box.column, box.row, box.columns, box.rows);
    std::vector<float> out(static_cast<std::size_t>(view.columns * view.rows));
    const auto time = [&](Threads threads) {
      return best(4 * repeats, [&] {
        std::fill(out.begin(), out.end(), 0.0F);
        addLineIntegrals(volume, view, 1, out, bestInstructionSet(), threads);
      });
    };
    const double two = time(Threads::kAll).wall_ms, one = time(Threads::kOne).wall_ms;
    fmt::print("{:>28} {:>6.0f} {:>5} x {:<4} {:>9.2f} {:>9.2f} {:>8.3f} %\n", title, angle, view.columns, view.rows,
               two, one, errorPercent(volume, view, out, 3000));
  }
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  using namespace rayset;
  bool with_itk = true;
  int repeats = 15;
  for (int n = 1; n < argc; ++n) {
    const std::string_view word = argv[n];
    if (word == "--no-itk") {
      with_itk = false;
    } else if (word.starts_with("--repeats=")) {
      repeats = std::max(1, std::atoi(word.substr(10).data()));
    } else {
      fmt::print(stderr, "bench_xray [--no-itk] [--repeats=N]\n");
      return 2;
    }
  }
  const tbb::global_control threads(tbb::global_control::max_allowed_parallelism, kThreads);
  fmt::print("Instructions used: {}. Times in ms. Ratio: ITK's time by ours, wall and processor.\n",
             nameOf(bestInstructionSet()));
  whole("Body in air", false, with_itk, repeats);
  whole("Filled to the edge", true, with_itk, repeats);
  fmt::print("\nOne bone's box onto its own shadow, 0.3 mm pixels\n{:>28} {:>6} {:>12} {:>9} {:>9} {:>10}\n",
             "voxels of 0.4 mm", "angle", "pixels", "2 threads", "1 thread", "error");
  bone("128 x 128 x 96", 128, 128, 96, repeats);
  bone("metatarsal, 40 x 40 x 160", 40, 40, 160, repeats);
  return 0;
}
