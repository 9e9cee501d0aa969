// Plans the CT of an injured foot, or opens a plan, and prints what a table of cases would hold: each ray's shift and
// turns, and the devices. Ends like `rayset plan`: 0 planned, 2 wrong request, 3 images unusable, 4 planned in part.
#include <rayset/rayset.h>

#include <cstdio>
#include <filesystem>
#include <string>

namespace rs = rayset::api;

namespace {

int fail(const rs::Error& error) {
  std::fprintf(stderr, "%s\n", error.message().c_str());
  return error.exitStatus();
}

rs::Result<rs::Plan> planOrOpen(const std::filesystem::path& folder, const rs::Resources& resources) {
  if (std::filesystem::exists(folder / "plan.json")) return rs::Plan::open(folder, resources);
  rs::Progress progress;
  progress.report = [](std::string_view stage, double fraction) {
    std::fprintf(stderr, "\r%-12.*s %3.0f %%", static_cast<int>(stage.size()), stage.data(), 100 * fraction);
  };
  auto plan = rs::Plan::make({.images = folder}, resources, progress);
  std::fprintf(stderr, "\n");
  return plan;
}

void print(const rs::Plan& plan) {
  std::printf("%s foot, Quenu and Kuss %s\n", plan.side() == rs::Side::kLeft ? "left" : "right",
              plan.patterns().quenu_kuss.value.c_str());
  for (const rs::Ray& ray : plan.rays()) {
    if (!ray.displacement || !ray.reduction) {
      std::printf("ray %d not measured\n", ray.number);
      continue;
    }
    const rs::Displacement& d = *ray.displacement;
    std::printf("ray %d shift %.3f %.3f %.3f mm turn %.3f %.3f %.3f deg within %.2f mm %.2f deg, %s\n", ray.number,
                d.lateral_mm, d.dorsal_mm, d.distal_mm, d.abduction_deg, d.plantarflexion_deg, d.pronation_deg,
                ray.reduction->uncertainty_mm, ray.reduction->uncertainty_deg,
                !ray.displaced   ? "cannot be told"
                : *ray.displaced ? "displaced"
                                 : "in place");
  }
  for (const rs::Device& d : plan.devices()) {
    std::string through;
    for (const std::string& bone : d.through) through += (through.empty() ? "" : "-") + bone;
    std::printf("device %s %s %.1f x %.0f mm %s entry %.3f %.3f %.3f, %zu warnings\n", d.id.c_str(), d.kind.c_str(),
                d.diameter_mm, d.length_mm, through.c_str(), d.entry[0], d.entry[1], d.entry[2], d.warnings.size());
  }
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2 && argc != 3) {
    std::fprintf(stderr, "plan_and_measure IMAGES_OR_PLAN [OUT]\n");
    return 2;
  }
  const auto resources = rs::Resources::read(RAYSET_DATA_FOLDER);
  if (!resources) return fail(resources.error());
  auto plan = planOrOpen(argv[1], *resources);
  if (!plan) return fail(plan.error());
  print(*plan);
  if (argc == 3)
    if (const auto written = plan->write(argv[2]); !written) return fail(written.error());
  return plan->partial() ? 4 : 0;
}
