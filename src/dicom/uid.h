// Unique identifiers that are the same for the same content.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

namespace rayset::dicom {

/// A 128-bit hash (two FNV-1a streams with different offsets, mixed; not cryptographic).
class Hash {
 public:
  Hash& add(std::string_view bytes);
  Hash& add(const void* data, std::size_t bytes);
  Hash& add(std::uint64_t value);
  Hash& add(double value);
  [[nodiscard]] std::uint64_t high() const;
  [[nodiscard]] std::uint64_t low() const;

 private:
  std::uint64_t a_ = 0xcbf29ce484222325u;
  std::uint64_t b_ = 0x84222325cbf29ce4u;
};

/// "2.25." and the hash as a decimal UUID (PS3.5 B.2; the version and variant bits of RFC 9562 version 8 are set).
[[nodiscard]] std::string makeUid(const Hash& hash);

}  // namespace rayset::dicom
