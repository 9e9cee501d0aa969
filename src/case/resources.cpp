#include "case/resources.h"

#include <utility>

#include "bones/segment.h"

namespace rayset {

Result<Resources> readResources(const std::filesystem::path& folder, const std::string& language) {
  auto words = readWords({folder / "words"}, language);
  if (!words) return tl::unexpected(words.error());
  return readResources(folder, *std::move(words));
}

Result<Resources> readResources(const std::filesystem::path& folder, Words words) {
  auto limits = Limits::read(folder / "limits.json");
  if (!limits) return tl::unexpected(limits.error());
  auto catalogue = readCatalogue(folder / "implants.json");
  if (!catalogue) return tl::unexpected(catalogue.error());
  auto joints = reduction::readJointNorms(folder / "joints.json");
  if (!joints) return tl::unexpected(joints.error());
  auto followup = readFollowup(folder / "followup.json");
  if (!followup) return tl::unexpected(followup.error());
  return Resources{std::move(words),   std::move(*limits),   std::move(*catalogue),
                   std::move(*joints), std::move(*followup), std::make_shared<TemplateSegmenter>()};
}

}  // namespace rayset
