// The foot taken apart for radiographs: each bone cut out of the CT with its grey values, so that it can be filmed in
// any pose without resampling the scan, and what is left of the foot with muscle where the bones were.
//
// Attenuation adds along a ray, so the parts together give the line integral of the whole: where nothing is moved the
// sum of all parts is the scan itself. A bone takes with it what its blur has spread beyond its label (kHaloMm), as far
// as that is denser than muscle. A moved bone may overlap another one's halo or leave one behind: errors of the size of
// the blur, at the edges of what moved.
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "image/volume.h"

namespace rayset {

inline constexpr double kMuscleHu = 50;  ///< what stands where a bone was
inline constexpr double kAirHu = -1000;
inline constexpr double kHaloMm = 1.0;  ///< how far a bone's blur is taken with it
inline constexpr double kSkinMm = 32;   ///< soft tissue farther than this from any bone of the foot is left out (table)

/// A part of the foot that moves as one.
struct Body {
  std::string id;  ///< bone id, fragment id, or "toes.1" to "toes.5": toes, sesamoids and other loose bone of a ray
  CtVolume added;  ///< HU above muscle; 0 outside the bone. Patient frame, as scanned
};

/// Added HU that a bone's shape is read from.
inline constexpr std::int16_t kOfBone = 200;
/// Bone that lies in both of two bodies standing at A and B (patient frame as scanned to where they stand), in mm3;
/// from every other voxel of `a` along each axis.
[[nodiscard]] double sharedBone(const Body& a, const Rigid& A, const Body& b, const Rigid& B);

struct FootBodies {
  std::vector<Body> bones;  ///< by label
  CtVolume soft;            ///< HU above air (0: air), muscle where bones were, as scanned
  [[nodiscard]] const Body* find(const std::string& id) const;
};

/// Takes apart one foot of a scan. `labels` on the grid of `ct`: those of foot number `foot` are what labelInScan()
/// gives; other feet are left out. Bone without a label goes with the nearest metatarsal.
/// `soft_mm`: the soft part is averaged down to voxels of at most this size (0: kept as scanned).
[[nodiscard]] FootBodies splitBodies(const CtVolume& ct, const LabelVolume& labels, int foot, double soft_mm = 1.2);

/// Mean of factor x factor x factor voxels; a last incomplete group counts what is missing as 0.
[[nodiscard]] CtVolume averagedDown(const CtVolume& in, int factor);

/// The id whose pose a body takes: the metatarsal's for its toes, else its own.
[[nodiscard]] std::string poseId(const std::string& body);
/// The pose of that name; identity where there is none.
[[nodiscard]] Rigid poseOf(const std::map<std::string, Rigid>& poses, const std::string& id);

/// One NRRD file a body, and soft.nrrd, in `folder` (made if missing).
[[nodiscard]] Status writeBodies(const std::filesystem::path& folder, const FootBodies& bodies);
/// Reads them back. Fault::kRequest naming the file where one cannot be read, or where there is none.
[[nodiscard]] Result<FootBodies> readBodies(const std::filesystem::path& folder);

}  // namespace rayset
