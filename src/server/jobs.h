// Long work, one job at a time, in its own thread.
#pragma once

#include <condition_variable>
#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <thread>

#include "base/progress.h"
#include "base/result.h"

namespace rayset::server {

class Jobs {
 public:
  using Work = std::function<Status(const Progress&)>;
  /// Called with the job as in the interface's events, from any thread, whenever it changes.
  using Told = std::function<void(const std::string& case_id, const nlohmann::ordered_json& job)>;

  explicit Jobs(Told told);
  /// Cancels the running job and waits for it.
  ~Jobs();

  /// Returns its number; nullopt if a job of that case is waiting or running.
  [[nodiscard]] std::optional<std::string> add(const std::string& case_id, const std::string& kind, Work work);
  /// The waiting or running job of the case, or null.
  [[nodiscard]] nlohmann::ordered_json of(const std::string& case_id) const;
  /// False if no such job is waiting or running.
  bool cancel(const std::string& id);

 private:
  struct Job;
  [[nodiscard]] nlohmann::ordered_json jsonOf(const Job& job) const;
  void run();
  void perform(const std::shared_ptr<Job>& job);

  Told told_;
  mutable std::mutex mutex_;
  std::condition_variable changed_;
  std::deque<std::shared_ptr<Job>> jobs_;  ///< the first is running
  bool ending_ = false;
  int number_ = 0;
  std::thread thread_;
};

}  // namespace rayset::server
