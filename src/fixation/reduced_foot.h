// The reduced foot in which devices are planned: its bones and fragments, the errors of their surfaces, their distance
// fields, and the spaces in which paths from one bone into another are judged. Internal to the fixation stage.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "anatomy/part_id.h"
#include "fixation/construct.h"
#include "fixation/path.h"

namespace rayset::fixation {

/// The fragment a device goes into or comes from; nullopt if it joins two bones.
[[nodiscard]] std::optional<std::string> fragmentOf(const Device& device);
/// The metatarsal of a ray and its tarsal partner, in the order a device enters them.
[[nodiscard]] std::vector<std::string> bonesOfRay(Ray ray);
/// The ray that a bone belongs to, the more medial one if it carries two; for a bone of no ray, the ray reduced first.
[[nodiscard]] Ray rayWith(Bone bone);

class ReducedFoot {
 public:
  /// Whether spaces include the neighbouring bones: the search needs them to keep clear; checks alone use the meshes.
  enum class Beside { kKnown, kLeftOut };
  /// `input` must outlive it.
  explicit ReducedFoot(const ConstructInput& input, Beside beside = Beside::kKnown) : input_(input), beside_(beside) {}

  /// Null if the bone is missing.
  [[nodiscard]] const Surface* bone(Bone b) const;
  /// How far the surface of a bone or fragment, by id, may be off, capped as in ConstructInput; for several, the
  /// largest.
  [[nodiscard]] double surfaceError(const std::string& id) const;
  [[nodiscard]] double surfaceError(const std::vector<std::string>& ids) const;

  /// The bones of the rays and those close enough that devices have to keep clear of them.
  [[nodiscard]] std::vector<Bone> bonesNear(const std::vector<Ray>& rays) const;
  /// Makes the missing distance fields of these bones and of all fragments.
  void makeFields(const std::vector<Bone>& bones);
  /// The bone without its fragments; nullopt if it has no field.
  [[nodiscard]] std::optional<path::Solid> mainPart(Bone b) const;

  /// From a metatarsal into its tarsal partner. Null if they do not face each other. Both need their fields.
  [[nodiscard]] std::shared_ptr<const path::Space> raySpace(Ray ray) const;
  /// `into`: from the bone into the fragment (a plantar one cannot be reached from its own side).
  [[nodiscard]] std::shared_ptr<const path::Space> fragmentSpace(const std::string& fragment, bool into) const;
  /// The space between the bones a device joins; null also if one of them is missing.
  [[nodiscard]] std::shared_ptr<const path::Space> spaceOf(const Device& device) const;

  /// Call after moving a bone or its fragments: their fields have to be rebuilt.
  void forget(Bone b);

 private:
  [[nodiscard]] path::Part part(const std::string& id) const { return {surfaces_.at(id), fields_.at(id).get()}; }
  [[nodiscard]] path::Solid withFragments(Bone b) const;
  [[nodiscard]] std::vector<path::Space::Obstacle> obstacles(const std::vector<std::string>& own) const;

  const ConstructInput& input_;
  Beside beside_;
  std::map<std::string, std::unique_ptr<DistanceField>> fields_;  // by bone or fragment id
  std::map<std::string, const Surface*> surfaces_;
};

}  // namespace rayset::fixation
