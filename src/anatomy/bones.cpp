#include "anatomy/bones.h"

#include <algorithm>

#include "geometry/side.h"

namespace rayset {
namespace {

struct Entry {
  Bone bone;
  std::string_view id;
};
constexpr std::array<Entry, 16> kEntries{{{Bone::kM1, "M1"},
                                          {Bone::kM2, "M2"},
                                          {Bone::kM3, "M3"},
                                          {Bone::kM4, "M4"},
                                          {Bone::kM5, "M5"},
                                          {Bone::kC1, "C1"},
                                          {Bone::kC2, "C2"},
                                          {Bone::kC3, "C3"},
                                          {Bone::kCub, "Cub"},
                                          {Bone::kNav, "Nav"},
                                          {Bone::kTal, "Tal"},
                                          {Bone::kCal, "Cal"},
                                          {Bone::kTibia, "tibia"},
                                          {Bone::kFibula, "fibula"},
                                          {Bone::kToes, "toes"},
                                          {Bone::kSesamoids, "sesamoids"}}};

const Entry& entry(Bone bone) { return kEntries[static_cast<std::size_t>(bone) - 1]; }

}  // namespace

std::string_view boneId(Bone bone) { return entry(bone).id; }

std::optional<Bone> boneFromId(std::string_view id) {
  for (const Entry& e : kEntries) {
    if (e.id == id) return e.bone;
  }
  return std::nullopt;
}

Bone metatarsal(Ray ray) { return kMetatarsals[ray.index()]; }

Bone tarsalPartner(Ray ray) {
  constexpr std::array<Bone, 5> kPartners{Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub, Bone::kCub};
  return kPartners[ray.index()];
}

std::optional<Ray> rayOf(Bone bone) {
  const auto it = std::ranges::find(kMetatarsals, bone);
  return it == kMetatarsals.end() ? std::nullopt : Ray::from(static_cast<int>(it - kMetatarsals.begin()) + 1);
}

std::string_view ordinal(Ray ray) {
  constexpr std::array<std::string_view, 5> kWords{"first", "second", "third", "fourth", "fifth"};
  return kWords[ray.index()];
}

Message nameOf(Bone bone) { return Message::made("bone." + std::string(boneId(bone))); }
Message nameOf(Ray ray) { return Message::made("ray." + std::to_string(ray.number())); }

BoneSurfaces mirrored(const BoneSurfaces& bones) {
  BoneSurfaces out;
  for (const auto& [bone, surface] : bones) out.emplace(bone, mirrored(surface));
  return out;
}

Foot mirrored(const Foot& foot) { return {opposite(foot.side), mirrored(foot.bones)}; }

Result<BoneSurfaces> readBoneFolder(const std::filesystem::path& folder) {
  std::error_code problem;
  if (!std::filesystem::is_directory(folder, problem)) {
    return fail(Fault::kRequest, "anatomy.folder_bone_surfaces_does_not_exist", folder.string(),
                Message("anatomy.check_path"));
  }
  std::vector<std::filesystem::path> files;
  for (const auto& item : std::filesystem::directory_iterator(folder, problem)) {
    if (item.path().extension() == ".stl") files.push_back(item.path());
  }
  std::sort(files.begin(), files.end());
  BoneSurfaces bones;
  for (const auto& file : files) {
    const std::string stem = file.stem().string();
    std::optional<Bone> bone = boneFromId(stem);
    if (stem.rfind("sesamoid", 0) == 0) bone = Bone::kSesamoids;
    if (!bone) continue;
    auto surface = readStl(file);
    if (!surface) return tl::unexpected(surface.error());
    if (!isClosed(*surface)) {
      Surface cleaned = withoutFlaps(*surface);
      if (isClosed(cleaned)) *surface = std::move(cleaned);
    }
    auto [it, fresh] = bones.try_emplace(*bone, std::move(*surface));
    if (!fresh) it->second = merged({&it->second, &*surface});
  }
  const bool any = std::any_of(kMidfootBones.begin(), kMidfootBones.end(), [&](Bone b) { return bones.contains(b); });
  if (!any) {
    return fail(Fault::kRequest, "anatomy.folder_has_no_bone_surface_name", folder.string(),
                Message("anatomy.name_stl_files_m1_m5_c1"));
  }
  return bones;
}

}  // namespace rayset
