// The one Embree device of the program.
#pragma once

#include <embree3/rtcore.h>

#include <memory>
#include <type_traits>

namespace rayset {

/// Made at the first call, held for the life of the program; safe to share. Making a device configures TBB for the
/// whole program: one made with fewer threads holds everything to them for as long as it lives.
[[nodiscard]] RTCDevice embreeDevice();

struct SceneDeleter {
  void operator()(RTCScene scene) const { rtcReleaseScene(scene); }
};
using ScenePtr = std::unique_ptr<std::remove_pointer_t<RTCScene>, SceneDeleter>;

/// Builds what the scene searches in. A thread that waits for others meanwhile takes up nothing else, which could wait
/// for a lock of the caller's.
void commitScene(RTCScene scene);

}  // namespace rayset
