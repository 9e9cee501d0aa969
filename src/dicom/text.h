// Text of DICOM headers: trimming, numbers, and decoding to UTF-8.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace rayset::dicom {

/// Without leading and trailing blanks and zero padding bytes.
[[nodiscard]] std::string trimmed(std::string_view text);
/// The values of a multi-valued attribute, trimmed.
[[nodiscard]] std::vector<std::string> splitValues(std::string_view text);
[[nodiscard]] std::string lower(std::string_view text);

/// A decimal string (PS3.5 6.2, DS or IS): the whole text must be one finite number.
[[nodiscard]] std::optional<double> parseDecimal(std::string_view text);
[[nodiscard]] std::optional<long long> parseInteger(std::string_view text);

/// Decodes `raw` from the Specific Character Set (PS3.3 C.12.1.1.2) to UTF-8. `delimiters` are the characters that
/// reset code extensions (PS3.5 6.1.2.5.3: "^=" in person names). The result is always valid UTF-8: what cannot be
/// decoded is taken as Latin-1, control characters are dropped.
[[nodiscard]] std::string toUtf8(const std::string& raw, const std::string& character_set, const char* delimiters = "");

}  // namespace rayset::dicom
