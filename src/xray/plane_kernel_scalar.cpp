#include "xray/plane_kernel.h"

namespace rayset::plane_kernel {
namespace {

void addPlane(const PlaneTile& plane, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums) {
  for (int r = 0; r < kRows; ++r) {
    std::int16_t* to = rows + r * stride + kGuard;
    for (int u = plane.begin - kGuard; u < plane.begin; ++u) to[u] = 0;
    for (int u = plane.begin; u < plane.end; ++u) {
      // Rounded to the nearest, as the machine's instruction does (pmulhrsw).
      const std::int32_t a = plane.above[r][u], b = plane.below[r][u];
      to[u] = static_cast<std::int16_t>(a + (((b - a) * plane.fraction[r] + 0x4000) >> 15));
    }
    for (int u = plane.end; u < plane.end + kGuard; ++u) to[u] = 0;
  }
  const auto step = static_cast<std::int32_t>(plane.step >> 16);
  for (int block = plane.first_block; block <= plane.last_block; ++block) {
    const std::int64_t at = plane.start + plane.step * (std::int64_t{kBlock} * block);
    const auto first = static_cast<std::ptrdiff_t>(at >> 32);
    const auto fraction = static_cast<std::int32_t>((at >> 16) & 0xFFFF);
    for (int r = 0; r < kRows; ++r) {
      const std::int16_t* from = rows + r * stride + kGuard + first;
      std::int32_t* to = sums + (std::ptrdiff_t{block} * kRows + r) * kBlock;
      for (int i = 0; i < kBlock; ++i) {
        const std::int32_t position = fraction + i * step;
        const std::int16_t* pair = from + (position >> 16);
        const std::int32_t right = ((position & 0xFFFF) + 0x80) >> 8;
        to[i] += pair[0] * ((1 << kWeightBits) - right) + pair[1] * right;
      }
    }
  }
}

}  // namespace

void addPlanesScalar(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride,
                     std::int32_t* sums) {
  for (int p = 0; p < count; ++p) addPlane(planes[p], rows, stride, sums);
}

}  // namespace rayset::plane_kernel
