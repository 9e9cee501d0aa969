#include "reduction/shafts.h"

#include <fmt/format.h>

#include "anatomy/section.h"

namespace rayset::reduction {
namespace {

constexpr double kWholeMm = 45;  // adults' metatarsals are 50 mm and longer (ours, from memory)

}  // namespace

std::vector<ShaftSite> shaftSites(const Frame& foot) {
  std::vector<ShaftSite> out;
  for (int ray = 1; ray <= 4; ++ray)
    for (const auto& [word, way] : {std::pair("medial", foot.medial), std::pair("dorsal", foot.dorsal)})
      out.push_back(
          {fmt::format("{}-{} {}", boneId(metatarsal(ray)), boneId(metatarsal(ray + 1)), word), ray, ray + 1, way});
  return out;
}

bool showsShaft(const Surface& metatarsal, const Vec3& distal) {
  return extentAlong(metatarsal, distal).length() > kWholeMm;
}

}  // namespace rayset::reduction
