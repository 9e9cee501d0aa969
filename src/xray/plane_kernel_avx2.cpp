// Compiled with AVX2; reached only where the machine has it.
#include <immintrin.h>

#include "xray/plane_kernel.h"

namespace rayset::plane_kernel {

void addPlaneAvx2(const PlaneTile& plane, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums) {
  const auto in = [](const std::int16_t* p) { return _mm256_load_si256(reinterpret_cast<const __m256i*>(p)); };
  const auto put = [](std::int16_t* p, __m256i v) { _mm256_store_si256(reinterpret_cast<__m256i*>(p), v); };
  const __m256i zero = _mm256_setzero_si256();
  constexpr int kLanes = 16;
  for (int r = 0; r < kRows; ++r) {
    const std::int16_t *above = plane.above[r], *below = plane.below[r];
    const __m256i fraction = _mm256_set1_epi16(plane.fraction[r]);
    std::int16_t* to = rows + r * stride + kChunk;
    for (int u = plane.begin - kChunk; u < plane.begin; u += kLanes) put(to + u, zero);
    for (int u = plane.begin; u < plane.end; u += kChunk) {
      _mm_prefetch(reinterpret_cast<const char*>(below + u + plane.ahead), _MM_HINT_T0);
      for (int h = u; h < u + kChunk; h += kLanes) {
        const __m256i a = in(above + h), b = in(below + h);
        put(to + h, _mm256_add_epi16(a, _mm256_mulhrs_epi16(_mm256_sub_epi16(b, a), fraction)));
      }
    }
    for (int u = plane.end; u < plane.end + 2 * kChunk; u += kLanes) put(to + u, zero);
  }

  const auto step = static_cast<std::int32_t>(plane.step >> 16);
  const __m256i lane = _mm256_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7);
  const __m256i offset = _mm256_mullo_epi32(lane, _mm256_set1_epi32(step));
  const __m256i low = _mm256_set1_epi32(0xFFFF), half = _mm256_set1_epi32(0x80), one = _mm256_set1_epi32(1 << 8);
  const __m256i twice = _mm256_set1_epi32(0x02020202), bytes = _mm256_set1_epi32(0x03020100);
  std::int64_t at = plane.start + plane.step * (std::int64_t{kBlock} * plane.first_block);
  for (int block = plane.first_block; block <= plane.last_block; ++block, at += plane.step * kBlock) {
    const auto first = static_cast<std::ptrdiff_t>(at >> 32);
    const auto fraction = static_cast<std::int32_t>((at >> 16) & 0xFFFF);
    // Four columns reach over at most 8 voxels, one 128-bit lane, which is loaded where the first of them lies.
    __m256i take[2], weights[2];
    std::ptrdiff_t from[4];
    for (int h = 0; h < 2; ++h) {
      const std::int32_t here = fraction + 8 * h * step;
      const __m256i position = _mm256_add_epi32(offset, _mm256_set1_epi32(here));
      const std::int32_t first_low = here >> 16, first_high = (here + 4 * step) >> 16;
      from[2 * h] = kChunk + first + first_low;
      from[2 * h + 1] = kChunk + first + first_high;
      const __m256i base =
          _mm256_setr_epi32(first_low, first_low, first_low, first_low, first_high, first_high, first_high, first_high);
      const __m256i voxel = _mm256_sub_epi32(_mm256_srli_epi32(position, 16), base);
      take[h] = _mm256_add_epi32(_mm256_mullo_epi32(voxel, twice), bytes);
      const __m256i right = _mm256_srli_epi32(_mm256_add_epi32(_mm256_and_si256(position, low), half), 8);
      weights[h] = _mm256_add_epi32(_mm256_sub_epi32(_mm256_slli_epi32(right, 16), right), one);
    }
    std::int32_t* to = sums + std::ptrdiff_t{block} * kRows * kBlock;
    for (int r = 0; r < kRows; ++r) {
      const std::int16_t* row = rows + r * stride;
      for (int h = 0; h < 2; ++h) {
        const __m256i window = _mm256_inserti128_si256(
            _mm256_castsi128_si256(_mm_loadu_si128(reinterpret_cast<const __m128i*>(row + from[2 * h]))),
            _mm_loadu_si128(reinterpret_cast<const __m128i*>(row + from[2 * h + 1])), 1);
        auto* sum = reinterpret_cast<__m256i*>(to + r * kBlock + 8 * h);
        _mm256_store_si256(sum, _mm256_add_epi32(_mm256_load_si256(sum),
                                                 _mm256_madd_epi16(_mm256_shuffle_epi8(window, take[h]), weights[h])));
      }
    }
  }
}

}  // namespace rayset::plane_kernel
