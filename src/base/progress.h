// How a long computation reports progress and learns that it should stop.
#pragma once

#include <atomic>
#include <functional>
#include <string_view>

namespace rayset {

/// Passed by const reference through every stage. Default-constructed: reports nothing, never cancelled.
struct Progress {
  /// Called with the stage's name and the fraction done in [0, 1]; may be called from any thread.
  std::function<void(std::string_view stage, double fraction)> report;
  /// Set by someone else (signal handler, server) to stop the run; may be null.
  const std::atomic<bool>* stop = nullptr;

  void operator()(std::string_view stage, double fraction) const {
    if (report) report(stage, fraction);
  }
  /// Stages check this at least once a second and then return cancelledError().
  [[nodiscard]] bool cancelled() const { return stop != nullptr && stop->load(std::memory_order_relaxed); }
};

}  // namespace rayset
