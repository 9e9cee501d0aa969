// The program's only Embree device.
#pragma once

#include <embree3/rtcore.h>

#include <memory>
#include <type_traits>

namespace rayset {

/// Created at the first call and kept for the life of the program; safe to share. Creating a device configures TBB for
/// the whole program: a device with fewer threads limits everything to them for as long as it lives.
[[nodiscard]] RTCDevice embreeDevice();

struct SceneDeleter {
  void operator()(RTCScene scene) const { rtcReleaseScene(scene); }
};
using ScenePtr = std::unique_ptr<std::remove_pointer_t<RTCScene>, SceneDeleter>;

/// Builds the scene's search tree. A thread that has to wait takes no other task meanwhile, since that task could wait
/// for a lock the caller holds.
void commitScene(RTCScene scene);

}  // namespace rayset
