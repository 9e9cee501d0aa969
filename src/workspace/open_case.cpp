#include "workspace/open_case.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <condition_variable>
#include <fstream>
#include <future>
#include <iterator>
#include <mutex>
#include <optional>
#include <set>
#include <thread>

#include "anatomy/frames.h"
#include "base/words.h"
#include "case/corrections.h"
#include "case/open_questions.h"
#include "case/plan_record.h"
#include "dicom/ct_reader.h"
#include "fixation/device_checker.h"
#include "geometry/json.h"
#include "reduction/manoeuvre.h"
#include "reduction/solver.h"
#include "report/words.h"
#include "workspace/case_state.h"
#include "workspace/edit_registry.h"
#include "workspace/live_joint.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::size_t kMostKept = 256;  // results kept of one kind; poses and lines tried long ago are forgotten
constexpr double kToldMm = 0.006;       // plan.json gives distances to 0.01 mm

bool same(const Rigid& A, const Rigid& B) { return A.matrix() == B.matrix(); }

std::string keyOf(const Device& d, const Rigid& own) {
  return fmt::format("{}|{}|{}|{}|{}", d.id, d.type, fmt::join(d.entry, ","), fmt::join(d.tip, ","),
                     rigidJson(own).dump());
}

template <class Map>
void keepFew(Map& map) {
  if (map.size() > kMostKept) map.clear();
}

/// What follows from a ray's pose.
struct RayAtPose {
  JointFit joint;
  RayDisplacement displacement;
  std::vector<Message> manoeuvre;
};

/// The second metatarsal reassembled if it is broken, as scanned; else the bone.
Surface wholeBone(const Case& planned, Ray ray) {
  const Surface& main = planned.injured.at(metatarsal(ray));
  if (ray != 2 || planned.fragments.empty()) return main;
  std::map<std::string, Surface> fragments;
  for (const auto& [id, f] : planned.fragments) fragments[id] = f.bone.surface;
  return reduceFragments(main, fragments).whole;
}

/// The reference point of a ray's base, as scanned.
Vec3 scannedBase(const Case& planned, Ray ray, const Surface& whole) {
  RayOverrides overrides;
  if (planned.edits && planned.edits->source.is_object())
    if (const auto by_hand = parseEdits(planned.edits->source.dump(), "edits"))
      for (const LandmarkEdit& e : by_hand->landmarks) {
        overrides[e.ray].base_point = e.base_point;
        overrides[e.ray].distal = e.distal;
      }
  const Rigid& X = planned.reduction.rays.at(ray).injured_to_reduced;
  ReductionResult at;
  at.rays = planned.reduction.rays;
  at.frame = planned.reduction.frame;
  at.reduced[metatarsal(ray)] = transformed(whole, X);
  return X.inverse() * reducedBasePoint(ray, at, overrides);
}

/// What dragging a ray and its devices needs, from the plan alone.
struct RayTools {
  Surface whole;  ///< the reassembled metatarsal, as scanned
  LiveJoint joint;
  Vec3 base;                                     ///< reference point, as scanned
  std::shared_ptr<const DeviceChecker> checker;  ///< with the ray's devices as planned prepared

  RayTools(const Case& planned, Ray ray)
      : whole(wholeBone(planned, ray)),
        joint(whole, planned.reduction.reduced.at(tarsalPartner(ray)), planned.reduction.frame.dorsal),
        base(scannedBase(planned, ray, whole)) {
    auto made = DeviceChecker::make(constructInput(planned, nullptr), planned.catalogue);
    if (!made) return;
    std::vector<Device> own;
    std::ranges::copy_if(planned.fixation.devices, std::back_inserter(own),
                         [&](const Device& d) { return d.ray == ray; });
    made->prepare(own);
    checker = std::make_shared<const DeviceChecker>(std::move(*made));
  }
};

/// Makes the tools of all rays in the background, so that the first drag need not wait for them. Reads the plan only,
/// which never changes.
class RayToolsInBackground {
 public:
  explicit RayToolsInBackground(const Case& planned) : planned_(planned) {
    for (const Ray ray : kRays) {
      const auto& bones = planned.injured;
      if (planned.reduction.rays.contains(ray) && bones.contains(metatarsal(ray)) && bones.contains(tarsalPartner(ray)))
        wanted_.push_back(ray);
      made_[ray] = promises_[ray].get_future().share();
    }
    thread_ = std::thread([this] { work(); });
  }
  ~RayToolsInBackground() {
    {
      const std::lock_guard lock(mutex_);
      stop_ = true;
    }
    wake_.notify_all();
    thread_.join();
  }
  RayToolsInBackground(const RayToolsInBackground&) = delete;
  RayToolsInBackground& operator=(const RayToolsInBackground&) = delete;

  /// Waits if they are not ready yet. Rays of the plan only.
  [[nodiscard]] const RayTools& of(Ray ray) {
    startWith(ray);
    return *made_[ray].get();
  }
  /// Fields of the tarsal bones that carry the metatarsals, as scanned.
  [[nodiscard]] const std::map<Bone, DistanceField>& tarsus(Ray ray) {
    (void)of(ray);  // made before the first ray
    return tarsus_;
  }
  /// Begin now; `ray` first.
  void startWith(Ray ray) {
    {
      const std::lock_guard lock(mutex_);
      const auto it = std::find(wanted_.begin(), wanted_.end(), ray);
      if (it != wanted_.end()) std::rotate(wanted_.begin(), it, it + 1);
      wanted_now_ = true;
    }
    wake_.notify_all();
  }

 private:
  void work() {
    constexpr auto kLet = std::chrono::seconds(3);  // the first look at the case comes before the first drag
    std::unique_lock lock(mutex_);
    wake_.wait_for(lock, kLet, [this] { return stop_ || wanted_now_; });
    lock.unlock();
    for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3, Bone::kCub})
      if (const auto it = planned_.injured.find(b); it != planned_.injured.end() && !stop_)
        tarsus_.emplace(b, reduction::boneField(it->second));
    lock.lock();
    while (!stop_ && !wanted_.empty()) {
      const Ray ray = wanted_.front();
      wanted_.erase(wanted_.begin());
      lock.unlock();
      auto& promise = promises_[ray];
      try {
        promise.set_value(std::make_shared<const RayTools>(planned_, ray));
      } catch (...) {  // out of memory: reported to whoever asks for them
        promise.set_exception(std::current_exception());
      }
      lock.lock();
    }
  }

  const Case& planned_;
  EachRay<std::promise<std::shared_ptr<const RayTools>>> promises_;
  EachRay<std::shared_future<std::shared_ptr<const RayTools>>> made_;
  std::mutex mutex_;
  std::condition_variable wake_;
  std::vector<Ray> wanted_;
  bool wanted_now_ = false;
  std::atomic<bool> stop_ = false;
  std::map<Bone, DistanceField> tarsus_;
  std::thread thread_;
};

}  // namespace

struct OpenCase::Impl : EditWorkbench {
  std::filesystem::path plan, images;
  Limits limits;
  std::string plan_key;
  Case planned, edited;
  EditState edits;
  std::optional<DeviceChecker> checker;
  PlannedState state;  // points into planned, edited and axes

  bool volumes = false;
  std::optional<Result<CtVolume>> ct;

  // Kept from call to call.
  words::KnownAxes planned_axes, axes;                                  // of the metatarsals as planned, and as placed
  std::map<std::string, RayAtPose> at_pose;                             // by ray and pose
  std::map<std::string, DeviceChecks> checks;                           // by device and pose of its ray
  std::map<std::string, std::vector<Measure>> measures;                 // by poses of all rays
  std::future<std::pair<std::string, std::vector<Measure>>> measuring;  // under way
  std::set<Ray> adopted;                      // rays whose tools, as planned, the checker has adopted
  std::optional<RayToolsInBackground> tools;  // last: its thread reads the plan

  [[nodiscard]] StateInput input() { return {planned, edited, edits, *checker, axes, plan}; }
  void readyFor(Ray ray);
  [[nodiscard]] RayDisplacement displacementAt(Ray ray, const Rigid& X);
  [[nodiscard]] const RayAtPose& atPose(Ray ray, const Rigid& X);
  [[nodiscard]] const CtVolume* image();

  void placeRay(Ray ray);
  void placeRays();
  void placeDevices();
  [[nodiscard]] Device placed(const EditedDevice& e) const;
  void checkAlone(Device& d, const EditedDevice& e);
  void derive();

  [[nodiscard]] EditContext context(const std::vector<std::string>& films) const;
  [[nodiscard]] StoredDevice stored(Device d) const;
  [[nodiscard]] Result<Device> drawn(const std::string& id, const std::string& type, const Vec3& entry, const Vec3& tip,
                                     std::vector<Device>& all);
  [[nodiscard]] Result<Placed> place(const std::string& id, const std::string& type, const Vec3& entry,
                                     const Vec3& tip) override;
  [[nodiscard]] Result<Construct> construct(Ray ray, bool wires) override;
  [[nodiscard]] Result<Trial> tryPlace(const std::string& id, const std::string& type, const Vec3& entry,
                                       const Vec3& tip) override;
  [[nodiscard]] Result<Trial> tryPose(Ray ray, const Rigid& injured_to_reduced) override;
};

// ---------------------------------------------------------------------------------------------- rays

/// Gives the checker what the ray's devices need if the ray is as planned.
void OpenCase::Impl::readyFor(Ray ray) {
  const RayReduction* now = find(edited.reduction.rays, ray);
  if (adopted.contains(ray) || now == nullptr ||
      !same(now->injured_to_reduced, planned.reduction.rays.at(ray).injured_to_reduced))
    return;
  if (const auto& made = tools->of(ray).checker) checker->adopt(made);
  adopted.insert(ray);
}

RayDisplacement OpenCase::Impl::displacementAt(Ray ray, const Rigid& X) {
  return displacement(ray, X.inverse(), X * tools->of(ray).base, planned.reduction.frame);
}

const RayAtPose& OpenCase::Impl::atPose(Ray ray, const Rigid& X) {
  const std::string key = fmt::format("{}{}", ray, rigidJson(X).dump());
  const auto known = at_pose.find(key);
  if (known != at_pose.end()) return known->second;
  keepFew(at_pose);
  RayAtPose& out = at_pose[key];
  out.joint = tools->of(ray).joint.at(X);
  out.displacement = displacementAt(ray, X);
  const Vec3& at = tools->of(ray).base;
  const double clearing = reduction::clearingTraction(tools->tarsus(ray), planned.injured.at(metatarsal(ray)), X, at,
                                                      planned.reduction.frame);
  out.manoeuvre = reduction::manoeuvre(ray, reduction::movementOf(X, at, planned.reduction.frame), clearing, false);
  return out;
}

/// Brings one ray of `edited` to the pose set by the edits.
void OpenCase::Impl::placeRay(Ray ray) {
  const RayReduction* planned_ray = find(planned.reduction.rays, ray);
  if (planned_ray == nullptr) return;
  const RayReduction& before = *planned_ray;
  RayReduction& now = edited.reduction.rays.at(ray);
  const bool by_hand = edits.poses.contains(ray);
  const Rigid X = edits.pose(ray, planned);
  const bool moves = !same(now.injured_to_reduced, X);
  if (!by_hand) {
    now = before;
    if (const RayDisplacement* d = find(planned.rays, ray)) edited.rays[ray] = *d;
  } else {
    const RayAtPose& o = atPose(ray, X);
    now.placeByHand(X);
    now.joint = o.joint;
    now.manoeuvre = o.manoeuvre;
    edited.rays[ray] = o.displacement;
  }
  const Bone bone = metatarsal(ray);
  if (ray == 2)
    for (auto& [id, f] : edited.fragments) {
      const CaseFragment& was = planned.fragments.at(id);
      f.injured_to_reduced = by_hand ? asRecorded(X * was.fit.injured_to_bone) : was.injured_to_reduced;
      f.uncertainty_mm = by_hand ? was.fit.uncertainty_mm : was.uncertainty_mm;
      f.uncertainty_rad = by_hand ? was.fit.uncertainty_rad : was.uncertainty_rad;
      if (moves) f.reduced = transformed(f.bone.surface, f.injured_to_reduced);
    }
  if (!moves) return;
  edited.reduction.reduced.at(bone) = transformed(edited.injured.at(bone), X);
  adopted.erase(ray);
  const Rigid along = X * before.injured_to_reduced.inverse();
  MetatarsalAxis& axis = axes.at(bone);
  axis = planned_axes.at(bone);
  if (by_hand) {
    for (Vec3* p : {&axis.base_centre, &axis.head_centre, &axis.base_point}) *p = along * *p;
    axis.distal = along.linear() * axis.distal;
  }
  std::map<std::string, Surface> fragments;
  if (ray == 2)
    for (const auto& [id, f] : edited.fragments)
      if (f.fit.doubt.empty()) fragments[id] = f.reduced;
  checker->moved(bone, X, fragments);
}

void OpenCase::Impl::placeRays() {
  for (const Ray ray : kRays) placeRay(ray);
  std::string poses;
  for (const auto& [ray, pose] : edits.poses) poses += fmt::format("{}{}", ray, rigidJson(pose).dump());
  if (poses.empty()) {
    edited.patterns = planned.patterns;
    edited.measures_reduced = planned.measures_reduced;
    return;
  }
  edited.patterns = classify(edited.rays, withinMm(edited.reduction));
  if (const auto known = measures.find(poses); known != measures.end()) {
    edited.measures_reduced = known->second;
    return;
  }
  // Takes half a second: runs in parallel with the checks of the devices.
  measuring = std::async(std::launch::async, [this, poses] {
    std::map<std::string, double> other;
    for (const Measure& m : planned.measures_reduced)
      if (m.other_side) other[m.key] = *m.other_side;
    BoneSurfaces foot = edited.reduction.reduced;
    if (!planned.fragments.empty() && foot.contains(Bone::kM2))
      foot.at(Bone::kM2) = transformed(tools->of(Ray(2)).whole, edits.pose(Ray(2), planned));
    return std::pair(poses, ctMeasuresAgainst(foot, planned.side, planned.reduction.frame, other, limits));
  });
}

// ---------------------------------------------------------------------------------------------- devices

/// The device where its ray has taken it.
Device OpenCase::Impl::placed(const EditedDevice& e) const {
  Device d = e.device;
  const Rigid X = edits.pose(d.ray, planned);
  if (same(X, e.pose)) return d;
  const Rigid along = X * e.pose.inverse();
  d.entry = along * d.entry;
  d.tip = along * d.tip;
  d.direction = (along.linear() * d.direction).normalized();
  return asRecorded(d);
}

/// Checks that depend on bones, repeated if the bones differ from those they were made with.
void OpenCase::Impl::checkAlone(Device& d, const EditedDevice& e) {
  const std::string basis = checkBasis(edits, planned, plan_key, d.ray);
  if (e.check_basis == basis) return;
  if (samePlanAndRay(e.check_basis, basis)) {
    d.checks.other_bones.clear();
    d.checks.may_enter.clear();
    for (const auto& [bone, surface] : edited.reduction.reduced)
      if (checker->enters(d, bone))
        d.checks.other_bones.emplace_back(boneId(bone));
      else if (checker->mayEnter(d, bone))
        d.checks.may_enter.emplace_back(boneId(bone));
    return;
  }
  const std::string key = keyOf(d, edits.pose(d.ray, planned)) + basis;
  auto known = checks.find(key);
  if (known == checks.end()) {
    checker->setImage(image());
    readyFor(d.ray);
    const auto made = checker->check(d, {});
    keepFew(checks);
    if (made) {
      known = checks.emplace(key, *made).first;
    } else {
      DeviceChecks none;
      none.failure = Message("workspace.not_checked_no_longer_face_each", {{"through", all(d.through)}, {"id", d.id}});
      known = checks.emplace(key, none).first;
    }
  }
  d.checks = known->second;
}

void OpenCase::Impl::placeDevices() {
  std::vector<Device> all;
  for (const EditedDevice& e : edits.devices) {
    all.push_back(placed(e));
    checkAlone(all.back(), e);
  }
  for (std::size_t i = 0; i < all.size(); ++i) {
    Device& d = all[i];
    const Device& before = edits.devices[i].device;
    const double near = checker->nearest(d, all).mm;
    if (d.checks.failure.empty() && std::abs(near - d.checks.nearest_device_mm) > kToldMm)
      d.checks.nearest_device_mm = near;
    Device plain = before;
    plain.checks = d.checks;
    if (deviceJson(plain) == deviceJson(before) && same(edits.pose(d.ray, planned), edits.devices[i].pose)) continue;
    d = asRecorded(d);
    d.warnings = checker->warnings(d);
  }
  edited.fixation.devices = std::move(all);
}

// ---------------------------------------------------------------------------------------------- the whole

void OpenCase::Impl::derive() {
  placeRays();
  placeDevices();
  if (measuring.valid()) {
    auto [poses, found] = measuring.get();
    keepFew(measures);
    measures[poses] = found;
    edited.measures_reduced = std::move(found);
  }
  edited.cautions = planned.cautions;
  // A ray placed by hand is no longer an open question.
  std::vector<Message> open;
  for (const OpenQuestion& q : openQuestions(edited)) open.push_back(inWords(q));
  for (const OpenQuestion& q : openQuestions(planned))
    if (std::ranges::find(open, inWords(q)) == open.end()) std::erase(edited.cautions, inWords(q));
  for (const auto& [ray, pose] : edits.poses)
    edited.cautions.push_back(Message("workspace.changed_hand_after_planning_place_ray", {{"ray", nameOf(ray)}}));
  std::vector<std::string> moved;
  for (const EditedDevice& e : edits.devices)
    if (e.by_hand) moved.push_back(e.device.id);
  if (!moved.empty()) edited.cautions.push_back(Message("workspace.set_hand_after_planning", {{"moved", all(moved)}}));
  std::vector<std::string> gone;
  for (const Device& d : planned.fixation.devices)
    if (edits.device(d.id) == nullptr) gone.push_back(d.id);
  if (!gone.empty()) edited.cautions.push_back(Message("workspace.taken_out_plan_hand", {{"gone", all(gone)}}));
  for (const Message& text : edits.cautions) edited.cautions.push_back(text);
  state = plannedState(input());
}

const CtVolume* OpenCase::Impl::image() {
  if (!ct) {
    auto scan = images.empty() ? Result<CtScan>(fail(Fault::kRequest, "workspace.case_has_no_images", "",
                                                     Message("workspace.import_ct_planned")))
                               : readCt(images, {planned.scan.series_uid});
    if (!scan)
      ct = tl::unexpected(scan.error());
    else if (scan->volume.grid.size != planned.grid.size)
      ct = fail(Fault::kImages, "workspace.images_not_those_plan_made", images.string(),
                Message("workspace.import_ct_planned_plan_again"));
    else
      ct = std::move(scan->volume);
  }
  return *ct ? &**ct : nullptr;
}

// ---------------------------------------------------------------------------------------------- edits

EditContext OpenCase::Impl::context(const std::vector<std::string>& films) const {
  return {edits, &planned, films, stepTitles(state.theatre)};
}

/// The device as drawn, with its checks; `all`: the resulting devices.
Result<Device> OpenCase::Impl::drawn(const std::string& id, const std::string& type, const Vec3& entry, const Vec3& tip,
                                     std::vector<Device>& all) {
  all = edited.fixation.devices;
  const auto it = std::find_if(all.begin(), all.end(), [&](const Device& d) { return d.id == id; });
  if (it == all.end()) return fail(Fault::kRequest, "workspace.no_such_device", "device.set");
  readyFor(it->ray);
  auto device = checker->drawn(*it, type.empty() ? it->type : type, entry, tip);
  if (!device) return device;
  Device d = asRecorded(*device);
  auto made = checker->check(d, all);
  if (!made) return tl::unexpected(made.error());
  d.checks = std::move(*made);
  d.warnings = checker->warnings(d);
  d = asRecorded(d);
  *it = d;
  return d;
}

StoredDevice OpenCase::Impl::stored(Device d) const {
  const Ray ray = d.ray;
  return {std::move(d), edits.pose(ray, planned), checkBasis(edits, planned, plan_key, ray)};
}

Result<EditWorkbench::Placed> OpenCase::Impl::place(const std::string& id, const std::string& type, const Vec3& entry,
                                                    const Vec3& tip) {
  checker->setImage(image());
  std::vector<Device> all;
  auto d = drawn(id, type, entry, tip, all);
  if (!d) return tl::unexpected(d.error());
  Placed out{stored(*std::move(d)), {}};
  if (!checker->hasImage())
    out.cautions.push_back(
        Message("workspace.grey_values_along_not_read_hold", {{"id", id}, {"what", ct->error().what}}));
  return out;
}

Result<EditWorkbench::Construct> OpenCase::Impl::construct(Ray ray, bool wires) {
  ConstructInput in = constructInput(edited, image());
  for (const Device& d : edited.fixation.devices)
    if (d.ray != ray) in.standing.push_back(d);
  ConstructSettings settings;
  settings.rays = {ray};
  settings.lateral_wires = wires;
  auto made = planConstruct(in, planned.catalogue, settings);
  if (!made) return tl::unexpected(made.error());
  Message why;
  for (const Message& text : made->cautions) why = then(why, text);
  // Fragments belong to the second ray and are not asked for here.
  std::erase_if(made->devices, [&](const Device& d) { return d.ray != ray; });
  if (std::none_of(made->devices.begin(), made->devices.end(),
                   [](const Device& d) { return d.stage == DeviceStage::kDefinitive; }))
    return fail(Fault::kRequest,
                Message("workspace.no_safe_found_ray",
                        {{"kind", nameOfKey(traits(wires ? DeviceKind::kWire : DeviceKind::kScrew).word)},
                         {"ray", nameOf(ray)}}),
                "device.swap", why.empty() ? Message("workspace.devices_stay_they") : why);
  Construct out{{}, std::move(made->cautions)};
  for (const Device& d : made->devices) out.devices.push_back(stored(asRecorded(d)));
  return out;
}

Result<Trial> OpenCase::Impl::tryPlace(const std::string& id, const std::string& type, const Vec3& entry,
                                       const Vec3& tip) {
  checker->setImage(ct && *ct ? &**ct : nullptr);
  std::vector<Device> all;
  const auto d = drawn(id, type, entry, tip, all);
  if (!d) return tl::unexpected(d.error());
  Trial out;
  StateDevice mine = stateOf(input(), *d, all, true);
  mine.image_read = checker->hasImage();
  out.devices.push_back({*d, std::move(mine)});
  for (Device& other : all) {
    if (other.id == d->id) continue;
    const double near = checker->nearest(other, all).mm;
    if (std::abs(near - other.checks.nearest_device_mm) <= kToldMm) continue;
    other.checks.nearest_device_mm = near;
    const EditedDevice* e = edits.device(other.id);
    out.devices.push_back({other, stateOf(input(), other, all, e != nullptr && e->by_hand)});
  }
  return out;
}

Result<Trial> OpenCase::Impl::tryPose(Ray ray, const Rigid& injured_to_reduced) {
  const Rigid X = asRecorded(injured_to_reduced);
  RayReduction r = edited.reduction.rays.at(ray);
  const Rigid along = X * r.injured_to_reduced.inverse();
  r.placeByHand(X);
  r.joint = tools->of(ray).joint.at(X);
  r.manoeuvre.clear();
  const RayDisplacement off = displacementAt(ray, X);
  Trial out;
  out.rays.push_back({r, off, stateOf(input(), r, off)});
  for (const Device& d : edited.fixation.devices) {
    if (d.ray != ray) continue;
    Device moved = d;
    moved.entry = along * d.entry;
    moved.tip = along * d.tip;
    moved.direction = (along.linear() * d.direction).normalized();
    out.devices.push_back({std::move(moved), std::nullopt});
  }
  return out;
}

// ---------------------------------------------------------------------------------------------- the interface

OpenCase::OpenCase(std::unique_ptr<Impl> impl) : impl_(std::move(impl)) {}
OpenCase::~OpenCase() = default;

Result<std::unique_ptr<OpenCase>> OpenCase::open(const std::filesystem::path& plan, const std::filesystem::path& images,
                                                 const Resources& resources) {
  auto read = readCase(plan, resources.catalogue, {.labels = false, .bodies = false});
  if (!read) return tl::unexpected(read.error());
  recogniseQuestions(*read, resources.words);
  auto impl = std::make_unique<Impl>();
  impl->plan = plan;
  impl->images = images;
  impl->limits = resources.limits;
  std::ifstream in(plan / "plan.json", std::ios::binary);
  const std::string text((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  impl->plan_key = planKey(text);
  impl->planned = std::move(*read);
  impl->edited = impl->planned;
  auto checker = DeviceChecker::make(constructInput(impl->edited, nullptr), impl->planned.catalogue);
  if (!checker) return tl::unexpected(checker.error());
  impl->checker.emplace(std::move(*checker));
  impl->edits = replayEdits({}, impl->planned, impl->plan_key);
  impl->planned_axes = impl->axes = words::axesOf(impl->planned);
  impl->tools.emplace(impl->planned);
  impl->derive();
  return std::unique_ptr<OpenCase>(new OpenCase(std::move(impl)));
}

Status OpenCase::replay(const std::vector<CaseEdit>& edits) {
  impl_->edits = replayEdits(edits, impl_->planned, impl_->plan_key);
  impl_->derive();
  return {};
}

Result<EditJson> OpenCase::complete(const std::string& kind, const EditJson& payload,
                                    const std::vector<std::string>& films) {
  if (const Status ok = checkEdit(impl_->context(films), kind, payload); !ok) return tl::unexpected(ok.error());
  return findEditKind(kind)->complete(payload, impl_.get());
}

Result<Trial> OpenCase::tryEdit(const std::string& kind, const EditJson& payload) {
  const EditKind* known = findEditKind(kind);
  if (known == nullptr || !known->attempt) {
    std::vector<std::string> names;
    for (const EditKind& k : editKinds())
      if (k.attempt) names.push_back(k.name);
    return refused(Message("workspace.cannot_tried", {{"substr", kind.substr(0, 60)}}), "kind",
                   Message("workspace.only_can", {{"all", all(names)}}));
  }
  if (const Status ok = checkEdit(impl_->context({}), kind, payload); !ok) return tl::unexpected(ok.error());
  return known->attempt(payload, *impl_);
}

void OpenCase::prepare(Ray ray) {
  if (impl_->planned.reduction.rays.contains(ray)) impl_->tools->startWith(ray);
}

const EditState& OpenCase::edits() const { return impl_->edits; }
const PlannedState& OpenCase::state() const { return impl_->state; }
const Case& OpenCase::edited() const { return impl_->edited; }

Status OpenCase::loadVolumes() {
  if (impl_->volumes) return {};
  auto labels = readPlanLabels(impl_->plan);
  if (!labels) return tl::unexpected(labels.error());
  auto bodies = readPlanBodies(impl_->plan);
  if (!bodies) return tl::unexpected(bodies.error());
  impl_->edited.labels = std::move(*labels);
  impl_->edited.bodies = std::move(*bodies);
  impl_->volumes = true;
  return {};
}

Result<const CtVolume*> OpenCase::ct() {
  if (const CtVolume* volume = impl_->image()) return volume;
  return tl::unexpected(impl_->ct->error());
}

}  // namespace rayset
