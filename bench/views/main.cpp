// Times of the workstation's views on a planned case, against plain ways to the same end.
//
//   bench_views PLAN IMAGES [--repeats=N] [--pictures=DIR]
//
// PLAN is what `rayset plan` wrote, IMAGES the CT it was made from. Slices of 400 x 400 pixels of 0.25 mm, injured and
// reduced. Plain way, grey values: every pixel on its own, on one thread, each moved bone found by counting the
// surfaces that rays cross (Embree). Plain way, outlines: every triangle of every bone (planeSection()). Films of 512 x
// 512 pixels; plain way: as `rayset views` does it, volumes made for each film, 8-bit colour PNG by cairo. Light
// meshes; plain way: distance field and isosurface (OpenVDB) with as many triangles. Times are the best of N runs, by
// the clock on the wall; first: with nothing prepared. With --pictures what was timed is written as PNG.
#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <chrono>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <string_view>

#include "anatomy/section.h"
#include "bench_data.h"
#include "case/plan_record.h"
#include "dicom/ct_reader.h"
#include "geometry/distance_field.h"
#include "geometry/ray_caster.h"
#include "report/film_shots.h"
#include "report/palette.h"
#include "report/render.h"
#include "workspace/views.h"

namespace rayset {
namespace {

template <class Job>
double bestMs(int repeats, Job job) {
  double best = 1e300;
  for (int n = 0; n < repeats; ++n) {
    const auto start = std::chrono::steady_clock::now();
    job();
    best = std::min(best, std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - start).count());
  }
  return best;
}

const char* wordOf(SliceKind kind) {
  return kind == SliceKind::kAlong ? "along" : kind == SliceKind::kAcross ? "across" : "drill";
}
const char* wordOf(FootState state) { return state == FootState::kInjured ? "injured" : "reduced"; }

/// A moved bone the plain way.
struct PlainBone {
  Rigid to_scanned;
  RayCaster caster;
};

/// Grey values of a slice's pixels, one by one.
std::vector<double> plainPixels(const CtVolume& ct, const std::vector<PlainBone>& moved, const Slice& s) {
  std::vector<double> out;
  for (int r = 0; r < s.height; ++r)
    for (int c = 0; c < s.width; ++c) {
      const Vec3 p = s.origin + s.mm_per_pixel * (c * s.right + r * s.down);
      double hu = sampleLinear(ct, p, -1024);
      for (const PlainBone& b : moved)
        if (b.caster.inside(p)) hu = 50;
      for (const PlainBone& b : moved)
        if (const Vec3 q = b.to_scanned * p; b.caster.inside(q)) hu = sampleLinear(ct, q, -1024);
      out.push_back(hu);
    }
  return out;
}

std::vector<PlainBone> plainBones(const Case& c) {
  std::vector<PlainBone> out;
  for (const auto& [id, X] : reducedPoses(c)) {
    const auto bone = boneFromId(id);
    const Surface* surface = bone && c.injured.contains(*bone) ? &c.injured.at(*bone)
                             : c.fragments.contains(id)        ? &c.fragments.at(id).bone.surface
                                                               : nullptr;
    if (surface != nullptr) out.push_back({X.inverse(), RayCaster({surface})});
  }
  return out;
}

/// The slice with its outlines and the margin drawn over it.
Picture pictureOf(const Slice& s) {
  constexpr double kLow = -250, kHigh = 1300;
  Picture out;
  out.width = s.width;
  out.height = s.height;
  for (const std::int16_t hu : s.hu) {
    const auto grey = static_cast<std::uint8_t>(255 * std::clamp((hu - kLow) / (kHigh - kLow), 0.0, 1.0));
    out.rgba.insert(out.rgba.end(), {grey, grey, grey, 255});
  }
  const auto dot = [&](const Eigen::Vector2d& p, std::uint32_t rgb) {
    const auto x = std::lround(p.x()), y = std::lround(p.y());
    if (x < 0 || y < 0 || x >= s.width || y >= s.height) return;
    std::uint8_t* to = &out.rgba[4 * static_cast<std::size_t>(y * s.width + x)];
    for (int k = 0; k < 3; ++k) to[k] = static_cast<std::uint8_t>(rgb >> (16 - 8 * k));
  };
  const auto line = [&](const Eigen::Vector2d& a, const Eigen::Vector2d& b, std::uint32_t rgb) {
    const int steps = 1 + static_cast<int>(2 * (b - a).norm());
    for (int n = 0; n <= steps; ++n) dot(a + (b - a) * n / steps, rgb);
  };
  for (const Slice::Outline& o : s.outlines) {
    const bool device = o.body[0] == 'S' || o.body[0] == 'W' || o.body[0] == 'F';
    const std::uint32_t rgb = device ? palette::kPurple : o.body[0] == 'M' ? palette::kSkyBlue : palette::kOrange;
    for (const auto& l : o.lines)
      for (std::size_t n = 0; n + 1 < l.size(); ++n) line(l[n], l[n + 1], rgb);
  }
  if (s.has_margin) line({(s.width - 1) / 2.0, (s.height - 1) / 2.0}, s.margin_at, palette::kGreen);
  return out;
}

struct Options {
  std::string plan, images;
  int repeats = 7;
  std::filesystem::path pictures;
};

void benchSlices(const Case& c, const CtVolume& ct, const Options& o) {
  const double first = bestMs(1, [&] { (void)sliceOf(c, ct, {}); });
  const Slicer slicer(c, ct);
  const std::vector<PlainBone> moved = plainBones(c);
  fmt::print("Slices, 400 x 400 pixels of 0.25 mm. The very first, with all that is prepared: {:.0f} ms\n", first);
  fmt::print("{:>7} {:>8} {:>5} {:>8} {:>8} {:>10} {:>10} {:>8} {:>9}  {}\n", "kind", "state", "which", "ms",
             "5 mm thick", "plain grey", "plain cut", "ratio", "mean diff", "edges left, right, top, bottom");
  std::vector<SliceRequest> requests;
  for (const SliceKind kind : {SliceKind::kAlong, SliceKind::kAcross})
    for (const FootState state : {FootState::kInjured, FootState::kReduced})
      for (const Ray ray : {Ray(1), Ray(2), Ray(5)}) {
        SliceRequest r;
        r.kind = kind;
        r.ray = ray;
        r.state = state;
        requests.push_back(r);
      }
  for (const Device& d : c.fixation.devices) {
    SliceRequest r;
    r.kind = SliceKind::kDrill;
    r.device = d.id;
    r.ray = d.ray;
    r.offset_mm = 0.5 * d.length_mm;
    r.mm_per_pixel = 0.1;
    if (d.stage == DeviceStage::kDefinitive) requests.push_back(r);
  }
  for (SliceRequest r : requests) {
    Result<Slice> s = slicer.slice(c, r);
    if (!s) {
      fmt::print("{}\n", english(s.error()));
      continue;
    }
    const double thin = bestMs(o.repeats, [&] { (void)slicer.slice(c, r); });
    r.thickness_mm = 5;
    const double thick = bestMs(o.repeats, [&] { (void)slicer.slice(c, r); });
    std::vector<double> plain;
    static const std::vector<PlainBone> kNone;
    const bool reduced = r.state == FootState::kReduced;
    const double grey = bestMs(reduced ? 1 : 2, [&] { plain = plainPixels(ct, reduced ? moved : kNone, *s); });
    std::size_t points = 0;
    const double cut = bestMs(2, [&] {
      const Vec3 middle = s->origin + 0.5 * s->mm_per_pixel * (s->width * s->right + s->height * s->down);
      for (const auto& [bone, surface] : reduced ? c.reduction.reduced : c.injured)
        points += planeSection(surface, middle, s->normal).loops.size();
    });
    double difference = 0;
    for (std::size_t n = 0; n < plain.size(); ++n) difference += std::abs(plain[n] - s->hu[n]);
    const std::string which = r.kind == SliceKind::kDrill ? r.device : fmt::format("{}", r.ray);
    fmt::print("{:>7} {:>8} {:>5} {:>8.1f} {:>10.1f} {:>10.1f} {:>10.1f} {:>8.1f} {:>9.1f}  {}, {}, {}, {}{}\n",
               wordOf(r.kind), wordOf(r.state), which, thin, thick, grey, cut, (grey + cut) / thin,
               difference / static_cast<double>(plain.size()), s->left, s->right_word, s->top, s->bottom,
               s->has_margin ? fmt::format("; margin {:.2f} mm", s->margin_mm) : "");
    if (!o.pictures.empty())
      if (const Status w = writePng(
              o.pictures / fmt::format("slice_{}_{}_{}.png", wordOf(r.kind), which, wordOf(r.state)), pictureOf(*s));
          !w)
        fmt::print("{}\n", english(w.error()));
  }
}

void benchFilms(const Case& c, const Options& o) {
  std::unique_ptr<FilmStudio> studio;
  const double made = bestMs(1, [&] { studio = std::make_unique<FilmStudio>(c.bodies); });
  const double first = bestMs(1, [&] { (void)studio->film(c, {}); });
  fmt::print("\nFilms, 512 x 512 pixels. Volumes made in {:.0f} ms; the very first film {:.0f} ms\n", made, first);
  fmt::print("{:>20} {:>8} {:>8} {:>8} {:>8}\n", "tube", "state", "ms", "plain", "ratio");
  const std::pair<const char*, FilmRequest::Show> states[] = {{"injured", FilmRequest::Show::kInjured},
                                                              {"reduced", FilmRequest::Show::kReduced},
                                                              {"metal", FilmRequest::Show::kMetal}};
  const auto scratch = std::filesystem::temp_directory_path() / "rayset_bench_views.png";
  for (const char* view : {"dorsoplantar-20", "oblique-30", "lateral", "orbital=17,tilt=-8", "orbital=55,tilt=30"})
    for (const auto& [word, show] : states) {
      FilmRequest r;
      r.view = view;
      r.show = show;
      const auto png = studio->film(c, r);
      if (!png) {
        fmt::print("{}\n", english(png.error()));
        continue;
      }
      const double ms = bestMs(o.repeats, [&] { (void)studio->film(c, r); });
      const double plain = bestMs(1, [&] {
        const FootProjector projector(c.bodies);
        const FilmedFoot foot = filmedFoot(c.side, c.reduction.frame, c.reduction.reduced, reducedPoses(c),
                                           c.fixation.devices, c.catalogue);
        TubePose tube = tubeFromWord(view)->first;
        tube.pixel_mm = 0.5;
        const FilmedState state = kFilmedStates[static_cast<std::size_t>(show)];
        const auto films = simulate(projector, foot, tube, view, std::span(&state, 1));
        if (films) (void)writePng(scratch, shotOf(foot, films->front(), Message::quoted(view), view, 100).picture);
      });
      fmt::print("{:>20} {:>8} {:>8.1f} {:>8.1f} {:>8.1f}\n", view, word, ms, plain, plain / ms);
      if (!o.pictures.empty())
        std::ofstream(o.pictures / fmt::format("film_{}_{}.png", view, word), std::ios::binary)
            .write(reinterpret_cast<const char*>(png->data()), static_cast<std::streamsize>(png->size()));
    }
  std::error_code ignored;
  std::filesystem::remove(scratch, ignored);
}

void benchMeshes(const Case& c) {
  fmt::print(
      "\nLight meshes, edges of about 1.6 mm; distances both ways over 20 000 points (mean / 95 % / most, mm)\n");
  fmt::print("{:>7} {:>9} {:>9} {:>7} {:>8} {:>22} {:>9} {:>8} {:>22} {:>7}\n", "bone", "triangles", "light", "closed",
             "ms", "off by", "OpenVDB", "ms", "off by", "ratio");
  const auto off = [](const Surface& a, const Surface& b) {
    const SurfaceDistance d = compareSurfaces(a, b, 20000);
    return fmt::format("{:.3f} / {:.3f} / {:.3f}", d.mean, d.percentile95, d.maximum);
  };
  for (const auto& [bone, surface] : c.injured) {
    Surface light, plain;
    const double ms = bestMs(2, [&] { light = lightMesh(surface); });
    // The isosurface has about 2.6 triangles for each voxel face of area.
    const double voxel = std::sqrt(2.6 * area(surface) / static_cast<double>(light.triangles.size()));
    const double plain_ms = bestMs(2, [&] { plain = isosurface(DistanceField(surface, voxel, 3 * voxel)); });
    fmt::print("{:>7} {:>9} {:>9} {:>7} {:>8.0f} {:>22} {:>9} {:>8.0f} {:>22} {:>7.2f}\n", boneId(bone),
               surface.triangles.size(), light.triangles.size(), isClosed(light) ? "yes" : "no", ms,
               off(surface, light), plain.triangles.size(), plain_ms, off(surface, plain), plain_ms / ms);
  }
  const double all = bestMs(1, [&] {
    std::vector<const Surface*> list;
    for (const auto& [bone, surface] : c.injured) list.push_back(&surface);
    tbb::parallel_for(std::size_t{0}, list.size(), [&](std::size_t n) { (void)lightMesh(*list[n]); });
  });
  fmt::print("All bones at once: {:.0f} ms\n", all);
}

int run(const Options& o) {
  const auto c = readCase(o.plan, bench::needed(readCatalogue(bench::dataFile("implants.json"))));
  if (!c) {
    fmt::print(stderr, "{}\n", english(c.error()));
    return 2;
  }
  const auto scan = readCt(o.images, {});
  if (!scan) {
    fmt::print(stderr, "{}\n", english(scan.error()));
    return 2;
  }
  if (!o.pictures.empty()) std::filesystem::create_directories(o.pictures);
  benchSlices(*c, scan->volume, o);
  benchFilms(*c, o);
  benchMeshes(*c);
  return 0;
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  rayset::Options o;
  std::vector<std::string> folders;
  for (int n = 1; n < argc; ++n) {
    const std::string_view word = argv[n];
    if (word.starts_with("--repeats="))
      o.repeats = std::max(1, std::atoi(word.substr(10).data()));
    else if (word.starts_with("--pictures="))
      o.pictures = word.substr(11);
    else
      folders.emplace_back(word);
  }
  if (folders.size() != 2) {
    fmt::print(stderr, "bench_views PLAN IMAGES [--repeats=N] [--pictures=DIR]\n");
    return 2;
  }
  o.plan = folders[0];
  o.images = folders[1];
  return rayset::run(o);
}
