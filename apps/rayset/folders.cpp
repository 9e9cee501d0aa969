#include "folders.h"

namespace rayset::app {
namespace fs = std::filesystem;

fs::path sharedFolder(const std::string& name) {
  std::error_code problem;
  const fs::path program = fs::read_symlink("/proc/self/exe", problem);
  // An installed program never looks into the tree that it was built in, so that what is missing is noticed.
  if (program.parent_path() == fs::path(RAYSET_BUILD_DIR))
    return fs::path(RAYSET_SOURCE_DIR) / (name == "web" ? "web/dist" : name);
  return program.parent_path().parent_path() / "share/rayset" / name;
}

}  // namespace rayset::app
