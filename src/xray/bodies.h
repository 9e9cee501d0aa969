// The foot split up for radiographs: each bone cut out of the CT with its grey values, so that it can be filmed in any
// pose without resampling the scan, and the rest of the foot with muscle in place of the bones.
//
// Attenuation adds along a ray, so the parts together give the line integral of the whole: as long as nothing is moved,
// the sum of all parts is the scan itself. A bone takes along the blur that spread beyond its label (kHaloMm) as far as
// it is denser than muscle. A moved bone may overlap another's halo or leave one behind: errors the size of the blur,
// at the edges of what moved.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "image/volume.h"

namespace rayset {

inline constexpr double kMuscleHu = 50;  ///< takes the place of a removed bone
inline constexpr double kAirHu = -1000;
inline constexpr double kHaloMm = 1.0;  ///< how far beyond its label a bone's blur is taken along
/// Soft tissue farther than this from any bone of the foot is left out (the table).
inline constexpr double kSkinMm = 32;

/// A part of the foot that moves as one.
struct Body {
  std::string id;  ///< bone id, fragment id, or "toes.1" to "toes.5": toes, sesamoids and other loose bone of a ray
  CtVolume added;  ///< HU above muscle; 0 outside the bone. Patient frame, as scanned
};

/// Added HU above which a voxel counts as part of the bone's shape.
inline constexpr std::int16_t kOfBone = 200;
/// Volume of bone shared by two bodies at poses A and B (patient frame, as scanned to posed), in mm3; sampled at every
/// other voxel of `a` along each axis.
[[nodiscard]] double sharedBone(const Body& a, const Rigid& A, const Body& b, const Rigid& B);

struct FootBodies {
  std::vector<Body> bones;  ///< by label
  CtVolume soft;            ///< HU above air (0: air), muscle where bones were, as scanned
  [[nodiscard]] const Body* find(const std::string& id) const;
};

/// Splits up one foot of a scan. `labels` are on the grid of `ct`; those of foot number `foot` are what labelInScan()
/// gives, and other feet are left out. Bone without a label goes with the nearest metatarsal. `soft_mm`: the soft part
/// is averaged down to voxels of at most this size (0: kept as scanned).
[[nodiscard]] FootBodies splitBodies(const CtVolume& ct, const LabelVolume& labels, int foot, double soft_mm = 1.2);

/// Mean of factor x factor x factor voxels; in an incomplete last group missing voxels count as 0.
[[nodiscard]] CtVolume averagedDown(const CtVolume& in, int factor);

/// The id whose pose a body takes: the metatarsal's for its toes, else its own.
[[nodiscard]] std::string poseId(const std::string& body);
/// The pose of that name; identity if there is none.
[[nodiscard]] Rigid poseOf(const std::map<std::string, Rigid>& poses, const std::string& id);

/// One NRRD file per body, and soft.nrrd, in `folder` (created if missing).
[[nodiscard]] Status writeBodies(const std::filesystem::path& folder, const FootBodies& bodies);
/// Reads them back. Fault::kRequest if a file cannot be read (naming it) or there is none.
[[nodiscard]] Result<FootBodies> readBodies(const std::filesystem::path& folder);

}  // namespace rayset
