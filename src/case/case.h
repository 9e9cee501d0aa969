// A case: the sum of the stages' results, and the one function that makes it. The command line, the server and the
// tests all call planCase(); plan.json (../plan-contract) is its outside.
#pragma once

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

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
  Edits edits;  ///< corrections by hand; empty: none
};

/// What was corrected by hand, for the record.
struct AppliedEdits {
  std::string file;                  ///< name without its folder; empty where no file was read
  nlohmann::ordered_json source;     ///< as read; null where no file was read
  std::vector<std::string> applied;  ///< sentences
};

/// A piece broken off the second metatarsal.
struct CaseFragment {
  SegmentedBone bone;  ///< as scanned
  Rigid injured_to_reduced = Rigid::Identity();
  Surface reduced;
  double uncertainty_mm = 0;  ///< its own fit and its ray's together
  double uncertainty_rad = 0;
  FragmentReduction fit;  ///< on its bone
};

struct Case {
  ScanInfo scan;
  Grid grid;
  Side side = Side::kRight;
  std::string other_foot;  ///< "same scan", the folder's name, or empty
  std::map<Bone, SegmentedBone> bones;
  BoneSurfaces injured;  ///< surfaces of `bones`
  /// By id ("M2.1"); `injured` and `reduction.reduced` then hold the main part of the second metatarsal only.
  std::map<std::string, CaseFragment> fragments;
  std::vector<Fleck> flecks;
  LabelVolume labels;  ///< of the planned foot only
  FootBodies bodies;   ///< the planned foot taken apart with its grey values, as scanned; for radiographs
  ReductionResult reduction;
  PerRay<RayDisplacement> rays;           ///< absent where it could not be dealt with
  std::vector<Measure> measures;          ///< of the foot as scanned
  std::vector<Measure> measures_reduced;  ///< of the foot as it will be
  Patterns patterns;
  Catalogue catalogue;
  ConstructResult fixation;
  std::map<std::string, double> timings_s;
  std::vector<std::string> cautions;
  std::optional<AppliedEdits> edits;
  /// A bone or ray could not be dealt with: exit 4. That is: one of the twelve bones is missing or has a
  /// confidence below kDoubtful (talus and calcaneus carry measures), or a ray could not be placed or fixed. Doubts
  /// alone are cautions. docs/decisions/confidence.md.
  bool partial = false;
};

/// From images already read: `scan`, and the other foot's scan where it was given apart.
[[nodiscard]] Result<Case> planScan(CtScan scan, std::optional<CtScan> other_scan, const PlanRequest& request,
                                    const Resources& resources, const Progress& progress = {});
/// Reads the folders of the request, then planScan().
[[nodiscard]] Result<Case> planCase(const PlanRequest& request, const Resources& resources,
                                    const Progress& progress = {});

/// Where each body of the foot belongs (injured_to_reduced by poseId()); what is not in it stays.
[[nodiscard]] std::map<std::string, Rigid> reducedPoses(const Case& c);

/// What the fixation stage is given of a case: the bones where they belong, and the fragments put back. `ct`: may be
/// null.
[[nodiscard]] ConstructInput constructInput(const Case& c, const CtVolume* ct);

/// plan.json of the contract. Surfaces are named surfaces/<id>.stl, reduced ones reduced/<id>.stl, devices
/// devices/<id>.stl.
[[nodiscard]] nlohmann::ordered_json planJson(const Case& c);

}  // namespace rayset
