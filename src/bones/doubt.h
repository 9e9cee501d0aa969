// Why a bone may be wrong, and when it counts as doubtful: shared by all segmenters.
#pragma once

#include <array>
#include <string_view>

namespace rayset {

/// Why a bone may be wrong. The words of doubtWord() are those of plan.json (bones[].doubts).
enum class Doubt {
  kTouching,
  kCropped,
  kMetal,
  kLowDensity,
  kFaintOutline,
  kOddVolume,
  kEndMissing,
  kTakenAlong,
  kNotFound
};

inline constexpr std::array<Doubt, 9> kDoubts{Doubt::kTouching,   Doubt::kCropped,      Doubt::kMetal,
                                              Doubt::kLowDensity, Doubt::kFaintOutline, Doubt::kOddVolume,
                                              Doubt::kEndMissing, Doubt::kTakenAlong,   Doubt::kNotFound};
/// "touching", "cropped", "metal", "low density", "faint outline", "odd volume", "end missing", "taken along" (includes
/// a piece of a neighbour), "not found".
[[nodiscard]] std::string_view doubtWord(Doubt doubt);

/// Below this a bone counts as doubtful: more likely than not it is wrong by over kDoubtfulErrorMm somewhere.
inline constexpr double kDoubtful = 0.5;
inline constexpr double kDoubtfulErrorMm = 0.5;

}  // namespace rayset
