// Compiled with AVX-512 F, BW, VL, VBMI and VNNI; reached only where the machine has them.
#include <immintrin.h>

#include "xray/plane_kernel.h"

namespace rayset::plane_kernel {

void addPlaneAvx512(const PlaneTile& plane, std::int16_t* rows, std::ptrdiff_t stride, std::int32_t* sums) {
  const __m512i zero = _mm512_setzero_si512();
  for (int r = 0; r < kRows; ++r) {
    const std::int16_t *above = plane.above[r], *below = plane.below[r];
    const __m512i fraction = _mm512_set1_epi16(plane.fraction[r]);
    std::int16_t* to = rows + r * stride + kChunk;
    _mm512_store_si512(to + plane.begin - kChunk, zero);
    for (int u = plane.begin; u < plane.end; u += kChunk) {
      const __m512i a = _mm512_load_si512(above + u), b = _mm512_load_si512(below + u);
      _mm_prefetch(reinterpret_cast<const char*>(below + u + plane.ahead), _MM_HINT_T0);
      _mm512_store_si512(to + u, _mm512_add_epi16(a, _mm512_mulhrs_epi16(_mm512_sub_epi16(b, a), fraction)));
    }
    _mm512_store_si512(to + plane.end, zero);
    _mm512_store_si512(to + plane.end + kChunk, zero);
  }

  const auto step = static_cast<std::int32_t>(plane.step >> 16);
  const __m512i lane = _mm512_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15);
  const __m512i offset = _mm512_mullo_epi32(lane, _mm512_set1_epi32(step));
  const __m512i low = _mm512_set1_epi32(0xFFFF), half = _mm512_set1_epi32(0x80), one = _mm512_set1_epi32(1 << 8);
  const __m512i twice = _mm512_set1_epi32(0x02020202), bytes = _mm512_set1_epi32(0x03020100);
  std::int64_t at = plane.start + plane.step * (std::int64_t{kBlock} * plane.first_block);
  for (int block = plane.first_block; block <= plane.last_block; ++block, at += plane.step * kBlock) {
    const auto first = static_cast<std::ptrdiff_t>(at >> 32);
    const __m512i position =
        _mm512_add_epi32(offset, _mm512_set1_epi32(static_cast<std::int32_t>((at >> 16) & 0xFFFF)));
    // Each 32-bit lane takes the two voxels beside its position: bytes 2i to 2i + 3 of the 32 voxels from `first` on.
    const __m512i voxel = _mm512_srli_epi32(position, 16);
    const __m512i take = _mm512_add_epi32(_mm512_mullo_epi32(voxel, twice), bytes);
    // Weights as a pair of 16-bit numbers: 256 - right below, right above.
    const __m512i right = _mm512_srli_epi32(_mm512_add_epi32(_mm512_and_si512(position, low), half), 8);
    const __m512i weights = _mm512_add_epi32(_mm512_sub_epi32(_mm512_slli_epi32(right, 16), right), one);
    const std::int16_t* from = rows + kChunk + first;
    std::int32_t* to = sums + std::ptrdiff_t{block} * kRows * kBlock;
    for (int r = 0; r < kRows; ++r) {
      const __m512i window = _mm512_loadu_si512(from + r * stride);
      const __m512i pairs = _mm512_permutexvar_epi8(take, window);
      _mm512_store_si512(to + r * kBlock, _mm512_dpwssd_epi32(_mm512_load_si512(to + r * kBlock), pairs, weights));
    }
  }
}

}  // namespace rayset::plane_kernel
