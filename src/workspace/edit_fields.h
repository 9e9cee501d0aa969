// Payloads of edits as tables of base/codec.h: `P` is the struct that they fill.
#pragma once

#include <string>
#include <vector>

#include "base/message.h"
#include "base/message_codec.h"
#include "geometry/codec.h"
#include "workspace/edit_state.h"

namespace rayset {

template <class P>
using EditFields = std::vector<codec::Field<P>>;

namespace fields {

/// Patient frame (LPS), mm; as it is, and no farther off than a scanner reaches.
[[nodiscard]] codec::Codec<Vec3> point();

/// Sentences that complete() adds.
template <class P>
[[nodiscard]] codec::Field<P> cautions(std::vector<Message> P::*member) {
  return codec::field("cautions", codec::messages(), member).onlyWhere([member](const P& p) {
    return !(p.*member).empty();
  });
}

}  // namespace fields

/// Rejects a payload with other fields than these, which errors give as `form`. kRequest.
[[nodiscard]] Status onlyKnownFields(const EditJson& payload, const std::string& kind,
                                     const std::vector<std::string>& known, const std::string& form);
/// kRequest: "\"FIELD\" is missing", naming the edit's `kind`.
[[nodiscard]] tl::unexpected<Error> wrongPayload(const codec::BadField& bad, const std::string& kind);

template <class P>
[[nodiscard]] Result<P> payloadFrom(const codec::Codec<P>& table, const EditJson& payload, const std::string& kind) {
  try {
    return table.from(payload, "");
  } catch (const codec::BadField& bad) {
    return wrongPayload(bad, kind);
  } catch (const EditJson::exception& e) {
    return wrongPayload({"", {"workspace.cannot_be_read", {{"why", e.what()}}}}, kind);
  }
}

}  // namespace rayset
