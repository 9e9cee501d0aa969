#include "scenes.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <cmath>
#include <cstdlib>
#include <random>

#include "base/units.h"
#include "bench_data.h"
#include "clinic.h"
#include "draw.h"
#include "fixation/construct.h"
#include "geometry/distance_field.h"
#include "phantom/scan.h"
#include "xray/attenuation.h"
#include "xray/itk_ray_cast.h"

namespace rayset::films_bench {
using bench::normal, bench::uniform;

namespace {

[[noreturn]] void giveUp(const std::string& why) {
  fmt::print(stderr, "{}\n", why);
  std::exit(1);
}

Rigid wander(std::mt19937_64& g, const Vec3& centre, double mm, double deg) {
  return turnAbout(centre, uniform(g) * toRadians(deg) * randomDirection(g), uniform(g) * mm * randomDirection(g));
}

/// What a detector and its processing make of line integrals: scatter, quantum noise, an S-shaped grey scale, 12 bits.
Film exposed(const std::vector<float>& integrals, int columns, int rows, double photons, double scatter,
             std::mt19937_64& g) {
  Film primary(columns, rows);
  for (std::size_t i = 0; i < primary.values.size(); ++i) primary.values[i] = std::exp(-integrals[i]);
  // Scatter: a wide even blur of the primary (means over blocks, bilinear between).
  constexpr int kBlock = 64;
  const int bc = (primary.columns + kBlock - 1) / kBlock, br = (primary.rows + kBlock - 1) / kBlock;
  Film blocks(bc, br);
  for (int r = 0; r < br; ++r)
    for (int c = 0; c < bc; ++c) {
      double sum = 0, count = 0;
      for (int y = r * kBlock; y < std::min(primary.rows, (r + 1) * kBlock); ++y)
        for (int x = c * kBlock; x < std::min(primary.columns, (c + 1) * kBlock); ++x)
          sum += static_cast<double>(primary.at(x, y)), count += 1;
      blocks.at(c, r) = static_cast<float>(sum / count);
    }
  Film out(primary.columns, primary.rows);
  for (int y = 0; y < primary.rows; ++y)
    for (int x = 0; x < primary.columns; ++x) {
      const double fx = std::clamp((x - kBlock / 2.0) / kBlock, 0.0, bc - 1.0);
      const double fy = std::clamp((y - kBlock / 2.0) / kBlock, 0.0, br - 1.0);
      const int c0 = static_cast<int>(fx), r0 = static_cast<int>(fy);
      const int c1 = std::min(bc - 1, c0 + 1), r1 = std::min(br - 1, r0 + 1);
      const double u = fx - c0, v = fy - r0;
      const double wide =
          (1 - v) * ((1 - u) * static_cast<double>(blocks.at(c0, r0)) + u * static_cast<double>(blocks.at(c1, r0))) +
          v * ((1 - u) * static_cast<double>(blocks.at(c0, r1)) + u * static_cast<double>(blocks.at(c1, r1)));
      const double mean = photons * (static_cast<double>(primary.at(x, y)) + scatter * wide);
      const double counts = std::max(1.0, mean + std::sqrt(mean) * normal(g));
      const double exposure = std::log(counts / photons);  // 0 in air, down to -4 behind steel
      const double grey = 1 / (1 + std::exp(2.2 * (exposure + 0.9)));
      out.at(x, y) = static_cast<float>(std::floor(4095 * grey));
    }
  return out;
}

}  // namespace

PlanRecord recordOf(const Scene& scene) {
  const Case& c = scene.plan();
  PlanRecord out;
  out.side = c.side;
  out.frame = c.reduction.frame;
  out.injured_to_reduced = scene.planned;
  out.reduced = c.reduction.reduced;
  for (const auto& [id, fragment] : c.fragments) out.fragments[id] = fragment.reduced;
  out.devices = c.fixation.devices;
  return out;
}

Vec3 randomDirection(std::mt19937_64& g) {
  for (;;) {
    const Vec3 v(2 * uniform(g) - 1, 2 * uniform(g) - 1, 2 * uniform(g) - 1);
    if (v.norm() > 0.1 && v.norm() < 1) return v.normalized();
  }
}

std::shared_ptr<const PlannedFoot> planFoot(const std::string& name, const std::string& injury, std::uint64_t seed) {
  auto out = std::make_shared<PlannedFoot>();
  const auto foot = accuracy::testFoot(name);
  if (!foot) giveUp(english(foot.error()));
  out->foot = *foot;
  auto injured = injure(out->foot->bones, out->foot->side, namedInjury(namedInjuryFromWord(injury).value()));
  if (!injured) giveUp(english(injured.error()));
  out->injured = std::move(*injured);

  ScanSettings scan;
  scan.seed = seed;
  std::vector<ScannedPart> parts;
  for (const auto& [bone, surface] : out->injured.injured) parts.push_back({std::string(boneId(bone)), &surface});
  auto ct = synthesiseCt(parts, scan);
  if (!ct) giveUp(english(ct.error()));
  auto planned = planScan({std::move(*ct), {}, {}}, std::nullopt, {}, bench::resources(out->foot->person));
  if (!planned) giveUp(english(planned.error()));
  out->plan = std::move(*planned);
  return out;
}

std::unique_ptr<Scene> makeScene(std::shared_ptr<const PlannedFoot> planned_foot, const SceneSettings& s) {
  auto scene = std::make_unique<Scene>();
  scene->name = fmt::format("{}/{}/{}{}", s.foot, s.injury, s.seed, s.poorly_reduced ? "/poor" : "");
  if (s.clinic)
    scene->name +=
        fmt::format("/{}{}{}", wordOf(s.surprise), s.plaster ? "/plaster" : "", s.cropped ? "/toes off" : "");
  std::mt19937_64 g(s.seed * 7919 + 17);
  scene->foot = std::move(planned_foot);
  const Case& plan = scene->plan();
  const InjuredFoot& injured = scene->foot->injured;
  scene->person = scene->foot->foot->person;
  scene->planned = reducedPoses(plan);
  ScanSettings scan;
  scan.seed = s.plan_seed;  // the same trabeculae
  std::vector<ScannedPart> parts;

  // The foot after the operation: every ray a little off where it belongs.
  BoneSurfaces post = injured.intact;
  std::optional<Ray> poor;
  if (s.poorly_reduced) poor = kRays[g() % kRays.size()];
  for (const Ray ray : kRays) {
    const Vec3 base = injured.base_points.at(ray);
    const Rigid off = ray == poor ? turnAbout(base, toRadians(6) * randomDirection(g), 4 * randomDirection(g))
                                  : wander(g, base, s.ray_mm, s.ray_deg);
    scene->injured_to_post[ray] = off * injured.intact_to_injured[ray].inverse();
    post[metatarsal(ray)] = transformed(post.at(metatarsal(ray)), off);
  }
  std::vector<Surface> metal;
  std::vector<Device> screws;
  for (const Device& d : plan.fixation.devices)
    if (d.stage == DeviceStage::kDefinitive) screws.push_back(d);
  const std::size_t surprised =
      s.surprise == Surprise::kNone || screws.empty() ? screws.size() : static_cast<std::size_t>(g() % screws.size());
  for (std::size_t n = 0; n < screws.size(); ++n) {
    Device d = screws[n];
    const Rigid off = wander(g, 0.5 * (d.entry + d.tip), s.device_mm, s.device_deg);
    if (n == surprised) {
      scene->surprised = d.id;
      if (s.surprise == Surprise::kMissing) continue;
      if (s.surprise == Surprise::kOther) {  // 8 mm longer than planned
        d.tip += 8 * d.direction;
        d.length_mm += 8;
      }
    }
    scene->devices[d.id] = {off * d.entry, off * d.tip};
    if (n == surprised && s.surprise == Surprise::kBroken) {  // the half with the head has backed out by 3 mm
      const Vec3 middle = 0.5 * (d.entry + d.tip);
      metal.push_back(transformed(makeCylinder(middle + 0.5 * d.direction, d.tip, d.diameter_mm / 2), off));
      d.tip = middle;
      d.length_mm = (d.tip - d.entry).norm();
      d.entry -= 3 * d.direction;
      d.tip -= 3 * d.direction;
    }
    metal.push_back(transformed(deviceSurface(d, plan.catalogue), off));
  }
  scan.pixel_mm = scan.slice_mm = 0.4;
  scan.noise_hu = 0;  // of the film is added to the film
  parts.clear();
  EachRay<Rigid> post_to_injured;  // a bone keeps its trabeculae
  for (const auto& [bone, surface] : post) {
    parts.push_back({std::string(boneId(bone)), &surface});
    if (const auto ray = rayOf(bone)) {
      post_to_injured[*ray] = scene->injured_to_post[*ray].inverse();
      parts.back().to_texture = &post_to_injured[*ray];
    }
  }
  if (s.ct) {
    scan.pixel_mm = 0.5;
    scan.slice_mm = 0.6;
    scan.noise_hu = 30;
    scan.seed = s.seed + 100;
    // As nobody lays a foot twice the same way.
    const Rigid lain = wander(g, plan.reduction.frame.origin, 30, 20);
    scan.scanner_from_patient = lain.linear();
    for (const Surface& solid : metal) scan.steel.push_back(steelBody(solid));
  }
  if (s.plaster) scan.cast.thickness_mm = 7;
  auto after = synthesiseCt(parts, scan);
  if (!after) giveUp(english(after.error()));
  if (s.ct) {
    scene->ct.volume = std::move(*after);
    return scene;
  }
  FloatVolume steel(after->grid);  // share of every voxel
  for (const Surface& solid : metal) {
    const DistanceField field(solid, 0.15, 1.0);
    const Box box = field.box();
    const Grid& grid = steel.grid;
    tbb::parallel_for(0, grid.size.z(), [&](int k) {
      for (int j = 0; j < grid.size.y(); ++j)
        for (int i = 0; i < grid.size.x(); ++i) {
          const Vec3 p = grid.toPatient(Vec3(i, j, k));
          if (!box.contains(p)) continue;
          float& v = steel.at(i, j, k);
          v = std::max(v, static_cast<float>(std::clamp(0.5 - field.value(p) / grid.spacing.x(), 0.0, 1.0)));
        }
    });
  }
  FloatVolume mu;
  Materials materials;
  if (s.clinic) {
    materials = materialsOf(*after);
    for (std::size_t i = 0; i < steel.voxels.size(); ++i) {
      materials.soft.voxels[i] *= 1 - steel.voxels[i];
      materials.bone.voxels[i] *= 1 - steel.voxels[i];
    }
    materials.steel = std::move(steel);
  } else {
    mu = FloatVolume(after->grid);
    for (std::size_t i = 0; i < mu.voxels.size(); ++i) {
      const double tissue = kAttenuationPerUnit * std::max(0, after->voxels[i] < -850 ? 0 : after->voxels[i] + 1000);
      const double share = static_cast<double>(steel.voxels[i]);
      mu.voxels[i] = static_cast<float>((1 - share) * tissue + share * kSteel316L.perMm());
    }
  }

  const PlantarFrame plate = plantarFrame(post, plan.reduction.frame, scene->foot->foot->side);
  for (const std::string& word : s.views) {
    TubePose tube = tubePose(namedViewFromWord(word).value());
    tube.pixel_mm = s.pixel_mm;
    tube.width_mm = word == "lateral" ? 260 : 170;
    tube.height_mm = word == "lateral" ? 170 : 260;
    auto view = projectionView(plate, tube);
    if (!view) giveUp(english(view.error()));
    // As nobody lays a foot twice the same way.
    const Rigid lain = wander(g, plate.frame.origin, 10, 5);
    FilmExposure e;
    e.name = word;
    e.view = view->moved(lain);
    if (s.clinic) {
      Collimated field{e.view.columns / 20, e.view.rows / 20, e.view.columns - e.view.columns / 20,
                       e.view.rows - e.view.rows / 20};
      if (s.cropped && word != "lateral") {  // toes point up (projection.h)
        const Surface& second = post.at(metatarsal(Ray(2)));
        double head = 1e9;
        for (const Vec3& v : second.vertices) head = std::min(head, e.view.project(v).y());
        field.top = std::max(field.top, static_cast<int>(head + 10 / e.view.pixel_mm));
      }
      e.film = clinicalFilm(materials, e.view, field, s.photons, s.scatter, g);
      e.column = field.left;
      e.row = field.top;
      e.columns = field.right - field.left;
      e.rows = field.bottom - field.top;
    } else {
      e.film = exposed(itkRayCast(mu, e.view, 2), e.view.columns, e.view.rows, s.photons, s.scatter, g);
    }
    scene->tubes.push_back(tube);
    scene->films.push_back(std::move(e));
  }
  return scene;
}

}  // namespace rayset::films_bench
