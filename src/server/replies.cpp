#include "server/replies.h"

#include <fmt/format.h>

#include <array>

#include "geometry/json.h"
#include "server/case_codec.h"

namespace rayset::server {
namespace {

std::string dumped(const Json& j) { return j.dump(-1, ' ', false, Json::error_handler_t::replace); }

void append(std::string& out, const void* data, std::size_t bytes) {
  out.append(static_cast<const char*>(data), bytes);
}

Json lineJson(const std::vector<Eigen::Vector2d>& line) {
  Json out = Json::array();
  for (const auto& p : line) out.push_back({rounded(p.x(), 2), rounded(p.y(), 2)});
  return out;
}

}  // namespace

Reply jsonReply(const Json& j, int status) {
  Reply reply;
  reply.status = status;
  reply.document = j;
  return reply;
}

Reply errorReply(int status, const Error& error) { return jsonReply({{"error", errorCodec().write(error)}}, status); }
Reply errorReply(const Error& error) {
  switch (error.fault) {
    case Fault::kRequest:
      return errorReply(400, error);
    case Fault::kImages:
      return errorReply(422, error);
    case Fault::kCancelled:
    case Fault::kInternal:
      break;
  }
  return errorReply(500, error);
}
Reply badRequest(Message what, std::string where, Message remedy) {
  return errorReply(400, {Fault::kRequest, std::move(what), std::move(where), std::move(remedy)});
}
Reply notFound(std::string where) {
  return errorReply(404,
                    {Fault::kRequest, "server.nothing_here", std::move(where), Message("server.go_back_list_cases")});
}
Reply busy() {
  return errorReply(409, {Fault::kRequest, "server.job_case_running", "job", Message("server.wait_stop")});
}
Reply replyOf(const Result<Json>& result) { return result ? jsonReply(*result) : errorReply(result.error()); }

Reply emptyReply() {
  Reply reply;
  reply.status = 204;
  return reply;
}

Reply bytesReply(std::string type, std::string bytes) {
  Reply reply;
  reply.type = std::move(type);
  reply.body = std::move(bytes);
  return reply;
}

Reply download(std::string type, const std::string& name, std::string body) {
  Reply reply = bytesReply(std::move(type), std::move(body));
  reply.headers.emplace_back("Content-Disposition", fmt::format("attachment; filename=\"{}\"", name));
  return reply;
}

Reply sliceReply(const Slice& s) {
  Json head{{"width", s.width},
            {"height", s.height},
            {"mm_per_pixel", s.mm_per_pixel},
            {"origin", pointJson(s.origin, 4)},
            {"right", pointJson(s.right, 9)},
            {"down", pointJson(s.down, 9)},
            {"normal", pointJson(s.normal, 9)}};
  head["outlines"] = Json::array();
  for (const Slice::Outline& o : s.outlines) {
    Json lines = Json::array();
    for (const auto& line : o.lines) lines.push_back(lineJson(line));
    head["outlines"].push_back({{"body", o.body}, {"lines", std::move(lines)}});
  }
  head["left"] = s.left;
  head["right_word"] = s.right_word;
  head["top"] = s.top;
  head["bottom"] = s.bottom;
  head["margin_mm"] = s.has_margin ? Json(rounded(s.margin_mm, 3)) : Json(nullptr);
  head["margin_at"] = s.has_margin ? Json({rounded(s.margin_at.x(), 2), rounded(s.margin_at.y(), 2)}) : Json(nullptr);
  const std::string text = dumped(head);
  std::string body;
  const auto length = static_cast<std::uint32_t>(text.size());
  append(body, &length, sizeof length);
  body += text;
  body.resize((body.size() + 3) / 4 * 4, '\0');
  append(body, s.hu.data(), s.hu.size() * sizeof(std::int16_t));
  return bytesReply("application/octet-stream", std::move(body));
}

std::string meshBytes(const Surface& mesh) {
  std::string out;
  const auto vertices = static_cast<std::uint32_t>(mesh.vertices.size());
  const auto triangles = static_cast<std::uint32_t>(mesh.triangles.size());
  out.reserve(8 + 12 * (mesh.vertices.size() + mesh.triangles.size()));
  append(out, &vertices, 4);
  append(out, &triangles, 4);
  for (const Vec3& v : mesh.vertices) {
    const std::array<float, 3> xyz{static_cast<float>(v.x()), static_cast<float>(v.y()), static_cast<float>(v.z())};
    append(out, xyz.data(), sizeof xyz);
  }
  for (const auto& t : mesh.triangles) append(out, t.data(), sizeof t);
  return out;
}

}  // namespace rayset::server
