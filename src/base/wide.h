// Loops for wide vectors.
#pragma once

/// Before a function: compiled for wider vectors as well and chosen when the program starts. Without fused
/// multiplications, so that every machine gives the same figures.
#if defined(__x86_64__)
#define RAYSET_WIDE __attribute__((target_clones("default", "avx2")))
#else
#define RAYSET_WIDE
#endif
