#include "workspace/edit_fields.h"

#include <fmt/format.h>

#include <algorithm>

namespace rayset {
namespace {

constexpr double kFarMm = 5000;  // no scanner reaches farther from its origin

}  // namespace

namespace fields {

codec::Codec<Vec3> point() {
  return codec::such(codec::point(-1), Message("workspace.not_point_within", {{"far_mm", mm(kFarMm, -1)}}),
                     [](const Vec3& p) { return p.cwiseAbs().maxCoeff() <= kFarMm; });
}

}  // namespace fields

Status onlyKnownFields(const EditJson& payload, const std::string& kind, const std::vector<std::string>& known,
                       const std::string& form) {
  if (!payload.is_object())
    return fail(Fault::kRequest, "workspace.edit_has_no_fields", kind, Message("workspace.they", {{"form", form}}));
  for (const auto& [key, value] : payload.items())
    if (std::ranges::find(known, key) == known.end())
      return fail(Fault::kRequest, Message("workspace.unknown_field", {{"substr", key.substr(0, 60)}}), kind,
                  Message("workspace.known", {{"form", form}}));
  return {};
}

tl::unexpected<Error> wrongPayload(const codec::BadField& bad, const std::string& kind) {
  const Value field =
      bad.where.empty() ? Value(Message("workspace.edit")) : Value(fmt::format("\"{}\"", bad.where.substr(1)));
  return fail(Fault::kRequest, {"workspace.field_problem", {{"field", field}, {"problem", bad.what}}}, kind,
              bad.remedy);
}

}  // namespace rayset
