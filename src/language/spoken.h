// Messages in our JSON. In memory and on the way to the page a message is {"say": code, "with": {...}}; files, which
// people and other programs read, hold its sentence in place of it, and the code where nobody has to look:
//
//   "cautions": ["M2 is cut off by the field of view."],
//   "messages": {"/cautions/0": {"say": "bones.cut_off", "with": {"bone": "M2"}}}
#pragma once

#include <nlohmann/json.hpp>

#include "language/words.h"

namespace rayset {

/// Every message in the document as its sentence, and their codes by JSON pointer (RFC 6901) under "messages".
[[nodiscard]] nlohmann::ordered_json spoken(nlohmann::ordered_json document, const Words& words);
/// The same without the codes: for those who only read it.
[[nodiscard]] nlohmann::ordered_json inWords(nlohmann::ordered_json document, const Words& words);
/// The way back. A sentence that was changed since, or has no code, stays a sentence.
[[nodiscard]] nlohmann::ordered_json unspoken(nlohmann::ordered_json document);

}  // namespace rayset
