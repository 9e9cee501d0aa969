// Manual corrections: what the user saw better than the program, and how it enters the plan. The command line reads
// them from a file (docs/edits.md, data/schema/edits.schema.json); a workstation can fill in the same struct and pass
// it to the same functions.
//
// Corrections of bones (seeds, splits, merges, renames, removals) act in the labelling, before surfaces are made;
// landmarks and poses act in the reduction. Everything after that is planned afresh from the corrected state.
#pragma once

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/bones.h"
#include "base/result.h"
#include "image/volume.h"

namespace rayset {

/// The bone voxels around `point` definitely belong to `bone`.
struct SeedEdit {
  Bone bone = Bone::kM1;
  Vec3 point = Vec3::Zero();  ///< patient frame (LPS), mm
  double radius_mm = 1.5;
};

/// Everything labelled `first` or `second` is divided afresh between the two: by a plane, or by seeds of both.
struct SplitEdit {
  Bone first = Bone::kM1, second = Bone::kM2;
  struct Plane {
    Vec3 point;
    Vec3 normal;  ///< unit; points to the side that becomes `second`
  };
  std::optional<Plane> plane;
  std::optional<double> reach_mm;    ///< the plane only cuts within this distance of its point
  Points first_seeds, second_seeds;  ///< without a plane: at least one each
};

/// A piece belongs to `into`: the connected piece at `point`, or a fragment by its id.
struct MergeEdit {
  Bone into = Bone::kM1;
  std::optional<Vec3> point;
  std::string fragment;  ///< "M2.1"; empty if a point is given
};

/// The bone named `from` is really `to`. All renames happen at once, so names can be swapped.
struct RenameEdit {
  Bone from = Bone::kM1, to = Bone::kM2;
};

/// Landmarks of one metatarsal as scanned, patient frame.
struct LandmarkEdit {
  Ray ray;
  std::optional<Vec3> base_point;  ///< where shifts are measured, and the centre of turns
  std::optional<Vec3> distal;      ///< unit axis, base to head
};

/// Shift of a ray's base (mm) and turn about it (radians) in the foot frame, signs as in RayDisplacement.
struct RayStep {
  double lateral_mm = 0, dorsal_mm = 0, distal_mm = 0;
  double abduction_rad = 0, plantarflexion_rad = 0, pronation_rad = 0;
};

/// A manual pose for a ray: a transform, or a step from where the program would put it.
struct PoseEdit {
  Ray ray;
  std::optional<Rigid> injured_to_reduced;
  std::optional<RayStep> step;
  bool start_only = false;  ///< the transform only starts the search
};

struct Edits {
  std::optional<Side> side;  ///< which foot is meant; required if bones are edited in a scan of two feet
  std::vector<SeedEdit> seeds;
  std::vector<SplitEdit> splits;
  std::vector<MergeEdit> merges;
  std::vector<RenameEdit> renames;
  std::vector<Bone> removals;
  std::vector<LandmarkEdit> landmarks;
  std::vector<PoseEdit> poses;

  std::string file;               ///< where they were read from, for messages; may be empty
  nlohmann::ordered_json source;  ///< as read, for the record in plan.json; null if filled in by a program

  [[nodiscard]] bool editsBones() const {
    return !seeds.empty() || !splits.empty() || !merges.empty() || !renames.empty() || !removals.empty();
  }
  [[nodiscard]] bool empty() const { return !editsBones() && landmarks.empty() && poses.empty(); }
};

/// kRequest naming file, place ("seeds[2].point") and remedy for anything that is not "rayset.edits/1": unknown
/// entries, bones or rays, numbers out of range, matrices that are not rigid, entries that contradict each other.
[[nodiscard]] Result<Edits> parseEdits(const std::string& json, const std::string& where);
[[nodiscard]] Result<Edits> readEdits(const std::filesystem::path& file);

/// kRequest if a point is outside the image.
[[nodiscard]] Status checkEdits(const Edits& edits, const Grid& grid);

/// "edits.json, seeds[2].point": the location of an error in the n-th entry of a list.
[[nodiscard]] std::string editPlace(const Edits& edits, std::string_view list, std::size_t n,
                                    std::string_view field = {});

}  // namespace rayset
