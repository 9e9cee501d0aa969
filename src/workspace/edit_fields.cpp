#include "workspace/edit_fields.h"

#include <fmt/format.h>

#include <algorithm>

namespace rayset {
namespace {

constexpr double kFarMm = 5000;  // no scanner reaches farther from its origin

}  // namespace

namespace fields {

codec::Codec<Vec3> point() {
  return codec::such(codec::point(-1), fmt::format("is not a point within {:g} mm", kFarMm),
                     [](const Vec3& p) { return p.cwiseAbs().maxCoeff() <= kFarMm; });
}

}  // namespace fields

Status onlyKnownFields(const EditJson& payload, const std::string& kind, const std::vector<std::string>& known,
                       const std::string& form) {
  if (!payload.is_object()) return fail(Fault::kRequest, "the edit has no fields", kind, "They are " + form + ".");
  for (const auto& [key, value] : payload.items())
    if (std::ranges::find(known, key) == known.end())
      return fail(Fault::kRequest, fmt::format("an unknown field \"{}\"", key.substr(0, 60)), kind,
                  "Known are " + form + ".");
  return {};
}

tl::unexpected<Error> wrongPayload(const codec::BadField& bad, const std::string& kind) {
  const std::string field = bad.where.empty() ? "the edit" : fmt::format("\"{}\"", bad.where.substr(1));
  return fail(Fault::kRequest, field + " " + bad.what, kind, bad.remedy);
}

}  // namespace rayset
