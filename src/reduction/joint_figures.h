// What a tarsometatarsal joint looks like, in figures: how the borders of its two bones meet on each side, how wide and
// how even its gap is, how close the neighbouring bases lie. Measured on a scan, and on real feet that were never
// injured (data/joints.json): the difference is what tells whether a ray stands where it belongs.
#pragma once

#include <array>
#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/result.h"
#include "geometry/distance_field.h"

namespace rayset::reduction {

/// The gap of a foot's joints where its own cannot be measured, mm (ours; reference.md C: 1 to 2 mm, from memory).
inline constexpr double kUsualGapMm = 1.5;

/// One joint, as it stands.
struct JointFigures {
  double gap_mm = 0;           ///< median over what faces the metatarsal
  double dorsal_tilt_rad = 0;  ///< the gap opens dorsally
  double medial_tilt_rad = 0;  ///< the gap opens medially
  double near_mm2 = 0;         ///< of the tarsal bone, facing the metatarsal within 1.5 mm more than is usual here
};

struct FootFigures {
  PerRay<JointFigures> joints;               ///< absent where the bones do not face each other
  std::map<std::string, double> borders_mm;  ///< mean signed distance, by the border's name (borders.h)
  std::map<std::string, double> shafts_rad;  ///< by the name of the angle (shafts.h)
  std::optional<double> cuneonavicular_mm;   ///< gap of joints that the injury leaves alone: what is usual here
  [[nodiscard]] double usualGap() const { return cuneonavicular_mm.value_or(kUsualGapMm); }
};

/// Median of the gaps between the cuneiforms and the navicular, which the injury leaves alone, mm; nullopt where they
/// do not face each other. `navicular`: its distance, same frame.
[[nodiscard]] std::optional<double> cuneonavicularGap(const BoneSurfaces& bones, const DistanceField& navicular);

/// `fields`: distance of each bone, as `bones`, patient frame; the bones measured are those in both.
[[nodiscard]] FootFigures measureJoints(const BoneSurfaces& bones, const std::map<Bone, DistanceField>& fields,
                                        Side side);
/// The same with the angles between shafts.
[[nodiscard]] FootFigures measureFoot(const BoneSurfaces& bones, const std::map<Bone, DistanceField>& fields,
                                      Side side);

/// Mean over people and how far a person not among them may be from it (one standard deviation).
struct Norm {
  double mean = 0, spread = 0;
};
struct JointNorms {
  std::map<std::string, Norm> borders_mm;  ///< by the border's name; a closeness over the foot's usual gap
  std::map<std::string, Norm> shafts_rad;  ///< by the name of the angle
  PerRay<Norm> gap_mm;                     ///< over the foot's usual gap
  PerRay<Norm> dorsal_tilt_rad, medial_tilt_rad;
  int people = 0;
};
/// Norms of the people in `file` but `leave_out`; the feet of one person count as one. The spread is that of the feet
/// about the mean, drawn towards `kUsualSpreadMm` as if two more people had it, for few people show little of it.
[[nodiscard]] Result<JointNorms> readJointNorms(const std::filesystem::path& file, const std::string& leave_out = {});

/// The norms of one person whose other foot has these figures: what people have and what the twin has, each weighed by
/// its spread. A foot differs from its twin by less than from other people's.
[[nodiscard]] JointNorms personalNorms(const JointNorms& people, const FootFigures& twin);

/// The foot's figures as an entry of data/joints.json.
[[nodiscard]] std::string figuresJson(const FootFigures& figures, Side side);

}  // namespace rayset::reduction
