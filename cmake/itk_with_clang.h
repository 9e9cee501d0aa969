// ITK's own list of compilers, as Debian configured it, knows GCC alone and refuses all others. This stands in its
// place (by its include guard) where clang compiles: what ITK's headers take from it, for C++20.
#pragma once
#define ITK_COMPILER_DETECTION_H

#define ITK_COMPILER_CXX_STATIC_ASSERT 1
#define ITK_NOEXCEPT noexcept
