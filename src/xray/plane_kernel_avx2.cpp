// Compiled with AVX2; reached only where the machine has it.
#include <immintrin.h>

#include "xray/plane_kernel.h"

namespace rayset::plane_kernel {
namespace {

void interpolateRows(const PlaneTile& plane, std::int16_t* rows, std::ptrdiff_t stride) {
  constexpr int kLanes = 16;
  const auto in = [](const std::int16_t* p) { return _mm256_load_si256(reinterpret_cast<const __m256i*>(p)); };
  const auto put = [](std::int16_t* p, __m256i v) { _mm256_store_si256(reinterpret_cast<__m256i*>(p), v); };
  const __m256i zero = _mm256_setzero_si256();
  for (int r = 0; r < kRows; ++r) {
    const std::int16_t *above = plane.above[r], *below = plane.below[r];
    const __m256i fraction = _mm256_set1_epi16(plane.fraction[r]);
    std::int16_t* to = rows + r * stride + kGuard;
    for (int u = plane.begin - kGuard; u < plane.begin; u += kLanes) put(to + u, zero);
    for (int u = plane.begin; u < plane.end; u += kChunk) {
      _mm_prefetch(reinterpret_cast<const char*>(below + u + plane.ahead), _MM_HINT_T0);
      for (int h = u; h < u + kChunk; h += kLanes) {
        const __m256i a = in(above + h), b = in(below + h);
        put(to + h, _mm256_add_epi16(a, _mm256_mulhrs_epi16(_mm256_sub_epi16(b, a), fraction)));
      }
    }
    for (int u = plane.end; u < plane.end + kGuard; u += kLanes) put(to + u, zero);
  }
}

template <int kCount>
void add(const PlaneTile* planes, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums) {
  const __m256i lane = _mm256_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7);
  const __m256i low = _mm256_set1_epi32(0xFFFF), half = _mm256_set1_epi32(0x80), one = _mm256_set1_epi32(1 << 8);
  const __m256i twice = _mm256_set1_epi32(0x02020202), bytes = _mm256_set1_epi32(0x03020100);
  for (int p = 0; p < kCount; ++p) interpolateRows(planes[p], rows + p * kRows * stride, stride);
  for (int block = planes[0].first_block; block <= planes[0].last_block; ++block) {
    // Half a block at a time. Four columns span at most 8 voxels, one 128-bit lane, which is loaded from the first of
    // them.
    for (int h = 0; h < 2; ++h) {
      __m256i take[kCount], weights[kCount];
      const std::int16_t *from_low[kCount], *from_high[kCount];
      for (int p = 0; p < kCount; ++p) {
        const std::int64_t at = planes[p].start + planes[p].step * (std::int64_t{kBlock} * block);
        const auto step = static_cast<std::int32_t>(planes[p].step >> 16);
        const std::int32_t here = static_cast<std::int32_t>((at >> 16) & 0xFFFF) + 8 * h * step;
        const std::int32_t first_low = here >> 16, first_high = (here + 4 * step) >> 16;
        const std::int16_t* row = rows + p * kRows * stride + kGuard + (at >> 32);
        from_low[p] = row + first_low;
        from_high[p] = row + first_high;
        const __m256i position =
            _mm256_add_epi32(_mm256_mullo_epi32(lane, _mm256_set1_epi32(step)), _mm256_set1_epi32(here));
        const __m256i base = _mm256_setr_epi32(first_low, first_low, first_low, first_low, first_high, first_high,
                                               first_high, first_high);
        // Each 32-bit lane takes the two voxels beside its position; their weights are a pair of 16-bit numbers.
        const __m256i voxel = _mm256_sub_epi32(_mm256_srli_epi32(position, 16), base);
        take[p] = _mm256_add_epi32(_mm256_mullo_epi32(voxel, twice), bytes);
        const __m256i right = _mm256_srli_epi32(_mm256_add_epi32(_mm256_and_si256(position, low), half), 8);
        weights[p] = _mm256_add_epi32(_mm256_sub_epi32(_mm256_slli_epi32(right, 16), right), one);
      }
      std::int32_t* to = sums + std::ptrdiff_t{block} * kRows * kBlock + 8 * h;
      for (int r = 0; r < kRows; ++r) {
        auto* place = reinterpret_cast<__m256i*>(to + r * kBlock);
        __m256i sum = _mm256_load_si256(place);
        for (int p = 0; p < kCount; ++p) {
          const auto* left = reinterpret_cast<const __m128i*>(from_low[p] + r * stride);
          const auto* right = reinterpret_cast<const __m128i*>(from_high[p] + r * stride);
          const __m256i window =
              _mm256_inserti128_si256(_mm256_castsi128_si256(_mm_loadu_si128(left)), _mm_loadu_si128(right), 1);
          sum = _mm256_add_epi32(sum, _mm256_madd_epi16(_mm256_shuffle_epi8(window, take[p]), weights[p]));
        }
        _mm256_store_si256(place, sum);
      }
    }
  }
}

}  // namespace

void addPlanesAvx2(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums) {
  if (count == kPlanes)
    add<kPlanes>(planes, rows, stride, sums);
  else
    add<1>(planes, rows, stride, sums);
}

}  // namespace rayset::plane_kernel
