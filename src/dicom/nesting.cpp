#include "dicom/nesting.h"

#include <zlib.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <fstream>
#include <memory>
#include <optional>
#include <sstream>
#include <string>
#include <string_view>
#include <vector>

namespace rayset::dicom {
namespace {

constexpr std::uint32_t kUndefined = 0xffffffffu;
constexpr std::uint64_t kOpen = ~std::uint64_t{0};  // no known end

/// One open sequence, item, or the data set itself.
struct Level {
  bool sequence = false;   // holds items; else holds elements
  bool implicit = false;   // no VR in its elements
  bool fragments = false;  // a sequence of pixel fragments: its items hold no elements
  bool guess = false;      // assumed to be a sequence only from its first bytes
  std::uint64_t end = kOpen;
};

/// The rest of a stream, inflated (raw deflate, RFC 1951: PS3.5 A.5); nullopt if it grows beyond `most` bytes. Damaged
/// data end where they are damaged.
std::optional<std::string> inflated(std::istream& in, std::uint64_t most) {
  z_stream stream{};
  std::string out;
  if (inflateInit2(&stream, -MAX_WBITS) != Z_OK) return out;
  std::array<char, 1U << 16U> read{}, made{};
  int state = Z_OK;
  while (state == Z_OK && (in.read(read.data(), read.size()), in.gcount() > 0)) {
    stream.next_in = reinterpret_cast<Bytef*>(read.data());
    stream.avail_in = static_cast<uInt>(in.gcount());
    do {
      stream.next_out = reinterpret_cast<Bytef*>(made.data());
      stream.avail_out = static_cast<uInt>(made.size());
      state = inflate(&stream, Z_NO_FLUSH);
      out.append(made.data(), made.size() - stream.avail_out);
    } while (state == Z_OK && stream.avail_out == 0 && out.size() <= most);
    if (out.size() > most) break;
  }
  inflateEnd(&stream);
  return out.size() > most ? std::nullopt : std::optional(std::move(out));
}

class Walker {
 public:
  explicit Walker(const std::filesystem::path& path)
      : path_(path), stream_(std::make_unique<std::ifstream>(path, std::ios::binary)) {}

  Structure structure() {
    std::istream& in_ = *stream_;
    std::array<char, 132> head{};
    in_.read(head.data(), head.size());
    const bool preamble = in_.gcount() == 132 && std::string_view(head.data() + 128, 4) == "DICM";
    in_.clear();
    position_ = preamble ? 132 : 0;
    in_.seekg(static_cast<std::streamoff>(position_));
    bool implicit = false;
    if (std::string syntax; readMeta(syntax)) {
      if (syntax == "1.2.840.10008.1.2.1.99") {  // deflated
        std::error_code unknown;
        const std::uint64_t size = std::filesystem::file_size(path_, unknown);
        auto whole =
            inflated(in_, unknown ? kAlwaysInflatedBytes : std::max(kAlwaysInflatedBytes, kMostInflated * size));
        if (!whole) return Structure::kSwollen;
        stream_ = std::make_unique<std::istringstream>(*std::move(whole), std::ios::binary);
        position_ = 0;
        return walk(false);
      }
      implicit = syntax == "1.2.840.10008.1.2";
      big_ = syntax == "1.2.840.10008.1.2.2";
    } else {
      std::array<char, 6> start{};
      in_.read(start.data(), start.size());
      in_.clear();
      in_.seekg(static_cast<std::streamoff>(position_));
      const auto letter = [](char c) { return c >= 'A' && c <= 'Z'; };
      implicit = !(letter(start[4]) && letter(start[5]));
      big_ = start[0] == 0;
    }
    return walk(implicit);
  }

 private:
  Structure walk(bool implicit) {
    levels_.push_back({.implicit = implicit});
    while (*stream_ && !levels_.empty()) {
      if (levels_.size() > 2 * kDeepestNesting + 1) return Structure::kTooDeep;
      if (position_ >= levels_.back().end) {
        levels_.pop_back();
        continue;
      }
      if (!step() && !leaveGuess()) return Structure::kSound;
    }
    return Structure::kSound;
  }

  std::uint64_t number(int bytes, bool big) {
    std::array<unsigned char, 4> raw{};
    stream_->read(reinterpret_cast<char*>(raw.data()), bytes);
    position_ += static_cast<std::uint64_t>(bytes);
    std::uint64_t value = 0;
    for (int i = 0; i < bytes; ++i)
      value |= static_cast<std::uint64_t>(raw[static_cast<std::size_t>(i)]) << 8 * (big ? bytes - 1 - i : i);
    return value;
  }

  void skip(std::uint64_t bytes) {
    position_ += bytes;
    if (bytes < 4096)
      stream_->ignore(static_cast<std::streamsize>(bytes));
    else
      stream_->seekg(static_cast<std::streamoff>(position_));
  }

  static bool longLength(std::string_view vr) {
    for (const char* name : {"OB", "OW", "OF", "OD", "OL", "OV", "SQ", "UC", "UN", "UR", "UT", "SV", "UV"})
      if (vr == name) return true;
    return false;
  }

  /// Group 0002, always explicit little endian (PS3.10 7.1). False, with the position unchanged, if there is none.
  bool readMeta(std::string& syntax) {
    bool any = false;
    while (*stream_) {
      const std::uint64_t start = position_;
      const auto group = number(2, false), element = number(2, false);
      if (!*stream_ || group != 2) {
        stream_->clear();
        position_ = start;
        stream_->seekg(static_cast<std::streamoff>(position_));
        return any;
      }
      any = true;
      std::array<char, 2> vr{};
      stream_->read(vr.data(), 2);
      position_ += 2;
      std::uint64_t length = 0;
      if (longLength({vr.data(), 2})) {
        number(2, false);
        length = number(4, false);
      } else {
        length = number(2, false);
      }
      if (element == 0x10 && length <= 64) {
        syntax.resize(length);
        stream_->read(syntax.data(), static_cast<std::streamsize>(length));
        position_ += length;
        while (!syntax.empty() && (syntax.back() == '\0' || syntax.back() == ' ')) syntax.pop_back();
      } else {
        skip(length);
      }
    }
    return any;
  }

  /// One element or item. False if it cannot be understood.
  bool step() {
    const Level here = levels_.back();
    const auto group = number(2, big_), element = number(2, big_);
    if (!*stream_) return false;
    if (here.sequence) {
      const auto length = number(4, big_);
      if (group != 0xfffe) return false;
      if (element == 0xe0dd) {
        levels_.pop_back();
        return true;
      }
      if (element != 0xe000) return false;
      if (here.fragments) {
        if (length == kUndefined) return false;
        skip(length);
      } else {
        open({.implicit = here.implicit}, length);
      }
      return true;
    }
    if (group == 0xfffe) {
      number(4, big_);
      if (element != 0xe00d || levels_.size() < 2) return false;
      levels_.pop_back();
      return true;
    }
    std::string vr;
    std::uint64_t length = 0;
    if (here.implicit) {
      length = number(4, big_);
    } else {
      vr.resize(2);
      stream_->read(vr.data(), 2);
      position_ += 2;
      if (longLength(vr)) {
        number(2, big_);
        length = number(4, big_);
      } else {
        length = number(2, big_);
      }
    }
    if (!*stream_) return false;
    // Without a VR, or with UN (PS3.5 6.2.2 note 2: its content is implicit), only the first bytes reveal a sequence.
    const bool unknown = here.implicit || vr == "UN";
    if (vr == "SQ" || length == kUndefined) {
      const bool fragments = vr == "OB" || vr == "OW";
      open({.sequence = true, .implicit = unknown, .fragments = fragments}, length);
    } else if (unknown && length >= 8 && startsWithItem()) {
      open({.sequence = true, .implicit = unknown, .guess = true}, length);
    } else {
      skip(length);
    }
    return true;
  }

  void open(Level level, std::uint64_t length) {
    level.end = length == kUndefined ? kOpen : position_ + length;
    levels_.push_back(level);
  }

  bool startsWithItem() {
    std::array<unsigned char, 4> bytes{};
    stream_->read(reinterpret_cast<char*>(bytes.data()), 4);
    stream_->clear();
    stream_->seekg(static_cast<std::streamoff>(position_));
    static constexpr std::array<unsigned char, 4> kLittle{0xfe, 0xff, 0x00, 0xe0}, kBig{0xff, 0xfe, 0xe0, 0x00};
    return bytes == (big_ ? kBig : kLittle);
  }

  /// A guessed sequence whose content makes no sense is skipped as a plain value.
  bool leaveGuess() {
    for (std::size_t i = levels_.size(); i-- > 0;) {
      if (!levels_[i].guess) continue;
      position_ = levels_[i].end;
      stream_->clear();
      stream_->seekg(static_cast<std::streamoff>(position_));
      levels_.resize(i);
      return true;
    }
    return false;
  }

  std::filesystem::path path_;
  std::unique_ptr<std::istream> stream_;
  std::uint64_t position_ = 0;
  bool big_ = false;
  std::vector<Level> levels_;
};

}  // namespace

Structure structureOf(const std::filesystem::path& path) { return Walker(path).structure(); }

Message faultOf(Structure structure) {
  switch (structure) {
    case Structure::kTooDeep:
      return {"dicom.nested_too_deep", {{"deepest", kDeepestNesting}}};
    case Structure::kSwollen:
      return {"dicom.deflated_too_far", {{"most", kMostInflated}}};
    case Structure::kSound:
      break;
  }
  return {};
}

}  // namespace rayset::dicom
