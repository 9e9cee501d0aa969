// The bones of the foot, their ids (plan contract), names, label values and neighbours.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "anatomy/ray.h"
#include "base/message.h"
#include "geometry/surface.h"

namespace rayset {

/// Label values of labels.nrrd are the underlying values; 0 is background.
enum class Bone : std::uint8_t {
  kM1 = 1,
  kM2 = 2,
  kM3 = 3,
  kM4 = 4,
  kM5 = 5,
  kC1 = 6,
  kC2 = 7,
  kC3 = 8,
  kCub = 9,
  kNav = 10,
  kTal = 11,
  kCal = 12,
  kTibia = 13,
  kFibula = 14,
  kToes = 15,
  kSesamoids = 16
};

/// The twelve bones a plan is about, in the order of the contract.
inline constexpr std::array<Bone, 12> kMidfootBones{Bone::kM1,  Bone::kM2,  Bone::kM3,  Bone::kM4,
                                                    Bone::kM5,  Bone::kC1,  Bone::kC2,  Bone::kC3,
                                                    Bone::kCub, Bone::kNav, Bone::kTal, Bone::kCal};
[[nodiscard]] constexpr bool isMidfootBone(Bone bone) {
  return std::find(kMidfootBones.begin(), kMidfootBones.end(), bone) != kMidfootBones.end();
}
/// Bones that a tarsometatarsal injury leaves in place; the foot frame and the mirror registration are based on them.
inline constexpr std::array<Bone, 5> kMidTarsus{Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub, Bone::kNav};
inline constexpr std::array<Bone, 5> kMetatarsals{Bone::kM1, Bone::kM2, Bone::kM3, Bone::kM4, Bone::kM5};

/// "M2", "Cub", "tibia"...; the id in plan.json and the file name of a surface.
[[nodiscard]] std::string_view boneId(Bone bone);
[[nodiscard]] std::optional<Bone> boneFromId(std::string_view id);
[[nodiscard]] constexpr std::uint8_t label(Bone bone) { return static_cast<std::uint8_t>(bone); }

/// The bones of a ray: its metatarsal, and the tarsal bone that carries it:
[[nodiscard]] Bone metatarsal(Ray ray);
/// C1, C2, C3, Cub, Cub.
[[nodiscard]] Bone tarsalPartner(Ray ray);
[[nodiscard]] std::optional<Ray> rayOf(Bone metatarsal);
/// "first", ..., "fifth".
[[nodiscard]] std::string_view ordinal(Ray ray);
/// "second metatarsal", "second" (of a ray): for messages.
[[nodiscard]] Message nameOf(Bone bone);
[[nodiscard]] Message nameOf(Ray ray);

/// A named set of surfaces in one frame.
using BoneSurfaces = std::map<Bone, Surface>;

/// A foot: its side and its bones. Right foot standing in LPS: distal = -y, medial = +x, dorsal = +z (procedural foot).
struct Foot {
  Side side = Side::kRight;
  BoneSurfaces bones;
};
/// The foot of the other side, mirrored in x = 0.
[[nodiscard]] Foot mirrored(const Foot& foot);
[[nodiscard]] BoneSurfaces mirrored(const BoneSurfaces& bones);

/// Reads every <bone id>.stl (sesamoid_* and toes merged into one part each) in a folder. Fails if none of the twelve
/// midfoot bones is there; the error names the folder. A surface that would be closed but for flaps loses them.
[[nodiscard]] Result<BoneSurfaces> readBoneFolder(const std::filesystem::path& folder);

}  // namespace rayset
