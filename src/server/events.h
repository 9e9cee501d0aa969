// Server-sent events: who listens to which case, and what they are told.
#pragma once

#include <chrono>
#include <condition_variable>
#include <deque>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

namespace rayset::server {

/// What one listener has not been sent yet.
class Listener {
 public:
  explicit Listener(std::string id) : case_id(std::move(id)) {}
  const std::string case_id;  ///< empty: all cases
  /// The next event as it goes over the wire; "" when the time is over; nullopt when the server ends.
  [[nodiscard]] std::optional<std::string> next(std::chrono::milliseconds time);

 private:
  friend class Events;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::deque<std::string> waiting_;
  bool closed_ = false;
};

class Events {
 public:
  [[nodiscard]] std::shared_ptr<Listener> listen(const std::string& case_id);
  void send(const std::string& case_id, const std::string& event, const nlohmann::ordered_json& data);
  /// Ends all listeners.
  void close();

 private:
  std::mutex mutex_;
  std::vector<std::weak_ptr<Listener>> listeners_;
  bool closed_ = false;
};

}  // namespace rayset::server
