#include "server/events.h"

#include <fmt/format.h>

namespace rayset::server {

namespace {
constexpr std::size_t kMostWaiting = 1000;  // a listener that does not read is not waited for
}

std::optional<std::string> Listener::next(std::chrono::milliseconds time) {
  std::unique_lock lock(mutex_);
  changed_.wait_for(lock, time, [this] { return closed_ || !waiting_.empty(); });
  if (closed_) return std::nullopt;
  if (waiting_.empty()) return "";
  std::string event = std::move(waiting_.front());
  waiting_.pop_front();
  return event;
}

std::shared_ptr<Listener> Events::listen(const std::string& case_id) {
  auto listener = std::make_shared<Listener>(case_id);
  const std::lock_guard lock(mutex_);
  listener->closed_ = closed_;
  std::erase_if(listeners_, [](const auto& l) { return l.expired(); });
  listeners_.push_back(listener);
  return listener;
}

void Events::send(const std::string& case_id, const std::string& event, const nlohmann::ordered_json& data) {
  const std::string text = fmt::format("event: {}\ndata: {}\n\n", event,
                                       data.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
  const std::lock_guard lock(mutex_);
  for (const auto& weak : listeners_) {
    const auto l = weak.lock();
    if (!l || (!l->case_id.empty() && l->case_id != case_id)) continue;
    const std::lock_guard theirs(l->mutex_);
    if (l->waiting_.size() >= kMostWaiting) l->closed_ = true;  // it connects anew and reads the state
    l->waiting_.push_back(text);
    l->changed_.notify_one();
  }
}

void Events::close() {
  const std::lock_guard lock(mutex_);
  closed_ = true;
  for (const auto& weak : listeners_) {
    const auto l = weak.lock();
    if (!l) continue;
    const std::lock_guard theirs(l->mutex_);
    l->closed_ = true;
    l->changed_.notify_one();
  }
}

}  // namespace rayset::server
