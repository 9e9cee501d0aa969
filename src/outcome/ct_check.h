// The postoperative check from a CT with the metal in place: bones and devices, each on its own.
//
// Method. Metal is removed from the scan and filled in from its surroundings, the bones are segmented as in any scan
// (bones/segmenter.h), and the surfaces of the plan - this patient's own bones - are registered to those found: the
// tarsus as one, then each metatarsal (geometry/registration.h), leaving out what lies near metal. A device is found
// from the bright voxels nearest to where it was planned: its axis is the line through them, its position along the
// axis comes from the known profile of head, shaft and point. Metal looks thicker than it is in a CT that saturates,
// evenly all round, and the method relies on that.
#pragma once

#include "base/progress.h"
#include "base/result.h"
#include "bones/segmenter.h"
#include "dicom/ct_reader.h"
#include "outcome/verification.h"

namespace rayset {

struct CtCheckInput {
  const PlanRecord* plan = nullptr;
  const Catalogue* catalogue = nullptr;
  const Limits* limits = nullptr;
  const Segmenter* segmenter = nullptr;
  const CtScan* scan = nullptr;
  bool temporary = false;  ///< wires of the temporary stage are still in
};

/// Fault::kRequest for a CT of another patient or without this foot; kImages, naming the scan, if no foot is found or
/// the tarsus does not match the plan's. Rays and devices that are not found make the result partial.
[[nodiscard]] Result<Verification> checkCt(const CtCheckInput& input, const Progress& progress = {});

}  // namespace rayset
