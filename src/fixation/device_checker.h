// Checks of devices moved by hand, quick enough to follow the hand: what checkDevice() builds anew each time (distance
// fields, closed solids, ray casters) is kept from call to call. Results are those of checkDevice().
//
// Not for use by several threads at once.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "fixation/construct.h"

namespace rayset {

class DeviceChecker {
 public:
  /// `input.reduced` and `input.ct` are kept as pointers and must outlive the checker. Errors as planConstruct().
  [[nodiscard]] static Result<DeviceChecker> make(ConstructInput input, Catalogue catalogue,
                                                  ConstructSettings settings = {});
  ~DeviceChecker();
  DeviceChecker(DeviceChecker&&) noexcept;
  DeviceChecker& operator=(DeviceChecker&&) noexcept;

  /// As checkDevice(): every check of a device among `all` (itself is recognised by id).
  [[nodiscard]] Result<DeviceChecks> check(const Device& device, const std::vector<Device>& all);

  /// The device a person means who draws a line from `entry` to `tip` (reduced pose): its entry moved along the line
  /// onto the outer cortex of its first bone, its direction kept, its length rounded down from where the tip was drawn
  /// to what is sold (screws) or to whole millimetres (wires), tip, countersink and expected gauge reading renewed. Id,
  /// ray, stage and bones are those of `device`, type and diameter those of `type`. Checks and warnings are left as
  /// they are. kRequest where the line misses the bone or is too short for any length.
  [[nodiscard]] Result<Device> drawn(const Device& device, const std::string& type, const Vec3& entry, const Vec3& tip);

  /// Id of the nearest other device and its distance, surface to surface; ("", 1000) when there is none.
  struct Neighbour {
    std::string id;
    double mm = 1000;
  };
  [[nodiscard]] Neighbour nearest(const Device& device, const std::vector<Device>& all) const;
  /// Whether the device enters this bone of the reduced foot (not asked of the bones it is planned through).
  [[nodiscard]] bool enters(const Device& device, Bone bone) const;
  /// Whether it passes this bone nearer than the bone's surface may be off.
  [[nodiscard]] bool mayEnter(const Device& device, Bone bone) const;
  /// What is not as one would want it, in words, from `device.checks`: as planConstruct() writes Device::warnings.
  [[nodiscard]] std::vector<std::string> warnings(const Device& device) const;
  [[nodiscard]] const ConstructSettings& settings() const;

  /// To be called after the surface of a bone in `input.reduced`, or of its fragments, was changed; its other arguments
  /// as in ConstructInput.
  void moved(Bone bone, const Rigid& injured_to_reduced, const std::map<std::string, Surface>& fragments);
  /// Builds what the first check of each of these would have to wait for, beside each other.
  void prepare(const std::vector<Device>& devices);
  /// Takes over what another checker, made of the same bones in the same places, has built; it is kept alive.
  void adopt(std::shared_ptr<const DeviceChecker> other);
  /// From now on grey values are read from this image; null: none.
  void setImage(const CtVolume* ct);
  [[nodiscard]] bool hasImage() const;

 private:
  struct Impl;
  explicit DeviceChecker(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
