#include "reduction/shafts.h"

#include <fmt/format.h>

#include "anatomy/frames.h"
#include "anatomy/section.h"

namespace rayset::reduction {
namespace {

constexpr double kWholeMm = 45;  // adults' metatarsals are 50 mm and longer (ours, from memory)

}  // namespace

std::vector<ShaftSite> shaftSites(const Frame& foot) {
  std::vector<ShaftSite> out;
  for (const Ray ray : kRays) {
    const auto next = ray.lateral();
    if (!next) break;
    for (const auto& [word, way] : {std::pair("medial", foot.medial), std::pair("dorsal", foot.dorsal)})
      out.push_back(
          {fmt::format("{}-{} {}", boneId(metatarsal(ray)), boneId(metatarsal(*next)), word), ray, *next, way});
  }
  return out;
}

bool showsShaft(const Surface& metatarsal, const Vec3& distal) {
  return extentAlong(metatarsal, distal).length() > kWholeMm;
}

std::map<std::string, double> shaftAngles(const BoneSurfaces& bones, const Frame& foot) {
  PerRay<Vec3> shafts;
  for (const Ray ray : kRays) {
    const auto m = bones.find(metatarsal(ray)), t = bones.find(tarsalPartner(ray));
    if (m == bones.end() || t == bones.end() || m->second.empty() || t->second.empty()) continue;
    const Vec3 distal = metatarsalAxis(m->second, centroid(m->second) - centroid(t->second)).distal;
    if (showsShaft(m->second, distal)) shafts[ray] = distal;
  }
  std::map<std::string, double> out;
  for (const ShaftSite& site : shaftSites(foot))
    if (shafts.contains(site.first) && shafts.contains(site.second))
      out[site.name] = site.way.dot(shafts.at(site.second) - shafts.at(site.first));
  return out;
}

}  // namespace rayset::reduction
