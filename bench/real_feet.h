// The real feet that benchmarks and tests may use, by person: a figure is reported with its person left out of whatever
// was tuned. They lie in ../shared/data/feet, one folder a foot; nothing of them enters the repository but figures.
#pragma once

#include <array>
#include <filesystem>
#include <string>
#include <string_view>

#include "anatomy/bones.h"
#include "geometry/side.h"

namespace rayset::bench {

struct RealFoot {
  std::string_view person;  ///< folder of the person, and what data/joints.json calls them
  Side side;

  [[nodiscard]] std::string name() const { return std::string(person) + (side == Side::kRight ? "-right" : "-left"); }
  [[nodiscard]] std::filesystem::path folder(const std::filesystem::path& feet) const {
    return feet / person / (sideWord(side));
  }
};

inline constexpr std::array<RealFoot, 7> kRealFeet{{{"vsd-z027", Side::kRight},
                                                    {"vsd-z027", Side::kLeft},
                                                    {"visible-human-m", Side::kRight},
                                                    {"tlem2", Side::kRight},
                                                    {"tlem2", Side::kLeft},
                                                    {"jia", Side::kRight},
                                                    {"jia", Side::kLeft}}};

/// The other foot of the same person; null where there is none.
[[nodiscard]] inline const RealFoot* otherOf(const RealFoot& foot) {
  for (const RealFoot& f : kRealFeet)
    if (f.person == foot.person && f.side != foot.side) return &f;
  return nullptr;
}

}  // namespace rayset::bench
