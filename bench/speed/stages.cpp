// Time of each stage on one scan, and the ratio to ITK doing the same job in the same run.
//
//   bench_speed [--benchmark_filter=...] [--spacing=MM]
//
// The scan is the procedural foot (shape 7) under a homolateral injury at 0.5 mm. Ratios are printed at the end: a
// number above 1 says how many times faster ours is than ITK on the same voxels with the same threads.
#include <benchmark/benchmark.h>
#include <fmt/format.h>
#include <itkDiscreteGaussianImageFilter.h>
#include <itkSmoothingRecursiveGaussianImageFilter.h>
#include <sys/resource.h>

#include <chrono>
#include <filesystem>
#include <map>

#include "anatomy/procedural_foot.h"
#include "bench_data.h"
#include "bones/deform.h"
#include "bones/features.h"
#include "bones/labelling.h"
#include "bones/scan_image.h"
#include "bones/segment.h"
#include "case/case.h"
#include "dicom/ct_writer.h"
#include "geometry/distance_field.h"
#include "image/filters.h"
#include "image/itk_bridge.h"
#include "phantom/injury_spec.h"
#include "phantom/scan.h"
#include "report/report.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;

double g_spacing = 0.5;
std::map<std::string, double> g_seconds;  ///< best time of each benchmark, for the ratios

/// The patient all benchmarks share, made once.
struct Patient {
  InjuredFoot foot;
  CtVolume ct;
  BoneSurfaces prior;
  fs::path folder;

  Patient() {
    foot = *injure(proceduralFoot(randomShape(7)).bones, Side::kRight, namedInjury(NamedInjury::kHomolateral));
    ScanSettings settings;
    settings.pixel_mm = settings.slice_mm = g_spacing;
    ct = *synthesiseCt(scannedParts(foot), settings);
    prior = proceduralFoot({}, Side::kRight, 1.0).bones;
    folder = fs::temp_directory_path() / "rayset-bench-speed";
    fs::remove_all(folder);
    fs::create_directories(folder);
    ScanInfo info;
    info.patient_name = "INVENTED^BENCHMARK";
    info.patient_id = "BENCH";
    static_cast<void>(writeCt(folder / "ct", ct, info));
    fmt::print("Scan: {} x {} x {} voxels of {:.2f} mm\n", ct.grid.size.x(), ct.grid.size.y(), ct.grid.size.z(),
               g_spacing);
  }
  ~Patient() {
    std::error_code ignored;
    fs::remove_all(folder, ignored);
  }
};

Patient& patient() {
  static Patient p;
  return p;
}

/// Registers `job` under `name`; its best time goes into g_seconds.
template <class Job>
void measure(const char* name, Job job, int iterations = 1) {
  benchmark::RegisterBenchmark(name,
                               [name, job](benchmark::State& state) {
                                 static_cast<void>(patient());
                                 for (auto _ : state) {
                                   const auto start = std::chrono::steady_clock::now();
                                   job();
                                   const double seconds =
                                       std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
                                   const auto [it, fresh] = g_seconds.try_emplace(name, seconds);
                                   if (!fresh) it->second = std::min(it->second, seconds);
                                 }
                               })
      ->Unit(benchmark::kMillisecond)
      ->Iterations(iterations)
      ->UseRealTime();
}

LabelVolume boneMask(const CtVolume& ct) {
  LabelVolume mask(ct.grid);
  for (std::size_t i = 0; i < mask.voxels.size(); ++i) mask.voxels[i] = ct.voxels[i] > 250 ? 1 : 0;
  return mask;
}

/// The job of our labelling by ITK alone: threshold, fill, distance map, cores of the true bones as markers, flooding.
void itkLabelling() {
  const LabelVolume mask = fillHoles(boneMask(patient().ct));
  const FloatVolume distance = signedDistance(mask);
  Volume<std::int16_t> landscape(mask.grid);
  for (std::size_t i = 0; i < landscape.voxels.size(); ++i) {
    landscape.voxels[i] = static_cast<std::int16_t>(10 * distance.voxels[i]);
  }
  LabelVolume markers(mask.grid);
  for (const auto& [bone, surface] : patient().foot.injured) {
    const Vec3 index = mask.grid.toIndex(centroid(surface));
    markers.at(static_cast<int>(index.x()), static_cast<int>(index.y()), static_cast<int>(index.z())) = label(bone);
  }
  markers.at(0, 0, 0) = 255;
  benchmark::DoNotOptimize(watershed(landscape, markers));
}

const Resources& resources() {
  static const Resources read = bench::resources();
  return read;
}

void registerAll() {
  measure(
      "stage/read", [] { benchmark::DoNotOptimize(readCt(patient().folder / "ct")); }, 3);
  measure("stage/bones", [] { benchmark::DoNotOptimize(segmentBones(patient().ct)); });
  measure("stage/reduction", [] {
    benchmark::DoNotOptimize(
        reduceRays(patient().foot.injured, Side::kRight, nullptr, patient().prior, resources().joints));
  });
  measure("stage/fixation", [] {
    ConstructInput input;
    input.reduced = &patient().foot.intact;
    input.frame = patient().foot.frame;
    benchmark::DoNotOptimize(planConstruct(input, resources().catalogue));
  });
  measure("whole/plan and report", [] {
    PlanRequest request;
    request.images = patient().folder / "ct";
    auto planned = planCase(request, resources());
    if (!planned) {
      fmt::print("FAILED: {}\n", english(planned.error()));
      return;
    }
    fs::create_directories(patient().folder / "plan");
    benchmark::DoNotOptimize(writeReport(english(), *planned, patient().folder / "plan"));
  });

  // The same smoothing, on the same voxels.
  measure(
      "smooth/ours",
      [] {
        bones::Image image;
        image.size = patient().ct.grid.size;
        image.h = g_spacing;
        image.v.assign(patient().ct.voxels.begin(), patient().ct.voxels.end());
        bones::smooth(image, 0.6);
        benchmark::DoNotOptimize(image);
      },
      3);
  measure(
      "smooth/ITK recursive Gaussian", [] { benchmark::DoNotOptimize(smoothGaussian(patient().ct, 0.6)); }, 3);
  measure(
      "smooth/ITK discrete Gaussian",
      [] {
        auto filter =
            itk::DiscreteGaussianImageFilter<itk_bridge::Image<std::int16_t>, itk_bridge::Image<float>>::New();
        filter->SetInput(itk_bridge::borrow(patient().ct));
        filter->SetVariance(0.6 * 0.6);
        filter->SetUseImageSpacingOn();
        filter->Update();
        benchmark::DoNotOptimize(filter->GetOutput());
      },
      3);

  // Distances of the second metatarsal: ours to the surface (sub-voxel), ITK's to its voxels, on a grid of the same
  // size.
  static DistanceField field;
  measure(
      "distance/ours (OpenVDB, to the surface)",
      [] { field = DistanceField(patient().foot.injured.at(Bone::kM2), 0.4, 6); }, 3);
  measure(
      "distance/ITK signed Maurer (to voxels)",
      [] {
        if (field.empty()) field = DistanceField(patient().foot.injured.at(Bone::kM2), 0.4, 6);
        Grid grid;
        grid.size = field.size();
        grid.spacing = Vec3::Constant(0.4);
        LabelVolume mask(grid);
        for (std::size_t i = 0; i < mask.voxels.size(); ++i) mask.voxels[i] = field.values()[i] < 0 ? 1 : 0;
        benchmark::DoNotOptimize(signedDistance(mask));
      },
      3);

  measure("labels/ITK threshold, distance map, marker watershed", [] { itkLabelling(); });
}

void printRatios() {
  const auto ratio = [](const char* ours, const char* theirs) {
    const auto a = g_seconds.find(ours), b = g_seconds.find(theirs);
    if (a == g_seconds.end() || b == g_seconds.end()) return;
    fmt::print("{:<44} {:8.1f} ms   {:<52} {:8.1f} ms   ratio {:.2f}\n", ours, 1e3 * a->second, theirs, 1e3 * b->second,
               b->second / a->second);
  };
  fmt::print("\nRatios (ITK time / our time):\n");
  ratio("smooth/ours", "smooth/ITK recursive Gaussian");
  ratio("smooth/ours", "smooth/ITK discrete Gaussian");
  ratio("distance/ours (OpenVDB, to the surface)", "distance/ITK signed Maurer (to voxels)");
  ratio("stage/bones", "labels/ITK threshold, distance map, marker watershed");
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  fmt::print("Peak memory of this process: {:.2f} GB\n", static_cast<double>(usage.ru_maxrss) / 1e6);
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  for (int i = 1; i < argc; ++i) {
    const std::string argument = argv[i];
    if (argument.rfind("--spacing=", 0) == 0) rayset::g_spacing = std::stod(argument.substr(10));
  }
  benchmark::Initialize(&argc, argv);
  rayset::registerAll();
  benchmark::RunSpecifiedBenchmarks();
  rayset::printRatios();
  benchmark::Shutdown();
  return 0;
}
