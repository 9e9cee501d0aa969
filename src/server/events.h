// Server-sent events: who listens to which case, and what they receive.
#pragma once

#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "server/http.h"

namespace rayset::server {

/// One event as it goes over the wire.
[[nodiscard]] std::string eventText(const std::string& event, const nlohmann::ordered_json& data);

/// What one listener has not been sent yet.
class Listener : public Feed {
 public:
  explicit Listener(std::string id) : case_id(std::move(id)) {}
  const std::string case_id;  ///< empty: all cases
  [[nodiscard]] std::optional<std::string> take() override;
  void whenChanged(std::function<void()> wake) override;

 private:
  friend class Events;
  void tell(const std::string& event);
  void close();

  std::mutex mutex_;
  std::function<void()> wake_;
  std::string waiting_;
  bool closed_ = false;
};

class Events {
 public:
  [[nodiscard]] std::shared_ptr<Listener> listen(const std::string& case_id);
  void send(const std::string& case_id, const std::string& event, const nlohmann::ordered_json& data);
  /// Ends all listeners. None is woken after it returns.
  void close();

 private:
  std::mutex mutex_;
  std::vector<std::weak_ptr<Listener>> listeners_;
  bool closed_ = false;
};

}  // namespace rayset::server
