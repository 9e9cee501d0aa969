// The data files of the source tree, for the benchmarks.
#pragma once

#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <string>

#include "case/resources.h"

namespace rayset {

/// In words.
inline const Words& english() {
  static const Words words = readWords({std::filesystem::path(RAYSET_DATA_DIR) / "words"}).value_or(Words());
  return words;
}
inline std::string english(const Error& error) { return english().line(error); }
inline std::string english(const Message& message) { return english().text(message); }

}  // namespace rayset

namespace rayset::bench {

inline std::filesystem::path dataFile(const char* name) { return std::filesystem::path(RAYSET_DATA_DIR) / name; }

/// What a bench cannot do without; the error ends it.
template <class T>
T needed(Result<T> read) {
  if (read) return *std::move(read);
  std::fprintf(stderr, "%s\n", english(read.error()).c_str());
  std::exit(1);
}

/// All of them; figures of healthy joints without those of `leave_out`, the person that is tested.
inline Resources resources(const std::string& leave_out = {}) {
  Resources r = needed(readResources(RAYSET_DATA_DIR));
  if (!leave_out.empty()) r.joints = needed(reduction::readJointNorms(dataFile("joints.json"), leave_out));
  return r;
}

}  // namespace rayset::bench
