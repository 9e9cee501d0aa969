// Work done beside what goes on here.
#pragma once

#include <tbb/task_group.h>

namespace rayset {

/// Waited for on every way out, also that of an error: the tasks look at what is here. Declare it after what they look
/// at.
struct Aside {
  tbb::task_group tasks;

  Aside() = default;
  Aside(const Aside&) = delete;
  Aside& operator=(const Aside&) = delete;
  ~Aside() { tasks.wait(); }
};

}  // namespace rayset
