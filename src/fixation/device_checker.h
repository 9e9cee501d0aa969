// Checks devices as they are moved by hand, fast enough to keep up: what checkDevice() rebuilds each time (distance
// fields, closed solids, ray casters) is kept between calls. Same results as checkDevice().
//
// Not thread-safe.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "base/message.h"
#include "fixation/construct.h"

namespace rayset {

class DeviceChecker {
 public:
  /// `input.reduced` and `input.ct` are kept as pointers and must outlive the checker. Errors as for planConstruct().
  [[nodiscard]] static Result<DeviceChecker> make(ConstructInput input, Catalogue catalogue,
                                                  ConstructSettings settings = {});
  ~DeviceChecker();
  DeviceChecker(DeviceChecker&&) noexcept;
  DeviceChecker& operator=(DeviceChecker&&) noexcept;

  /// As checkDevice(): all checks of a device in its place among `all` (which may include it; it is recognised by id).
  [[nodiscard]] Result<DeviceChecks> check(const Device& device, const std::vector<Device>& all);

  /// The device meant by someone who draws a line from `entry` to `tip` (reduced pose): the entry is moved along the
  /// line onto the outer cortex of the first bone; the direction is kept; the length is rounded down from where the tip
  /// was drawn to a length sold (screws) or to whole millimetres (wires); tip, countersink and expected gauge reading
  /// are updated. Id, ray, stage and bones are taken from `device`, type and diameter from `type`. Checks and warnings
  /// are left unchanged. kRequest if the line misses the bone or is too short for any length.
  [[nodiscard]] Result<Device> drawn(const Device& device, const std::string& type, const Vec3& entry, const Vec3& tip);

  /// Id of the nearest other device and its distance, surface to surface; ("", 1000) if there is none.
  struct Neighbour {
    std::string id;
    double mm = 1000;
  };
  [[nodiscard]] Neighbour nearest(const Device& device, const std::vector<Device>& all) const;
  /// Whether the device enters this bone of the reduced foot (not meant for the bones it is planned through).
  [[nodiscard]] bool enters(const Device& device, Bone bone) const;
  /// Whether it passes this bone within the error of the bone's surface.
  [[nodiscard]] bool mayEnter(const Device& device, Bone bone) const;
  /// The failed checks and remarks in words, from `device.checks`, as planConstruct() writes Device::warnings.
  [[nodiscard]] std::vector<Message> warnings(const Device& device) const;
  [[nodiscard]] const ConstructSettings& settings() const;

  /// Call after the surface of a bone in `input.reduced`, or of its fragments, has changed; the other arguments as in
  /// ConstructInput.
  void moved(Bone bone, const Rigid& injured_to_reduced, const std::map<std::string, Surface>& fragments);
  /// Builds in parallel what the first check of each of these would otherwise have to wait for.
  void prepare(const std::vector<Device>& devices);
  /// Reuses what another checker, made from the same bones in the same places, has built, and keeps that checker alive.
  void adopt(std::shared_ptr<const DeviceChecker> other);
  /// From now on reads grey values from this image; null for none.
  void setImage(const CtVolume* ct);
  [[nodiscard]] bool hasImage() const;

 private:
  struct Impl;
  explicit DeviceChecker(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset
