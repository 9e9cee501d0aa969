// The program's interface to whatever finds the bones in a CT: later stages see only these structs. The template
// segmenter (segment.h) is one implementation; docs/decisions/bones.md describes what another one needs.
//
// Frame and units: the patient frame (LPS) of the CT, millimetres, HU. The same CT and settings give the same result to
// the bit, regardless of the number of threads and of earlier segmentations.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "anatomy/bones.h"
#include "base/message.h"
#include "base/progress.h"
#include "base/result.h"
#include "bones/doubt.h"
#include "bones/edits.h"
#include "bones/template_evidence.h"
#include "image/volume.h"

namespace rayset {

/// Figures of a segmenter that has no struct of its own here.
struct NamedFigures {
  std::string segmenter;  ///< whose they are; not empty
  std::map<std::string, double> figures;
};
/// The basis of a confidence: each segmenter's own figures, for the record (plan.json) only; no stage depends on them.
using Evidence = std::variant<std::monostate, TemplateEvidence, NamedFigures>;

struct SegmentedBone {
  Surface surface;  ///< closed, sub-voxel
  double volume_mm3 = 0;
  /// The probability, 0..1, that every part of the surface is within kDoubtfulErrorMm of the bone. Devices are planned
  /// with the error that it implies, and below kDoubtful the plan is partial: it has to be calibrated
  /// (docs/decisions/confidence.md). For a fragment: how certain it is to be one and drawn well.
  double confidence = 0;
  bool complete = true;       ///< false if the field of view cuts the bone
  std::vector<Doubt> doubts;  ///< why it may be wrong, as words, most important first; may be empty
  Message doubt;              ///< the same as a clause with figures; empty if none
  Evidence evidence;
  bool by_hand = false;  ///< corrected by an edit
  double mean_hu = 0;
};

/// A small piece of bone between the medial cuneiform and the second metatarsal that belongs to no bone.
struct Fleck {
  double volume_mm3 = 0;
  Vec3 centre = Vec3::Zero();
};

/// One foot found in the scan.
struct SegmentedFoot {
  Side side = Side::kRight;
  /// The bones that were found; a missing one is left out, and with it everything a plan needs it for.
  std::map<Bone, SegmentedBone> bones;
  /// Pieces broken off the second metatarsal, by id ("M2.1", largest first); the bone is then only its main part.
  std::map<std::string, SegmentedBone> fragments;
  std::vector<Fleck> flecks;
  [[nodiscard]] BoneSurfaces surfaces() const;
};

struct BonesResult {
  std::vector<SegmentedFoot> feet;  ///< one or two
  /// On the CT's grid, labelInScan() of label() or fragmentLabel() for feet[k]: the voxels whose centres are inside the
  /// surface (image/voxelise.h); if inside two, either of them. Used to cut out the grey values for simulated films.
  LabelVolume labels;
  /// For the surgeon, a sentence each: bones of the twelve not found, doubts, and anything that makes names or the side
  /// uncertain. That the plan relies on a doubtful bone is reported later, from its confidence.
  std::vector<Message> cautions;
  std::vector<Message> edited;  ///< what the edits did, a clause each
};

struct BonesSettings {
  std::optional<Side> side;      ///< overrides the side found, when one foot is in the field of view
  const Edits* edits = nullptr;  ///< manual corrections of the foot of edits->side, or of the only foot; null: none
};

class Segmenter {
 public:
  virtual ~Segmenter() = default;
  /// Fault::kImages when no foot is found (`what` says what was found instead); kRequest if an edit does not fit the
  /// scan: edits are applied or refused, never ignored. Reports progress as "bones"; cancelled, it returns
  /// cancelledError() within a second or so. May be called from several threads at once.
  [[nodiscard]] virtual Result<BonesResult> segment(const CtVolume& ct, const BonesSettings& settings,
                                                    const Progress& progress) const = 0;
};

}  // namespace rayset
