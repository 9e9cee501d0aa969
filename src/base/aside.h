// Tasks that run in parallel with the calling code.
#pragma once

#include <tbb/task_group.h>

namespace rayset {

/// Waits for its tasks on every exit path, errors included, because they use the caller's variables. Declare it after
/// what they use.
struct Aside {
  tbb::task_group tasks;

  Aside() = default;
  Aside(const Aside&) = delete;
  Aside& operator=(const Aside&) = delete;
  ~Aside() { tasks.wait(); }
};

}  // namespace rayset
