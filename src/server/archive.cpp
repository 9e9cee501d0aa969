#include "server/archive.h"

#include <archive.h>
#include <archive_entry.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <fstream>
#include <set>
#include <vector>

namespace rayset::server {
namespace fs = std::filesystem;
namespace {

constexpr std::size_t kPiece = 256 * 1024;

tl::unexpected<Error> refused(const fs::path& archive, const Message& what, const std::string& entry = {}) {
  return fail(Fault::kImages, what,
              entry.empty() ? archive.filename().string() : fmt::format("{}, {}", archive.filename().string(), entry),
              Message("server.pack_folder_images_anew_drop_folder"));
}

/// A name inside the archive as a path below a folder; empty if it would escape the folder or is not a plain name.
fs::path safePath(const std::string& name) {
  fs::path out;
  std::string text = name;
  std::replace(text.begin(), text.end(), '\\', '/');
  if (text.empty() || text.front() == '/' || text.find('\0') != std::string::npos) return {};
  if (text.size() > 1 && text[1] == ':') return {};  // a drive
  for (const fs::path& part : fs::path(text)) {
    if (part == ".." || part.string().size() > 250) return {};
    if (part == "." || part.empty()) continue;
    out /= part;
  }
  return out;
}

using ReadHandle = std::unique_ptr<struct archive, int (*)(struct archive*)>;

}  // namespace

bool isArchiveName(const std::string& name) {
  std::string lower = name;
  std::transform(lower.begin(), lower.end(), lower.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  for (const std::string_view ending : {".zip", ".tar", ".tar.gz", ".tgz"})
    if (lower.size() > ending.size() && lower.ends_with(ending)) return true;
  return false;
}

Status unpack(const fs::path& archive, const fs::path& folder, const UnpackLimits& limits, const Progress& progress) {
  const ReadHandle in(archive_read_new(), archive_read_free);
  archive_read_support_format_zip(in.get());
  archive_read_support_format_tar(in.get());
  archive_read_support_filter_gzip(in.get());
  if (archive_read_open_filename(in.get(), archive.c_str(), kPiece) != ARCHIVE_OK)
    return refused(archive, Message("server.no_archive_can_read"));
  std::error_code problem;
  const double size = static_cast<double>(std::max<std::uintmax_t>(1, fs::file_size(archive, problem)));
  std::uint64_t bytes = 0, files = 0;
  std::vector<char> piece(kPiece);
  for (;;) {
    archive_entry* entry = nullptr;
    const int next = archive_read_next_header(in.get(), &entry);
    if (next == ARCHIVE_EOF) break;
    if (next < ARCHIVE_WARN) return refused(archive, Message("server.archive_damaged"));
    if (progress.cancelled()) return cancelledError();
    const char* raw = archive_entry_pathname(entry);
    const std::string name = raw == nullptr ? std::string() : std::string(raw);
    const auto type = archive_entry_filetype(entry);
    if (archive_entry_hardlink(entry) != nullptr || archive_entry_symlink(entry) != nullptr || type == AE_IFLNK)
      return refused(archive, Message("server.archive_holds_links"), name);
    if (type == AE_IFDIR) continue;
    if (type != AE_IFREG && type != 0)
      return refused(archive, Message("server.archive_holds_more_files_folders"), name);
    const fs::path relative = safePath(name);
    if (relative.empty()) return refused(archive, Message("server.archive_holds_file_leads_out_folder"), name);
    if (archive_entry_is_encrypted(entry) != 0)
      return refused(archive, Message("server.archive_protected_password"), name);
    if (++files > limits.files)
      return refused(archive, Message("server.archive_holds_more_files", {{"files", limits.files}}));
    fs::create_directories((folder / relative).parent_path(), problem);
    if (fs::exists(folder / relative, problem))
      return refused(archive, Message("server.archive_holds_file_twice"), name);
    std::ofstream out(folder / relative, std::ios::binary);
    for (;;) {
      const la_ssize_t n = archive_read_data(in.get(), piece.data(), piece.size());
      if (n < 0) return refused(archive, Message("server.archive_damaged"), name);
      if (n == 0) break;
      bytes += static_cast<std::uint64_t>(n);
      if (bytes > limits.bytes)
        return refused(archive, Message("server.archive_holds_more_mib", {{"u", limits.bytes >> 20U}}), name);
      out.write(piece.data(), n);
      if (progress.cancelled()) return cancelledError();
    }
    out.close();
    if (!out)
      return fail(Fault::kInternal, "server.images_could_not_unpacked", (folder / relative).string(),
                  Message("server.check_free_space_permissions"));
    progress("unpack", std::min(1.0, static_cast<double>(archive_filter_bytes(in.get(), -1)) / size));
  }
  if (files == 0) return refused(archive, Message("server.archive_holds_no_files"));
  return {};
}

struct ZipWriter::Impl {
  Sink* sink = nullptr;
  struct archive* out = archive_write_new();
  bool good = true;

  static la_ssize_t written(struct archive*, void* self, const void* data, std::size_t size) {
    auto* impl = static_cast<Impl*>(self);
    impl->good = impl->good && impl->sink->write({static_cast<const char*>(data), size});
    return impl->good ? static_cast<la_ssize_t>(size) : -1;
  }

  bool header(const std::string& name, std::uint64_t size) {
    archive_entry* entry = archive_entry_new();
    archive_entry_set_pathname_utf8(entry, name.c_str());
    archive_entry_set_size(entry, static_cast<la_int64_t>(size));
    archive_entry_set_filetype(entry, AE_IFREG);
    archive_entry_set_perm(entry, 0644);
    archive_entry_set_mtime(entry, std::time(nullptr), 0);
    good = good && archive_write_header(out, entry) == ARCHIVE_OK;
    archive_entry_free(entry);
    return good;
  }
  bool data(const char* bytes, std::size_t size) {
    good = good && archive_write_data(out, bytes, size) == static_cast<la_ssize_t>(size);
    return good;
  }
};

ZipWriter::ZipWriter(Sink& sink) : impl_(std::make_unique<Impl>()) {
  impl_->sink = &sink;
  archive_write_set_format_zip(impl_->out);
  archive_write_set_bytes_per_block(impl_->out, static_cast<int>(kPiece));
  archive_write_set_bytes_in_last_block(impl_->out, 1);
  impl_->good = archive_write_open(impl_->out, impl_.get(), nullptr, Impl::written, nullptr) == ARCHIVE_OK;
}

ZipWriter::~ZipWriter() {
  if (!impl_->good) archive_write_fail(impl_->out);
  archive_write_free(impl_->out);
}

bool ZipWriter::add(const std::string& name, const std::string& content) {
  return impl_->header(name, content.size()) && impl_->data(content.data(), content.size());
}

bool ZipWriter::addFile(const std::string& name, const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::error_code problem;
  const std::uint64_t size = fs::file_size(file, problem);
  if (!in || problem || !impl_->header(name, size)) return impl_->good = false;
  std::vector<char> piece(kPiece);
  std::uint64_t sent = 0;
  while (sent < size && in.read(piece.data(), static_cast<std::streamsize>(piece.size())).gcount() > 0) {
    const auto n = static_cast<std::size_t>(in.gcount());
    if (!impl_->data(piece.data(), n)) return false;
    sent += n;
  }
  return impl_->good = impl_->good && sent == size;
}

bool ZipWriter::finish() {
  impl_->good = impl_->good && archive_write_close(impl_->out) == ARCHIVE_OK;
  return impl_->good;
}

}  // namespace rayset::server
