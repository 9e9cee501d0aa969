// The procedural foot: every bone an implicit surface with published morphometry. It is the template of the
// segmentation and the congruence prior, and the demo patient. Its navicular is shaped and placed from measurements on
// real feet of four people (bench_reduction --likeness shows how close every bone comes to theirs); it contains no mesh
// of a person.
#pragma once

#include <cstdint>

#include "anatomy/bones.h"

namespace rayset {

/// Shape of one synthetic foot; every default is the mean of the source named in procedural_foot.cpp.
/// Multipliers are relative to the mean adult foot.
struct FootShape {
  double size = 1.0;               ///< overall scale, 0.85 to 1.15
  double width = 1.0;              ///< transverse scale on top of size, 0.9 to 1.1
  double arch_rad = 0.35;          ///< declination of the first metatarsal to the floor
  double transverse_arch = 1.0;    ///< height of the transverse arch, 0.7 to 1.3
  double shaft_bow = 1.0;          ///< dorsal bow of the metatarsal shafts
  double mortise_depth_mm = 11.0;  ///< recess of the second base behind the first tarsometatarsal joint (before size)
  double joint_gap_mm = 1.3;       ///< bone to bone, tarsometatarsal joints
  double girth = 1.0;              ///< shaft thickness
  double ray_length[5] = {1, 1, 1, 1, 1};  ///< per metatarsal
  double hallux_valgus_rad = 0.14;         ///< first-second intermetatarsal angle
  double individuality_mm = 0.0;           ///< height of broad waves on non-articular surfaces, 0 to 0.8
  double individuality_phase = 0.0;        ///< which waves (radians, any value)
};

/// A shape drawn from the published spread (standard deviations in procedural_foot.cpp); seed 0 is the mean foot.
[[nodiscard]] FootShape randomShape(std::uint32_t seed);

/// Builds the right foot (LPS, standing: distal -y, medial +x, dorsal +z; origin near the middle of the midfoot) with
/// all sixteen parts of `Bone`. `detail_mm`: grid step of the surfaces (0.5 to 1). Deterministic; under 10 s at 0.6 mm.
[[nodiscard]] Foot proceduralFoot(const FootShape& shape = {}, Side side = Side::kRight, double detail_mm = 0.6);
/// The right foot of the mean shape at a detail of 1 mm: the template of every search. Built once per process.
[[nodiscard]] const Foot& meanProceduralFoot();

}  // namespace rayset
