#include "base/json_file.h"

#include <fstream>

namespace rayset {

Status writeJson(const std::filesystem::path& file, const nlohmann::ordered_json& document) {
  std::ofstream out(file);
  out << document.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) << '\n';
  out.close();
  if (!out) return fail(Fault::kInternal, "file.not_written", file.string(), "file.check_disk");
  return {};
}

}  // namespace rayset
