#include "geometry/embree_device.h"

#include <tbb/task_arena.h>

namespace rayset {

RTCDevice embreeDevice() {
  static RTCDevice const device = rtcNewDevice(nullptr);
  return device;
}

void commitScene(RTCScene scene) {
  tbb::this_task_arena::isolate([&] { rtcCommitScene(scene); });
}

}  // namespace rayset
