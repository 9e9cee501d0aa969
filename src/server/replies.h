// Replies: JSON, errors in words, and the binary formats that the page draws.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "base/message.h"
#include "base/result.h"
#include "geometry/surface.h"
#include "server/http.h"
#include "workspace/views.h"

namespace rayset::server {

using Json = nlohmann::ordered_json;

[[nodiscard]] Reply jsonReply(const Json& j, int status = 200);
[[nodiscard]] Reply errorReply(int status, const Error& error);
/// 400 (request), 422 (images) or 500.
[[nodiscard]] Reply errorReply(const Error& error);
[[nodiscard]] Reply badRequest(Message what, std::string where = {}, Message remedy = {});
[[nodiscard]] Reply notFound(std::string where);
/// A job of the case is running.
[[nodiscard]] Reply busy();
[[nodiscard]] Reply replyOf(const Result<Json>& result);
/// 204
[[nodiscard]] Reply emptyReply();
[[nodiscard]] Reply bytesReply(std::string type, std::string bytes);
/// To be saved under a name.
[[nodiscard]] Reply download(std::string type, const std::string& name, std::string body);

/// Head in JSON, then pixels: docs/decisions/workstation.md.
[[nodiscard]] Reply sliceReply(const Slice& slice);
[[nodiscard]] std::string meshBytes(const Surface& mesh);

}  // namespace rayset::server
