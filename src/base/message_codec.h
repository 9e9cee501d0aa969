// The JSON form of a message (language/spoken.h).
#pragma once

#include <vector>

#include "base/codec.h"
#include "base/message.h"

namespace rayset::codec {

[[nodiscard]] bool isMessage(const Json& j);
/// A plain text is read as one that is quoted; null and "" as none. Nothing to say is written as "".
[[nodiscard]] Codec<Message> message();
/// One that is never empty.
[[nodiscard]] Codec<Message> said();
/// None of them empty.
[[nodiscard]] Codec<std::vector<Message>> messages();
/// "messages" of a file: written and read by language/spoken.h.
template <class T>
[[nodiscard]] Field<T> messageTable() {
  Field<T> out;
  out.key = "messages";
  out.write = [](const T&) { return leftOut(); };
  out.read = [](const Json&, const std::string&, T&) {};
  out.schema = {{"type", "object"}, {"description", "codes of the sentences in this file, by JSON pointer"}};
  out.type = "Record<string, unknown>";
  out.presence = Presence::kSometimes;
  return out;
}

}  // namespace rayset::codec
