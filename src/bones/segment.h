// From a CT to named, separate bone surfaces with confidences.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/progress.h"
#include "base/result.h"
#include "bones/confidence.h"
#include "bones/edits.h"
#include "image/volume.h"

namespace rayset {

struct SegmentedBone {
  Surface surface;  ///< patient frame, closed, sub-voxel
  double volume_mm3 = 0;
  double confidence = 0;      ///< 0 to 1, see Verdict
  bool complete = true;       ///< false if the field of view cuts the bone
  std::vector<Doubt> doubts;  ///< why the confidence is low; empty if there is no doubt
  std::string doubt;          ///< the same as a clause with figures; empty if none
  BoneEvidence evidence;      ///< behind the verdict
  bool by_hand = false;       ///< corrected by an edit
  double mean_hu = 0;
};

/// A small piece of bone between the medial cuneiform and the second metatarsal that belongs to no bone.
struct Fleck {
  double volume_mm3 = 0;
  Vec3 centre = Vec3::Zero();  ///< patient frame
};

/// One foot found in the scan.
struct SegmentedFoot {
  Side side = Side::kRight;
  std::map<Bone, SegmentedBone> bones;  ///< the bones found; the twelve first
  /// Pieces broken off the second metatarsal, by id ("M2.1", largest first); the bone is then only its main part.
  std::map<std::string, SegmentedBone> fragments;
  std::vector<Fleck> flecks;
  double template_rms_mm = 0;  ///< how well the template fits the bone edges (naming is doubtful above 3)
  [[nodiscard]] BoneSurfaces surfaces() const;
};

struct BonesResult {
  std::vector<SegmentedFoot> feet;  ///< one or two
  LabelVolume labels;               ///< on the CT grid: what labelInScan() gives for feet[k]
  std::vector<std::string> cautions;
  std::vector<std::string> edited;  ///< what the edits did, one clause each
};

struct BonesSettings {
  std::optional<Side> side;      ///< overrides the side found if only one foot is in the field of view
  const Edits* edits = nullptr;  ///< manual corrections for the foot of edits->side, or the only foot; null: none
};

/// Fault::kImages if no foot is found (the message says what was found instead); kRequest if an edit does not fit the
/// scan.
[[nodiscard]] Result<BonesResult> segmentBones(const CtVolume& ct, const BonesSettings& settings = {},
                                               const Progress& progress = {});

}  // namespace rayset
