// Files as texts, and files that the program's own tables write.
#pragma once

#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>

namespace rayset::test {

/// Whole; "" where there is none.
inline std::string readAll(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

/// The file holds `made`; with RAYSET_WRITE_DOCS=1 it is written.
inline void expectCurrent(const std::filesystem::path& file, const std::string& made) {
  if (std::getenv("RAYSET_WRITE_DOCS") != nullptr) std::ofstream(file, std::ios::binary) << made;
  EXPECT_EQ(readAll(file), made) << file << ": run this test with RAYSET_WRITE_DOCS=1";
}

}  // namespace rayset::test
