// Between the types of the public headers (include/rayset, namespace rayset::api) and those of the stages. The two meet
// only in this folder, where every public name is qualified with `api`.
#pragma once

#include <exception>
#include <new>
#include <optional>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "case/resources.h"
#include "fixation/construct.h"
#include "injury/displacement.h"
#include "injury/measures.h"
#include "rayset/plan.h"

namespace rayset {

struct api::Resources::Data {
  rayset::Resources resources;
};

namespace library {

[[nodiscard]] api::Error shown(const Error& error, const Words& words);
[[nodiscard]] Progress taken(const api::Progress& progress);
[[nodiscard]] api::Point shown(const Vec3& p);
[[nodiscard]] api::Matrix shown(const Rigid& X);
[[nodiscard]] api::Mesh shown(const Surface& surface);
[[nodiscard]] api::Displacement shown(const RayDisplacement& d);
[[nodiscard]] std::vector<api::Measure> shown(const std::vector<Measure>& measures, const Words& words);
[[nodiscard]] api::DeviceChecks shown(const DeviceChecks& checks, const Words& words);
[[nodiscard]] std::vector<api::Device> shown(const std::vector<Device>& devices, const Words& words);

/// `call()`, with anything the underlying libraries throw turned into an error: no exception leaves the library.
template <class Call>
[[nodiscard]] auto guarded(const Words& words, const Call& call) -> decltype(call()) {
  try {
    return call();
  } catch (const std::bad_alloc&) {
    return shown(Error{Fault::kInternal, "library.no_memory", "", "library.no_memory.remedy"}, words);
  } catch (const std::exception& e) {
    return shown(Error{Fault::kInternal, {"library.failed", {{"why", e.what()}}}, "", "library.failed.remedy"}, words);
  }
}

}  // namespace library
}  // namespace rayset
