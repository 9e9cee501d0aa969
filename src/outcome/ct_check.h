// The check after the operation from a CT with the metal in: bones and devices, each on its own.
//
// Method. Metal is taken out of the scan and filled up from around it, the bones are found in what is left as in any
// scan (bones/segment.h), and the surfaces of the plan - this patient's own bones - are laid onto those found: the
// tarsus as one, then each metatarsal (geometry/registration.h), without what lies near metal. A device is found from
// the bright voxels nearest to where it was planned: its axis as the line through them, its place along the axis by the
// known profile of head, shaft and point. Metal looks thicker than it is in a CT that saturates; that it does so evenly
// all round is made use of.
#pragma once

#include "base/progress.h"
#include "base/result.h"
#include "dicom/ct_reader.h"
#include "outcome/verification.h"

namespace rayset {

struct CtCheckInput {
  const PlanRecord* plan = nullptr;
  const Catalogue* catalogue = nullptr;
  const Limits* limits = nullptr;
  const CtScan* scan = nullptr;
  bool temporary = false;  ///< wires of the temporary stage are still in
};

/// Fault::kRequest for a CT of another patient or one without this foot; kImages where no foot is found or the tarsus
/// does not fit the plan's (naming the scan). Rays and devices that are not found make the result partial.
[[nodiscard]] Result<Verification> checkCt(const CtCheckInput& input, const Progress& progress = {});

}  // namespace rayset
