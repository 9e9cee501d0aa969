// Which files of a case and of the page may be served, and as what.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "server/http.h"
#include "server/open_cases.h"

namespace rayset::server {

[[nodiscard]] std::string typeOf(const std::string& name);
/// The file itself, with ETag; 304 if the browser has it; the ".gz" beside it if the browser accepts that.
[[nodiscard]] Reply fileReply(const std::filesystem::path& file, const Request& request);
/// A path below `root` from segments that came from outside: no hidden names, no links, a regular file. Empty: none.
[[nodiscard]] std::filesystem::path fileBelow(const std::filesystem::path& root,
                                              const std::vector<std::string>& segments);

/// The highest number that a file (without its ending) or folder in `folder` is named by; 0: none.
[[nodiscard]] int highestNumber(const std::filesystem::path& folder);
/// The first bytes of a file, or all.
[[nodiscard]] std::string bytesOf(const std::filesystem::path& file, std::size_t most = std::string::npos);
/// Links `from` to `to`, or copies it where the file system does not link.
[[nodiscard]] std::error_code linkOrCopy(const std::filesystem::path& from, const std::filesystem::path& to);

struct Export {
  std::string name;
  Message what;
  std::vector<std::string> path;  ///< as asked for under files/
  std::filesystem::path file;     ///< empty: made on first request
};
/// Everything that can be exported from a case in its current state.
[[nodiscard]] std::vector<Export> exportsOf(const std::filesystem::path& case_folder, const CaseFacts& facts);
/// The file behind files/PATH; empty: none. kRequest and other faults if it has to be made and cannot be.
[[nodiscard]] Result<std::filesystem::path> exportedFile(OpenCases& cases, const std::filesystem::path& case_folder,
                                                         const std::string& id, const std::vector<std::string>& path);

/// RFC 4180: measures as scanned and reduced, and those drawn by hand.
[[nodiscard]] std::string measuresCsv(const Json& state, const Words& words);

}  // namespace rayset::server
