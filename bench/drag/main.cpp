// How well a dragged device or ray follows the hand.
//
//   bench_drag PLAN [IMAGES] [--rounds=N]
//
// PLAN is a folder that `rayset plan` wrote, IMAGES its CT (without it the grey values along the devices are left out).
// Every screw and wire is swung and pushed about, and every ray shifted and turned, N rounds in all of each kind,
// through OpenCase::tryEdit(): what the workstation calls while the mouse moves. Printed are the rounds a second, the
// middle and the worst round, the wait of the first try of a ray, and beside it the plain functions, which build
// everything anew: checkDevice() and jointFit().
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <functional>
#include <string_view>
#include <vector>

#include "base/median.h"
#include "bench_data.h"
#include "geometry/json.h"
#include "workspace/open_case.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

double msOf(const std::function<void()>& job) {
  const auto start = std::chrono::steady_clock::now();
  job();
  return std::chrono::duration<double, std::milli>(std::chrono::steady_clock::now() - start).count();
}

struct Times {
  std::vector<double> ms;
  [[nodiscard]] double middle() const { return median(ms); }
  [[nodiscard]] double worst() const { return *std::max_element(ms.begin(), ms.end()); }
  [[nodiscard]] double perSecond() const {
    double sum = 0;
    for (const double t : ms) sum += t;
    return 1000 * static_cast<double>(ms.size()) / sum;
  }
};

/// -1 to 1 from the counter (splitmix64).
double swing(std::uint64_t n) {
  std::uint64_t x = n * 0x9E3779B97F4A7C15ULL + 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27)) * 0x94D049BB133111EBULL;
  return static_cast<double>((x ^ (x >> 31)) >> 11) * 0x1p-52 - 1;
}
Vec3 swing3(std::uint64_t n, double size) { return size * Vec3(swing(3 * n), swing(3 * n + 1), swing(3 * n + 2)); }

void print(const char* what, Times& live, const char* plain_name, Times& plain, std::size_t refused) {
  fmt::print("{:<12} {:>6.0f} a second, middle {:.2f} ms, worst {:.2f} ms, {} rounds ({} refused)\n", what,
             live.perSecond(), live.middle(), live.worst(), live.ms.size(), refused);
  fmt::print("{:<12} {:>6.2f} a second, middle {:.0f} ms: {:.0f} times as long\n", plain_name, plain.perSecond(),
             plain.middle(), plain.middle() / live.middle());
}

int run(const std::filesystem::path& plan, const std::filesystem::path& images, std::size_t rounds) {
  const Resources resources = bench::resources();
  auto opened = Result<std::unique_ptr<OpenCase>>(nullptr);
  const double open_ms = msOf([&] { opened = OpenCase::open(plan, images, resources); });
  if (!opened) {
    fmt::print(stderr, "{}\n", english(opened.error()));
    return 1;
  }
  OpenCase& o = **opened;
  const Case& c = o.edited();
  const std::size_t bytes = statePlanCodec().write(o.state().plan).dump().size();
  fmt::print("open         {:.0f} ms, its plan as sent {:.1f} kB\n", open_ms, static_cast<double>(bytes) / 1000);
  fmt::print("replay       {:.0f} ms of no edit\n", msOf([&] { (void)o.replay({}); }));
  const CtVolume* ct = images.empty() ? nullptr : o.ct().value_or(nullptr);

  for (const Device& d : c.fixation.devices)
    if (d.kind == DeviceKind::kScrew)
      fmt::print("first try    {:.0f} ms, {} of ray {}\n", msOf([&] {
                   (void)o.tryEdit("device.set",
                                   {{"id", d.id}, {"entry", pointJson(d.entry, 3)}, {"tip", pointJson(d.tip, 3)}});
                 }),
                 d.id, d.ray);
  Times set, check, move, joint;
  std::size_t refused_set = 0, refused_move = 0;
  for (std::size_t n = 0; n < rounds && !c.fixation.devices.empty(); ++n) {
    const Device& d = c.fixation.devices[n % c.fixation.devices.size()];
    const Json p{{"id", d.id},
                 {"entry", pointJson(d.entry + swing3(2 * n, 1.5), 3)},
                 {"tip", pointJson(d.tip + swing3(2 * n + 1, 4), 3)}};
    set.ms.push_back(msOf([&] { refused_set += o.tryEdit("device.set", p) ? 0 : 1; }));
  }
  std::vector<Ray> rays;
  for (const auto& [ray, r] : c.reduction.rays) rays.push_back(ray);
  for (std::size_t n = 0; n < rounds && !rays.empty(); ++n) {
    const RayReduction& r = c.reduction.rays.at(rays[n % rays.size()]);
    const Vec3 at = centroid(c.reduction.reduced.at(metatarsal(r.ray)));
    const Json p{
        {"ray", r.ray},
        {"transform", rigidJson(turnAbout(at, swing3(2 * n, 0.08), swing3(2 * n + 1, 3)) * r.injured_to_reduced)}};
    move.ms.push_back(msOf([&] { refused_move += o.tryEdit("ray.move", p) ? 0 : 1; }));
  }

  const ConstructInput input = constructInput(c, ct);
  for (const Device& d : c.fixation.devices)
    check.ms.push_back(msOf([&] { (void)checkDevice(input, d, c.fixation.devices, c.catalogue); }));
  for (const Ray ray : rays)
    joint.ms.push_back(msOf([&] {
      (void)jointFit(c.reduction.reduced.at(metatarsal(ray)), c.reduction.reduced.at(tarsalPartner(ray)),
                     c.reduction.frame.dorsal);
    }));
  if (set.ms.empty() || move.ms.empty()) {
    fmt::print("the plan has no device or no ray to drag\n");
    return 1;
  }
  print("device.set", set, "checkDevice", check, refused_set);
  print("ray.move", move, "jointFit", joint, refused_move);
  return 0;
}

}  // namespace
}  // namespace rayset

int main(int argc, char** argv) {
  std::vector<std::filesystem::path> folders;
  std::size_t rounds = 500;
  for (int i = 1; i < argc; ++i) {
    const std::string_view word = argv[i];
    if (word.starts_with("--rounds="))
      rounds = static_cast<std::size_t>(std::max(1L, std::strtol(argv[i] + 9, nullptr, 10)));
    else
      folders.emplace_back(word);
  }
  if (folders.empty() || folders.size() > 2) {
    fmt::print(stderr, "bench_drag PLAN [IMAGES] [--rounds=N]\n");
    return 2;
  }
  return rayset::run(folders[0], folders.size() > 1 ? folders[1] : std::filesystem::path(), rounds);
}
