#include "base/json_file.h"

#include <fstream>

namespace rayset {

Status writeJson(const std::filesystem::path& file, const nlohmann::ordered_json& document) {
  std::ofstream out(file);
  out << document.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) << '\n';
  out.close();
  if (!out)
    return fail(Fault::kInternal, "the file could not be written", file.string(), "Check free space and permissions.");
  return {};
}

}  // namespace rayset
