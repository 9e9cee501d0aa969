#include "server/jobs.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "server/case_codec.h"

namespace rayset::server {

struct Jobs::Job {
  std::string id, case_id, kind, stage = "waiting", state = "running";
  double fraction = 0;
  std::optional<Error> error;
  std::atomic<bool> stop{false};
  Work work;
};

Jobs::Jobs(Told told) : told_(std::move(told)) {
  thread_ = std::thread([this] { run(); });
}

Jobs::~Jobs() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
    for (const auto& job : jobs_) job->stop = true;
  }
  changed_.notify_all();
  thread_.join();
}

std::optional<std::string> Jobs::add(const std::string& case_id, const std::string& kind, Work work) {
  nlohmann::ordered_json json;
  std::string id;
  {
    const std::lock_guard lock(mutex_);
    for (const auto& job : jobs_)
      if (job->case_id == case_id) return std::nullopt;
    auto job = std::make_shared<Job>();
    id = job->id = fmt::format("j{}", ++number_);
    job->case_id = case_id;
    job->kind = kind;
    job->work = std::move(work);
    json = jsonOf(*job);
    jobs_.push_back(std::move(job));
  }
  told_(case_id, json);
  changed_.notify_all();
  return id;
}

nlohmann::ordered_json Jobs::jsonOf(const Job& job) const {
  return jobCodec().write({job.id, job.case_id, job.kind, job.stage, job.state, job.fraction, job.error});
}

nlohmann::ordered_json Jobs::of(const std::string& case_id) const {
  const std::lock_guard lock(mutex_);
  for (const auto& job : jobs_)
    if (job->case_id == case_id) return jsonOf(*job);
  return nullptr;
}

bool Jobs::cancel(const std::string& id) {
  const std::lock_guard lock(mutex_);
  const auto job = std::find_if(jobs_.begin(), jobs_.end(), [&id](const auto& j) { return j->id == id; });
  if (job == jobs_.end()) return false;
  (*job)->stop = true;
  return true;
}

void Jobs::run() {
  for (;;) {
    std::shared_ptr<Job> job;
    {
      std::unique_lock lock(mutex_);
      changed_.wait(lock, [this] { return ending_ || !jobs_.empty(); });
      if (jobs_.empty()) return;
      job = jobs_.front();
    }
    perform(job);
    nlohmann::ordered_json json;
    {
      const std::lock_guard lock(mutex_);
      jobs_.pop_front();
      job->work = nullptr;
      json = jsonOf(*job);
    }
    told_(job->case_id, json);  // the case is free again by the time this is received
  }
}

void Jobs::perform(const std::shared_ptr<Job>& job) {
  Progress progress;
  progress.stop = &job->stop;
  progress.report = [this, job](std::string_view stage, double fraction) {
    nlohmann::ordered_json json;
    {
      const std::lock_guard lock(mutex_);
      const double known = std::clamp(fraction, 0.0, 1.0);
      if (job->stage == stage && known < job->fraction + 0.01) return;  // from several threads, out of order
      job->stage = stage;
      job->fraction = known;
      json = jsonOf(*job);
    }
    told_(job->case_id, json);
  };
  Status done;
  try {
    done = job->stop ? Status(cancelledError()) : job->work(progress);
  } catch (const std::bad_alloc&) {
    done = fail(Fault::kInternal, "server.not_enough_memory_these_images", "",
                Message("server.close_other_programs_crop_series_foot"));
  } catch (const std::exception& e) {
    done = fail(Fault::kInternal, Message("server.something_failed_should_not", {{"what", e.what()}}), "",
                Message("server.please_report"));
  }
  const std::lock_guard lock(mutex_);
  if (done) {
    job->state = "done";
    job->fraction = 1;
  } else if (done.error().fault == Fault::kCancelled) {
    job->state = "cancelled";
  } else {
    job->state = "failed";
    job->error = done.error();
  }
}

}  // namespace rayset::server
