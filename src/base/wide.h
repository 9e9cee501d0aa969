// Functions compiled for wide vectors as well.
#pragma once

/// Put before a function to compile it for AVX2 as well; the version is chosen when the program starts. Fused
/// multiply-add stays off so that every machine gives the same figures.
#if defined(__x86_64__)
#define RAYSET_WIDE __attribute__((target_clones("default", "avx2")))
#else
#define RAYSET_WIDE
#endif
