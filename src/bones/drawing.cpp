#include "bones/drawing.h"

#include <tbb/parallel_for.h>

#include <algorithm>

#include "bones/cortex_fit.h"
#include "bones/joint_fit.h"
#include "bones/parting.h"

namespace rayset::bones {

std::vector<std::optional<RefinedSurface>> drawSurfaces(const ScanImage& scan, const std::vector<std::uint8_t>& labels,
                                                        const std::vector<Part>& parts, double pixel_mm,
                                                        double slice_mm) {
  std::vector<std::optional<RefinedSurface>> out(parts.size());
  tbb::parallel_for(std::size_t{0}, parts.size(), [&](std::size_t n) {
    Surface outline = labelOutline(scan.grey, labels, parts[n].label, parts[n].one_bone);
    if (!outline.empty()) out[n] = refineSurface(scan, std::move(outline), parts[n].search_mm);
  });
  // Blur and compact bone are the scan's: measured on all metatarsals, then every edge is fitted with them.
  std::vector<const Surface*> measured;
  for (std::size_t n = 0; n < parts.size(); ++n)
    if (out[n] && parts[n].metatarsal) measured.push_back(&out[n]->surface);
  EdgeModel model = measureEdges(scan, measured, pixel_mm, slice_mm);
  tbb::parallel_for(std::size_t{0}, parts.size(), [&](std::size_t n) {
    if (out[n] && parts[n].cortex) fitCortex(scan, model, out[n]->surface);
  });
  std::vector<Surface*> whole, all;
  std::vector<std::size_t> part_of, part_of_any;  // by surface of `whole`, of `all`
  for (std::size_t n = 0; n < parts.size(); ++n) {
    if (!out[n] || out[n]->surface.empty()) continue;
    all.push_back(&out[n]->surface);
    part_of_any.push_back(n);
    if (parts[n].fragment) continue;
    whole.push_back(&out[n]->surface);
    part_of.push_back(n);
  }
  auto facing = fitJoints(scan, model, whole);
  for (std::size_t w = 0; w < whole.size(); ++w) {
    for (Facing& f : facing[w])
      if (f.other >= 0) f.other = static_cast<std::int16_t>(part_of[static_cast<std::size_t>(f.other)]);
    out[part_of[w]]->facing = std::move(facing[w]);
  }
  const auto moved = partSurfaces(all);
  // If each border was found beyond the other, the overlap shows how well they are known.
  for (std::size_t a = 0; a < all.size(); ++a) {
    auto& seen = out[part_of_any[a]]->facing;
    for (std::size_t v = 0; v < seen.size(); ++v)
      seen[v].uncertainty_mm = std::max(seen[v].uncertainty_mm, static_cast<float>(moved[a][v]));
  }
  return out;
}

}  // namespace rayset::bones
