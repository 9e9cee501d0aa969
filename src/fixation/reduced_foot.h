// The reduced foot as devices are planned in it: which bones and fragments are there, how far their surfaces may be
// off, their distance fields, and the spaces in which paths from one bone into another are judged. Internal to the
// fixation stage.
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

/// The fragment a device goes into or comes from; nothing where it joins two bones.
[[nodiscard]] std::optional<std::string> fragmentOf(const Device& device);
/// The metatarsal of a ray and its tarsal partner, in the order a device enters them.
[[nodiscard]] std::vector<std::string> bonesOfRay(Ray ray);
/// The ray that a bone belongs to, the most medial where it bears two; of a bone of none, the one put back first.
[[nodiscard]] Ray rayWith(Bone bone);

class ReducedFoot {
 public:
  /// Whether spaces know the bones beside them: the search keeps out of those; checks alone look at their meshes.
  enum class Beside { kKnown, kLeftOut };
  /// `input` must outlive it.
  explicit ReducedFoot(const ConstructInput& input, Beside beside = Beside::kKnown) : input_(input), beside_(beside) {}

  /// Null where the bone is missing.
  [[nodiscard]] const Surface* bone(Bone b) const;
  /// How far the surface of a bone (by its id, or a fragment's) may be off, as far as that is asked for; of several,
  /// the most.
  [[nodiscard]] double surfaceError(const std::string& id) const;
  [[nodiscard]] double surfaceError(const std::vector<std::string>& ids) const;

  /// The bones of the rays and what lies so close to them that it has to be kept out of.
  [[nodiscard]] std::vector<Bone> bonesNear(const std::vector<Ray>& rays) const;
  /// Distance fields of these bones and of all fragments, where they are not there yet.
  void makeFields(const std::vector<Bone>& bones);
  /// The bone without its fragments; nothing where it has no field.
  [[nodiscard]] std::optional<path::Solid> mainPart(Bone b) const;

  /// From a metatarsal into its tarsal partner. Null where they do not face each other. Both need their fields.
  [[nodiscard]] std::shared_ptr<const path::Space> raySpace(Ray ray) const;
  /// `into`: from the bone into the fragment (one that lies plantar cannot be reached from its own side).
  [[nodiscard]] std::shared_ptr<const path::Space> fragmentSpace(const std::string& fragment, bool into) const;
  /// Of the bones a device joins; null where one of them is not there as well.
  [[nodiscard]] std::shared_ptr<const path::Space> spaceOf(const Device& device) const;

  /// After a bone or its fragments were moved: their fields have to be made again.
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
