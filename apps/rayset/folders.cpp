#include "folders.h"

namespace rayset::app {
namespace fs = std::filesystem;

fs::path sharedFolder(const std::string& name) {
  std::error_code problem;
  const fs::path bin = fs::read_symlink("/proc/self/exe", problem).parent_path();
  // An installed program never looks into its build tree, so that missing files are noticed.
  if (fs::equivalent(bin, RAYSET_BUILD_DIR, problem))
    return fs::path(RAYSET_SOURCE_DIR) / (name == "web" ? "web/dist" : name);
  return bin.parent_path() / "share/rayset" / name;
}

}  // namespace rayset::app
