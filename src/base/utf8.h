// UTF-8: checked, counted and cut by utfcpp, here alone. A character is a code point.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace rayset {

/// Well-formed: RFC 3629.
[[nodiscard]] bool isUtf8(std::string_view text);
/// Code points; what is not well-formed becomes U+FFFD.
[[nodiscard]] std::u32string codePoints(std::string_view text);
/// `code_points` are characters, as from codePoints() or of Latin-1.
[[nodiscard]] std::string utf8From(std::u32string_view code_points);
[[nodiscard]] std::size_t characterCount(std::string_view text);
/// At most `most` characters from the start.
[[nodiscard]] std::string firstCharacters(std::string_view text, std::size_t most);
/// Whether there are control characters, of ASCII or beyond (U+0080 to U+009F).
[[nodiscard]] bool hasControls(std::string_view text);

}  // namespace rayset
