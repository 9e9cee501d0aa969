// Compiled with AVX-512 F, BW, VL, VBMI and VNNI; reached only where the machine has them.
#include <immintrin.h>

#include "xray/plane_kernel.h"

namespace rayset::plane_kernel {
namespace {

void interpolateRows(const PlaneTile& plane, std::int16_t* rows, std::ptrdiff_t stride) {
  const __m512i zero = _mm512_setzero_si512();
  for (int r = 0; r < kRows; ++r) {
    const std::int16_t *above = plane.above[r], *below = plane.below[r];
    const __m512i fraction = _mm512_set1_epi16(plane.fraction[r]);
    std::int16_t* to = rows + r * stride + kGuard;
    for (int u = plane.begin - kGuard; u < plane.begin; u += kChunk) _mm512_store_si512(to + u, zero);
    for (int u = plane.begin; u < plane.end; u += kChunk) {
      const __m512i a = _mm512_load_si512(above + u), b = _mm512_load_si512(below + u);
      _mm_prefetch(reinterpret_cast<const char*>(below + u + plane.ahead), _MM_HINT_T0);
      _mm512_store_si512(to + u, _mm512_add_epi16(a, _mm512_mulhrs_epi16(_mm512_sub_epi16(b, a), fraction)));
    }
    for (int u = plane.end; u < plane.end + kGuard; u += kChunk) _mm512_store_si512(to + u, zero);
  }
}

template <int kCount>
void add(const PlaneTile* planes, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums) {
  const __m512i lane = _mm512_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15);
  const __m512i low = _mm512_set1_epi32(0xFFFF), half = _mm512_set1_epi32(0x80), one = _mm512_set1_epi32(1 << 8);
  const __m512i twice = _mm512_set1_epi32(0x02020202), bytes = _mm512_set1_epi32(0x03020100);
  __m512i offset[kCount];
  std::int64_t at[kCount];
  for (int p = 0; p < kCount; ++p) {
    interpolateRows(planes[p], rows + p * kRows * stride, stride);
    offset[p] = _mm512_mullo_epi32(lane, _mm512_set1_epi32(static_cast<std::int32_t>(planes[p].step >> 16)));
    at[p] = planes[p].start + planes[p].step * (std::int64_t{kBlock} * planes[p].first_block);
  }
  for (int block = planes[0].first_block; block <= planes[0].last_block; ++block) {
    __m512i take[kCount], weights[kCount];
    const std::int16_t* from[kCount];
    for (int p = 0; p < kCount; ++p) {
      const __m512i position =
          _mm512_add_epi32(offset[p], _mm512_set1_epi32(static_cast<std::int32_t>((at[p] >> 16) & 0xFFFF)));
      // Each 32-bit lane takes the two voxels beside its position: bytes 2i to 2i + 3 of the 32 voxels from `from` on.
      take[p] = _mm512_add_epi32(_mm512_mullo_epi32(_mm512_srli_epi32(position, 16), twice), bytes);
      // Weights as a pair of 16-bit numbers: 256 - right below, right above.
      const __m512i right = _mm512_srli_epi32(_mm512_add_epi32(_mm512_and_si512(position, low), half), 8);
      weights[p] = _mm512_add_epi32(_mm512_sub_epi32(_mm512_slli_epi32(right, 16), right), one);
      from[p] = rows + p * kRows * stride + kGuard + (at[p] >> 32);
      at[p] += planes[p].step * kBlock;
    }
    std::int32_t* to = sums + std::ptrdiff_t{block} * kRows * kBlock;
    for (int r = 0; r < kRows; ++r) {
      __m512i sum = _mm512_load_si512(to + r * kBlock);
      for (int p = 0; p < kCount; ++p)
        sum = _mm512_dpwssd_epi32(sum, _mm512_permutexvar_epi8(take[p], _mm512_loadu_si512(from[p] + r * stride)),
                                  weights[p]);
      _mm512_store_si512(to + r * kBlock, sum);
    }
  }
}

}  // namespace

void addPlanesAvx512(const PlaneTile* planes, int count, std::int16_t* rows, std::ptrdiff_t stride,
                     std::int32_t* sums) {
  if (count == kPlanes)
    add<kPlanes>(planes, rows, stride, sums);
  else
    add<1>(planes, rows, stride, sums);
}

}  // namespace rayset::plane_kernel
