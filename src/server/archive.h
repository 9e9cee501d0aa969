// Unpacks archives from outside safely, and writes archives for download.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>

#include "base/progress.h"
#include "base/result.h"

namespace rayset::server {

struct UnpackLimits {
  std::uint64_t bytes = std::uint64_t{8} << 30U;  ///< of everything unpacked
  std::uint64_t files = 50'000;
};

/// Whether the name ends like an archive that unpack() reads (.zip, .tar, .tar.gz, .tgz).
[[nodiscard]] bool isArchiveName(const std::string& name);

/// Writes the regular files of the archive under `folder` (exists). kImages naming archive and entry for: absolute
/// paths, "..", links, devices, contents beyond the limits, and files that are damaged, password-protected or not
/// archives.
[[nodiscard]] Status unpack(const std::filesystem::path& archive, const std::filesystem::path& folder,
                            const UnpackLimits& limits = {}, const Progress& progress = {});

/// Where a zip goes while it is made.
class Sink {
 public:
  virtual ~Sink() = default;
  /// False: stop.
  [[nodiscard]] virtual bool write(std::string_view bytes) = 0;
};

class ZipWriter {
 public:
  explicit ZipWriter(Sink& sink);
  ~ZipWriter();
  ZipWriter(const ZipWriter&) = delete;
  ZipWriter& operator=(const ZipWriter&) = delete;
  /// False if the sink accepts no more or a file cannot be read; the zip is then left unfinished, so that the failure
  /// shows.
  [[nodiscard]] bool add(const std::string& name, const std::string& content);
  [[nodiscard]] bool addFile(const std::string& name, const std::filesystem::path& file);
  [[nodiscard]] bool finish();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset::server
