#include "dicom/uid.h"

#include <algorithm>
#include <bit>
#include <cstring>

namespace rayset::dicom {
namespace {
std::uint64_t mixed(
    std::uint64_t x) {  // the finaliser of SplitMix64 (Steele, Lea and Flood 2014; constants from memory)
  x ^= x >> 30;
  x *= 0xbf58476d1ce4e5b9u;
  x ^= x >> 27;
  x *= 0x94d049bb133111ebu;
  return x ^ x >> 31;
}
}  // namespace

Hash& Hash::add(const void* data, std::size_t bytes) {
  constexpr std::uint64_t kPrime = 0x100000001b3u;
  const auto* p = static_cast<const unsigned char*>(data);
  // Eight bytes at a time: volumes are hashed too.
  while (bytes >= 8) {
    std::uint64_t word = 0;
    std::memcpy(&word, p, 8);
    a_ = (a_ ^ mixed(word)) * kPrime;
    b_ = (std::rotl(b_, 23) ^ word) * kPrime;
    p += 8;
    bytes -= 8;
  }
  while (bytes-- > 0) {
    a_ = (a_ ^ *p) * kPrime;
    b_ = (std::rotl(b_, 23) ^ *p) * kPrime;
    ++p;
  }
  return *this;
}

Hash& Hash::add(std::string_view text) {
  add(static_cast<std::uint64_t>(text.size()));  // so that ("ab", "c") and ("a", "bc") differ
  return add(text.data(), text.size());
}

Hash& Hash::add(std::uint64_t value) { return add(&value, sizeof value); }
Hash& Hash::add(double value) { return add(&value, sizeof value); }
std::uint64_t Hash::high() const { return mixed(a_ + 0x9e3779b97f4a7c15u); }
std::uint64_t Hash::low() const { return mixed(b_ ^ mixed(a_)); }

std::string makeUid(const Hash& hash) {
  const std::uint64_t high = (hash.high() & 0xffffffffffff0fffu) | 0x8000u;            // version 8
  const std::uint64_t low = (hash.low() & 0x3fffffffffffffffu) | 0x8000000000000000u;  // variant 10
  __extension__ using Wide = unsigned __int128;
  Wide value = static_cast<Wide>(high) << 64 | low;
  std::string digits;
  while (value > 0) {
    digits += static_cast<char>('0' + static_cast<int>(value % 10));
    value /= 10;
  }
  std::reverse(digits.begin(), digits.end());
  return "2.25." + digits;
}

}  // namespace rayset::dicom
