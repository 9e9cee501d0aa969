#include "server/events.h"

#include <fmt/format.h>

#include <utility>

namespace rayset::server {

namespace {
constexpr std::size_t kMostWaiting = std::size_t{1} << 20U;  // bytes; a listener that does not read is dropped
}

std::string eventText(const std::string& event, const nlohmann::ordered_json& data) {
  return fmt::format("event: {}\ndata: {}\n\n", event,
                     data.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
}

std::optional<std::string> Listener::take() {
  const std::lock_guard lock(mutex_);
  if (closed_) return std::nullopt;
  return std::exchange(waiting_, {});
}

void Listener::whenChanged(std::function<void()> wake) {
  const std::lock_guard lock(mutex_);
  wake_ = std::move(wake);
}

void Listener::tell(const std::string& event) {
  const std::lock_guard lock(mutex_);
  if (waiting_.size() >= kMostWaiting) closed_ = true;  // it reconnects and reads the state
  if (!closed_) waiting_ += event;
  if (wake_) wake_();
}

void Listener::close() {
  const std::lock_guard lock(mutex_);
  closed_ = true;
  if (wake_) wake_();
}

std::shared_ptr<Listener> Events::listen(const std::string& case_id) {
  auto listener = std::make_shared<Listener>(case_id);
  const std::lock_guard lock(mutex_);
  if (closed_) listener->close();
  std::erase_if(listeners_, [](const auto& l) { return l.expired(); });
  listeners_.push_back(listener);
  return listener;
}

void Events::send(const std::string& case_id, const std::string& event, const nlohmann::ordered_json& data) {
  const std::string text = eventText(event, data);
  const std::lock_guard lock(mutex_);
  for (const auto& weak : listeners_)
    if (const auto l = weak.lock(); l && (l->case_id.empty() || l->case_id == case_id)) l->tell(text);
}

void Events::close() {
  const std::lock_guard lock(mutex_);
  closed_ = true;
  for (const auto& weak : listeners_)
    if (const auto l = weak.lock()) l->close();
  listeners_.clear();
}

}  // namespace rayset::server
