// A case: the results of all stages, and the one function that makes it. The command line, the server and the tests all
// call planCase(); plan.json (data/schema/plan.schema.json) is how it looks from outside.
#pragma once

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/message.h"
#include "bones/edits.h"
#include "bones/segmenter.h"
#include "case/resources.h"
#include "dicom/ct_reader.h"
#include "fixation/construct.h"
#include "injury/displacement.h"
#include "injury/measures.h"
#include "injury/patterns.h"
#include "reduction/fragments.h"
#include "reduction/reduce.h"
#include "xray/bodies.h"

namespace rayset {

struct PlanRequest {
  std::filesystem::path images;
  std::filesystem::path other;  ///< images of the other foot; may be empty
  std::string series;           ///< --series
  std::optional<Side> side;
  ConstructSettings construct;
  Edits edits;  ///< manual corrections; may be empty
};

/// The manual corrections, for the record.
struct AppliedEdits {
  std::string file;               ///< name without its folder; empty if no file was read
  nlohmann::ordered_json source;  ///< as read; null if no file was read
  std::vector<Message> applied;   ///< sentences
};

/// A piece broken off the second metatarsal.
struct CaseFragment {
  SegmentedBone bone;  ///< as scanned
  Rigid injured_to_reduced = Rigid::Identity();
  Surface reduced;
  double uncertainty_mm = 0;  ///< of its own fit and its ray's combined
  double uncertainty_rad = 0;
  FragmentReduction fit;  ///< to its bone
};

struct Case {
  ScanInfo scan;
  Grid grid;
  Side side = Side::kRight;
  std::string other_foot;  ///< "same scan", the folder's name, or empty
  std::map<Bone, SegmentedBone> bones;
  BoneSurfaces injured;  ///< surfaces of `bones`
  /// By id ("M2.1"). If there are any, `injured` and `reduction.reduced` hold only the main part of the second
  /// metatarsal.
  std::map<std::string, CaseFragment> fragments;
  std::vector<Fleck> flecks;
  LabelVolume labels;  ///< of the planned foot only
  FootBodies bodies;   ///< the planned foot as scanned, split into bodies with their grey values; for radiographs
  ReductionResult reduction;
  PerRay<RayDisplacement> rays;           ///< absent if the ray could not be planned
  std::vector<Measure> measures;          ///< of the foot as scanned
  std::vector<Measure> measures_reduced;  ///< of the reduced foot
  Patterns patterns;
  Catalogue catalogue;
  ConstructResult fixation;
  std::map<std::string, double> timings_s;
  std::vector<Message> cautions;
  std::optional<AppliedEdits> edits;
  /// The plan is incomplete (exit 4): one of the twelve bones is missing or has a confidence below kDoubtful (talus and
  /// calcaneus count because measures depend on them), or a ray could not be reduced or fixed. Mere doubts are
  /// cautions. See docs/decisions/confidence.md.
  bool partial = false;
};

/// Plans from images already read: `scan`, and the other foot's scan if that was given separately.
[[nodiscard]] Result<Case> planScan(CtScan scan, std::optional<CtScan> other_scan, const PlanRequest& request,
                                    const Resources& resources, const Progress& progress = {});
/// Reads the request's folders, then calls planScan().
[[nodiscard]] Result<Case> planCase(const PlanRequest& request, const Resources& resources,
                                    const Progress& progress = {});

/// Where each body of the foot belongs (injured_to_reduced by poseId()); a body that is not listed stays put.
[[nodiscard]] std::map<std::string, Rigid> reducedPoses(const Case& c);

/// The fixation stage's input from a case: the reduced bones and fragments. `ct` may be null.
[[nodiscard]] ConstructInput constructInput(const Case& c, const CtVolume* ct);

/// plan.json as the plan contract has it. Surfaces are named surfaces/<id>.stl, reduced ones reduced/<id>.stl, devices
/// devices/<id>.stl.
[[nodiscard]] nlohmann::ordered_json planJson(const Case& c, const Words& words);

}  // namespace rayset
