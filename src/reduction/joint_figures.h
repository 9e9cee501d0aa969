// A tarsometatarsal joint in figures: how the borders of its two bones meet on each side, how wide and even its gap is,
// how close the neighbouring bases are. Measured on the scan and on real feet that were never injured
// (data/joints.json); the difference shows whether a ray is where it belongs.
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

/// The gap of a foot's joints if its own cannot be measured, mm (ours; radiographic joint space is 1 to 2 mm, from
/// memory).
inline constexpr double kUsualGapMm = 1.5;

/// One joint as it is.
struct JointFigures {
  double gap_mm = 0;           ///< median over the area facing the metatarsal
  double dorsal_tilt_rad = 0;  ///< the gap opens dorsally
  double medial_tilt_rad = 0;  ///< the gap opens medially
  double near_mm2 = 0;  ///< area of the tarsal bone facing the metatarsal within the usual gap of this foot plus 1.5 mm
};

struct FootFigures {
  PerRay<JointFigures> joints;               ///< absent if the bones do not face each other
  std::map<std::string, double> borders_mm;  ///< mean signed distance, by the border's name (borders.h)
  std::map<std::string, double> shafts_rad;  ///< by the name of the angle (shafts.h)
  std::optional<double> cuneonavicular_mm;   ///< gap of joints that the injury spares: the usual gap of this foot
  [[nodiscard]] double usualGap() const { return cuneonavicular_mm.value_or(kUsualGapMm); }
};

/// Median of the gaps between the cuneiforms and the navicular, which the injury spares, mm; nullopt if they do not
/// face each other. `navicular`: its distance, same frame.
[[nodiscard]] std::optional<double> cuneonavicularGap(const BoneSurfaces& bones, const DistanceField& navicular);

/// `fields`: distance field of each bone in `bones`, patient frame; bones in both are measured.
[[nodiscard]] FootFigures measureJoints(const BoneSurfaces& bones, const std::map<Bone, DistanceField>& fields,
                                        Side side);
/// The same with the angles between shafts.
[[nodiscard]] FootFigures measureFoot(const BoneSurfaces& bones, const std::map<Bone, DistanceField>& fields,
                                      Side side);

/// Mean over people, and how far a new person may be from it (one standard deviation).
struct Norm {
  double mean = 0, spread = 0;
};
struct JointNorms {
  std::map<std::string, Norm> borders_mm;  ///< by the border's name; a closeness is relative to the foot's usual gap
  std::map<std::string, Norm> shafts_rad;  ///< by the name of the angle
  PerRay<Norm> gap_mm;                     ///< relative to the foot's usual gap
  PerRay<Norm> dorsal_tilt_rad, medial_tilt_rad;
  int people = 0;
};
/// Norms of the people in `file` except `leave_out`; the feet of one person count as one. The spread is that of the
/// feet about the mean, shrunk towards `kUsualSpreadMm` as if two more people had that, since a few people
/// underestimate it.
[[nodiscard]] Result<JointNorms> readJointNorms(const std::filesystem::path& file, const std::string& leave_out = {});

/// The norms for a person whose other foot has these figures: population and other foot, each weighted by its spread. A
/// foot differs less from the same person's other foot than from other people's feet.
[[nodiscard]] JointNorms personalNorms(const JointNorms& people, const FootFigures& twin);

/// The foot's figures as an entry of data/joints.json.
[[nodiscard]] std::string figuresJson(const FootFigures& figures, Side side);

}  // namespace rayset::reduction
