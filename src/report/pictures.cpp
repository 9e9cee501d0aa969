#include "report/pictures.h"

#include <cairo.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <memory>
#include <optional>

#include "anatomy/part_id.h"
#include "report/palette.h"

namespace rayset {
namespace {

using words::RayState;

struct Look {
  std::string name;  // "dorsal"
  Vec3 towards, up;  // to the viewer; up in the picture
  Message top, bottom, left, right;
};

Look makeLook(const Frame& f, const std::string& name, const Vec3& towards, const Vec3& up) {
  Look look{name, towards.normalized(), Vec3::Zero(), {}, {}, {}, {}};
  look.up = (up - up.dot(look.towards) * look.towards).normalized();
  const Vec3 right = look.up.cross(look.towards);
  look.top = wayName(orientationWord(f, look.up));
  look.bottom = wayName(orientationWord(f, -look.up));
  look.left = wayName(orientationWord(f, -right));
  look.right = wayName(orientationWord(f, right));
  return look;
}

// The view whose rectangle of the given shape (height / width) holds all the points with a margin.
RenderView fit(const Look& look, const std::vector<const Surface*>& shown, double margin_mm, double shape,
               double width_px) {
  RenderView view;
  view.up = look.up;
  view.right = look.up.cross(look.towards);
  double x0 = 1e9, x1 = -1e9, y0 = 1e9, y1 = -1e9, z = 0;
  std::size_t n = 0;
  for (const Surface* s : shown)
    for (const Vec3& v : s->vertices) {
      x0 = std::min(x0, v.dot(view.right));
      x1 = std::max(x1, v.dot(view.right));
      y0 = std::min(y0, v.dot(view.up));
      y1 = std::max(y1, v.dot(view.up));
      z += v.dot(look.towards);
      ++n;
    }
  if (n == 0) x0 = y0 = -1, x1 = y1 = 1, n = 1;
  view.centre = 0.5 * (x0 + x1) * view.right + 0.5 * (y0 + y1) * view.up + z / static_cast<double>(n) * look.towards;
  view.width_mm = std::max(x1 - x0 + 2 * margin_mm, (y1 - y0 + 2 * margin_mm) / shape);
  view.width_px = static_cast<int>(std::lround(width_px));
  view.height_px = static_cast<int>(std::lround(width_px * shape));
  return view;
}

// Rays count from the medial border; a tarsal bone counts as its most medial ray.
int rank(Bone bone) {
  if (const auto ray = rayOf(bone)) return ray->number();
  switch (bone) {
    case Bone::kC1:
      return 1;
    case Bone::kC2:
      return 2;
    case Bone::kC3:
      return 3;
    case Bone::kCub:
      return 4;
    default:
      return 0;
  }
}

bool drawnBone(Bone bone) { return bone != Bone::kTibia && bone != Bone::kFibula; }
bool isMidfoot(Bone bone) { return rank(bone) > 0 || bone == Bone::kNav; }

// Where to write a metatarsal's name: above its head.
Vec3 headOf(const Surface& metatarsal, const Vec3& distal) {
  double far = -1e18;
  for (const Vec3& v : metatarsal.vertices) far = std::max(far, v.dot(distal));
  Vec3 sum = Vec3::Zero();
  double n = 0;
  for (const Vec3& v : metatarsal.vertices)
    if (v.dot(distal) > far - 12) {
      sum += v;
      n += 1;
    }
  return n > 0 ? Vec3(sum / n) : Vec3(Vec3::Zero());
}

void tag(cairo_t* cr, const std::string& markup, double x, double y, const pdf::TextStyle& style, pdf::Colour border,
         bool boxed) {
  const double w = pdf::textWidth(cr, markup, style), h = pdf::drawText(cr, markup, 0, 0, -1, style, false);
  if (boxed) {
    pdf::setColour(cr, 0xFFFFFF, 0.88);
    cairo_rectangle(cr, x - 1.8, y - 0.6, w + 3.6, h + 1.2);
    cairo_fill_preserve(cr);
    pdf::setColour(cr, border);
    cairo_set_line_width(cr, 0.6);
    cairo_stroke(cr);
  }
  pdf::drawText(cr, markup, x, y, -1, style);
}

struct Rect {
  double x0, y0, x1, y1;
  [[nodiscard]] bool meets(const Rect& o) const { return x0 < o.x1 && o.x0 < x1 && y0 < o.y1 && o.y0 < y1; }
  [[nodiscard]] bool within(const Rect& o) const { return x0 >= o.x0 && y0 >= o.y0 && x1 <= o.x1 && y1 <= o.y1; }
};

}  // namespace

std::string orientationWord(const Frame& f, const Vec3& direction) {
  const Vec3 k = f.components(direction);  // medial, distal, dorsal
  int axis = 0;
  k.cwiseAbs().maxCoeff(&axis);
  static const char* names[3][2] = {{"medial", "lateral"}, {"distal", "proximal"}, {"dorsal", "plantar"}};
  return names[axis][k[axis] >= 0 ? 0 : 1];
}

Message wayName(const std::string& orientation_word) { return Message::made("report.way_" + orientation_word); }

namespace {

// A shot, and what is to be rendered in it.
struct Job {
  Shot shot;
  std::vector<RenderPart> parts;
  std::vector<std::unique_ptr<Surface>> own;  // ghosts, moved towards the viewer; parts point at them
};

// The pictures of one plan, before they are rendered.
class PlanShots {
 public:
  PlanShots(const Case& c, const std::map<std::string, Surface>& devices, const words::KnownAxes& axes,
            double pixels_per_point)
      : c_(c), devices_(devices), axes_(axes), pixels_per_point_(pixels_per_point) {
    for (const Ray ray : kRays) {
      const RayState state = words::state(c, ray);
      if (state == RayState::kDisplaced || state == RayState::kUntold) marked_.push_back(ray);
      if (state == RayState::kDisplaced || (state == RayState::kUntold && words::putBack(c, ray)))
        moved_.push_back(ray);
    }
    for (const BoneSurfaces* set : {&c.injured, &reduced_})
      for (const auto& [b, surface] : *set)
        if (isMidfoot(b) && !surface.empty()) shown_.push_back(&surface);
    for (const auto& [id, piece] : c.fragments)
      for (const Surface* surface : {&piece.bone.surface, &piece.reduced})
        if (!surface->empty()) shown_.push_back(surface);
  }

  [[nodiscard]] std::vector<Job> jobs() const;

 private:
  enum class State { kInjured, kReduced, kMetal };
  [[nodiscard]] Job foot(State state, const Look& look) const;
  void addBones(Job& job, State state, int sight) const;
  void addPieces(Job& job, State state) const;
  void addDevices(Job& job) const;
  void addGhosts(Job& job, State state, const Vec3& towards) const;
  void nameRays(Job& job, State state, int sight) const;
  [[nodiscard]] std::vector<Job> ray(Ray ray) const;
  [[nodiscard]] Job rayFrom(const Look& look, Ray ray, const std::vector<const Device*>& mine, const Vec3& axis) const;
  [[nodiscard]] std::vector<const Device*> devicesOf(Ray ray) const;
  [[nodiscard]] std::vector<Bone> bonesHeld(Ray ray, const std::vector<const Device*>& mine) const;

  [[nodiscard]] const BoneSurfaces& bonesIn(State state) const {
    return state == State::kInjured ? c_.injured : reduced_;
  }
  [[nodiscard]] bool in(Bone b, RayState state) const {
    const auto ray = rayOf(b);
    return ray && words::state(c_, *ray) == state;
  }
  // Highlighted: rays that are displaced or may be.
  [[nodiscard]] bool isDisplaced(Bone b) const { return in(b, RayState::kDisplaced); }
  [[nodiscard]] bool isUntold(Bone b) const { return in(b, RayState::kUntold); }
  // From the side: whether rays count from here, or from behind.
  static int sightOf(const Look& look) { return look.name == "medial" ? 1 : look.name == "lateral" ? -1 : 0; }
  static pdf::Colour colourOf(const Device& d) {
    return d.stage == DeviceStage::kTemporary ? palette::kWire : palette::kScrew;
  }
  void dress(Shot& shot, const Look& look) const {
    shot.corner = words::capitals(c_.side);
    shot.top = look.top, shot.bottom = look.bottom, shot.left = look.left, shot.right = look.right;
  }

  const Case& c_;
  const std::map<std::string, Surface>& devices_;
  const words::KnownAxes& axes_;
  double pixels_per_point_;
  const BoneSurfaces& reduced_ = c_.reduction.reduced;
  const Frame& frame_ = c_.reduction.frame;
  std::vector<Ray> marked_, moved_;    // highlighted rays; reduced rays
  std::vector<const Surface*> shown_;  // frame the picture for both states, so that they can be compared
};

std::vector<Job> PlanShots::jobs() const {
  std::vector<Job> out;
  if (shown_.empty()) return out;
  const Frame& f = frame_;
  const std::vector<Look> looks{makeLook(f, "dorsal", f.dorsal, f.distal), makeLook(f, "medial", f.medial, f.dorsal),
                                makeLook(f, "lateral", -f.medial, f.dorsal)};
  for (const Look& look : looks) {
    out.push_back(foot(State::kInjured, look));
    if (!reduced_.empty()) out.push_back(foot(State::kReduced, look));
  }
  if (!devices_.empty() && !reduced_.empty())
    for (const Look& look : looks) out.push_back(foot(State::kMetal, look));
  for (const Ray n : kRays)
    for (Job& job : ray(n)) out.push_back(std::move(job));
  return out;
}

Job PlanShots::foot(State state, const Look& look) const {
  static const std::map<State, std::pair<std::string, const char*>> kWords{
      {State::kInjured, {"injured", "report.caption_as_scanned"}},
      {State::kReduced, {"reduced", "report.caption_reduced"}},
      {State::kMetal, {"metal", "report.caption_with_devices"}}};
  Job job;
  Shot& shot = job.shot;
  shot.group = kWords.at(state).first;
  shot.name = shot.group + "_" + look.name;
  shot.caption = {kWords.at(state).second, {{"way", wayName(look.name)}}};
  dress(shot, look);
  shot.width_pt = (pdf::kPageWidth - 2 * pdf::kMargin - 10) / 2;
  const double shape = look.name != "dorsal" ? 0.60 : state == State::kMetal ? 1.25 : 1.16;
  shot.view = fit(look, shown_, 9, shape, shot.width_pt * pixels_per_point_);
  addBones(job, state, sightOf(look));
  addPieces(job, state);
  if (state == State::kMetal) {
    addDevices(job);
  } else {
    nameRays(job, state, sightOf(look));
    addGhosts(job, state, look.towards);
  }
  return job;
}

void PlanShots::addBones(Job& job, State state, int sight) const {
  for (const auto& [b, s] : bonesIn(state)) {
    if (!drawnBone(b) || s.empty()) continue;
    const bool of_foot = isMidfoot(b) || b == Bone::kTal || b == Bone::kCal;
    RenderPart part{&s, linearColour(of_foot ? palette::kBone : palette::kFaint), 1};
    if (state == State::kMetal) {
      part.opacity = isMidfoot(b) ? 0.22F : 0.12F;
    } else {
      if (isDisplaced(b)) part.colour = linearColour(state == State::kInjured ? palette::kFound : palette::kPlacedBone);
      if (isUntold(b)) part.colour = linearColour(palette::kUntold);
      // From the side, rays in front of every marked one are drawn translucent so as not to hide it.
      if (sight != 0 && !marked_.empty() && !isDisplaced(b) && !isUntold(b) && rank(b) > 0) {
        const bool in_front = sight > 0 ? rank(b) < marked_.front().number() : rank(b) > marked_.back().number();
        if (in_front) part.opacity = 0.3F;
      }
    }
    job.parts.push_back(part);
  }
}

void PlanShots::addPieces(Job& job, State state) const {
  const bool metal = state == State::kMetal;
  for (const auto& [id, piece] : c_.fragments) {
    const Surface& s = state == State::kInjured ? piece.bone.surface : piece.reduced;
    if (s.empty()) continue;
    job.parts.push_back({&s, linearColour(palette::kPiece), metal ? 0.4F : 1.0F});
    if (!metal) job.shot.labels.push_back({centroid(s), Message::quoted(id), palette::kPiece, true});
  }
}

void PlanShots::addDevices(Job& job) const {
  for (const Device& d : c_.fixation.devices) {
    const auto it = devices_.find(d.id);
    if (it == devices_.end() || it->second.empty()) continue;
    job.parts.push_back({&it->second, linearColour(colourOf(d)), 1});
    job.shot.labels.push_back({d.entry, Message::quoted(d.id), colourOf(d), true});
  }
}

// The other state of each moved ray as a translucent outline, brought to the front: in parallel projection it does not
// shift.
void PlanShots::addGhosts(Job& job, State state, const Vec3& towards) const {
  const BoneSurfaces& other = bonesIn(state == State::kInjured ? State::kReduced : State::kInjured);
  const auto colour = linearColour(state == State::kInjured ? palette::kPlace : palette::kFound);
  for (const Ray ray : moved_) {
    const auto it = other.find(metatarsal(ray));
    if (it == other.end() || it->second.empty()) continue;
    Surface& ghost = *job.own.emplace_back(std::make_unique<Surface>(it->second));
    for (Vec3& v : ghost.vertices) v += 300 * towards;
    job.parts.push_back({&ghost, colour, 0.0F});
  }
}

// From the side the heads overlap: only the foremost ray is named, the foremost marked one and the undecided ones.
void PlanShots::nameRays(Job& job, State state, int sight) const {
  const Ray foremost = sight > 0 ? kRays.front() : kRays.back();
  const auto named = [&](Ray ray) {
    return ray == foremost || (!marked_.empty() && ray == (sight > 0 ? marked_.front() : marked_.back()));
  };
  const bool injured = state == State::kInjured;
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray);
    const auto it = bonesIn(state).find(m);
    if (it == bonesIn(state).end() || it->second.empty()) continue;
    const bool moved = isDisplaced(m), untold = isUntold(m);
    if (sight != 0 && !named(ray) && !untold) continue;
    const pdf::Colour colour = !moved ? pdf::kInk : injured ? palette::kFoundText : palette::kPlace;
    job.shot.labels.push_back({headOf(it->second, frame_.distal),
                               Message::quoted(std::string(boneId(m)) + (untold             ? " ◊"
                                                                         : moved && injured ? " ▲"
                                                                                            : "")),
                               colour, true});
  }
}

std::vector<const Device*> PlanShots::devicesOf(Ray ray) const {
  std::vector<const Device*> mine;
  for (const Device& d : c_.fixation.devices)
    if (d.ray == ray && devices_.contains(d.id) && !devices_.at(d.id).empty()) mine.push_back(&d);
  return mine;
}

// The metatarsal first.
std::vector<Bone> PlanShots::bonesHeld(Ray ray, const std::vector<const Device*>& mine) const {
  std::vector<Bone> held{metatarsal(ray)};
  for (const Device* d : mine)
    for (const std::string& id : d->through)
      if (const auto b = boneFromId(parentId(id));
          b && reduced_.contains(*b) && std::find(held.begin(), held.end(), *b) == held.end())
        held.push_back(*b);
  return held;
}

// A ray with its devices, in the ray's own directions so that a screw's angle to the shaft shows in true size. From the
// nearer border, and from dorsal.
std::vector<Job> PlanShots::ray(Ray ray) const {
  const std::vector<const Device*> mine = devicesOf(ray);
  const auto m = reduced_.find(metatarsal(ray));
  if (mine.empty() || m == reduced_.end() || m->second.empty()) return {};
  const Frame& f = frame_;
  const Vec3 axis = words::axisOf(c_, m->first, axes_).distal;
  const Vec3 dorsal = (f.dorsal - f.dorsal.dot(axis) * axis).normalized();
  const Vec3 medial = (f.medial - f.medial.dot(axis) * axis - f.medial.dot(dorsal) * dorsal).normalized();
  const Vec3 side = ray <= 3 ? medial : Vec3(-medial);
  std::vector<Job> out;
  for (const Look& look : {makeLook(f, "side", side, dorsal), makeLook(f, "dorsal", dorsal, axis)})
    out.push_back(rayFrom(look, ray, mine, axis));
  return out;
}

Job PlanShots::rayFrom(const Look& look, Ray ray, const std::vector<const Device*>& mine, const Vec3& axis) const {
  const bool from_dorsal = look.name == "dorsal";
  const std::vector<Bone> held = bonesHeld(ray, mine);
  Job job;
  Shot& shot = job.shot;
  shot.group = "ray";
  shot.ray = ray;
  shot.name = "ray" + std::to_string(ray.number()) + "_" + look.name;
  shot.caption = {"report.caption_ray",
                  {{"ray", capitalised(Message("report.ray", {{"ray", nameOf(ray)}}))},
                   {"way", wayName(from_dorsal ? "dorsal"
                                   : ray <= 3  ? "medial"
                                               : "lateral")}}};
  dress(shot, look);
  std::vector<const Surface*> framed;
  framed.reserve(held.size() + mine.size());
  for (const Bone b : held) framed.push_back(&reduced_.at(b));
  for (const Device* d : mine) framed.push_back(&devices_.at(d->id));
  shot.width_pt = from_dorsal ? 136 : 364;
  shot.view = fit(look, framed, 5, from_dorsal ? 1.5 : 0.56, shot.width_pt * pixels_per_point_);
  for (const auto& [b, s] : reduced_) {
    if (!drawnBone(b) || s.empty() || !isMidfoot(b)) continue;
    const bool is_held = std::find(held.begin(), held.end(), b) != held.end();
    if (is_held || from_dorsal)
      job.parts.push_back({&s, linearColour(is_held ? palette::kBone : palette::kFaint), is_held ? 0.30F : 0.05F});
  }
  for (const auto& [id, piece] : c_.fragments)
    if (ray == 2 && !piece.reduced.empty()) job.parts.push_back({&piece.reduced, linearColour(palette::kPiece), 0.40F});
  for (const Device* d : mine) {
    job.parts.push_back({&devices_.at(d->id), linearColour(colourOf(*d)), 1});
    shot.labels.push_back(
        {d->entry, {"report.name_figure", {{"name", d->id}, {"figure", mm(d->length_mm, 0)}}}, colourOf(*d), true});
  }
  for (const Bone b : held)
    shot.labels.push_back({b == metatarsal(ray) ? headOf(reduced_.at(b), axis) : centroid(reduced_.at(b)),
                           Message::quoted(std::string(boneId(b))), pdf::kGrey, false});
  return job;
}

}  // namespace

std::vector<Shot> makeShots(const Case& c, const std::map<std::string, Surface>& devices, const words::KnownAxes& axes,
                            double pixels_per_point, const Progress& progress) {
  std::vector<Job> jobs = PlanShots(c, devices, axes, pixels_per_point).jobs();
  std::vector<const Surface*> surfaces;
  for (const Job& job : jobs)
    for (const RenderPart& part : job.parts) surfaces.push_back(part.surface);
  const PreparedSurfaces prepared(surfaces);
  std::vector<Shot> shots;
  for (std::size_t j = 0; j < jobs.size(); ++j) {
    if (progress.cancelled()) return {};
    progress("report", 0.1 + 0.7 * static_cast<double>(j) / static_cast<double>(jobs.size()));
    RenderSettings settings;
    settings.occlusion_rays = 9;
    settings.samples = 2;
    jobs[j].shot.picture = render(jobs[j].parts, jobs[j].shot.view, settings, prepared);
    shots.push_back(std::move(jobs[j].shot));
  }
  return shots;
}

std::vector<Shot> makeCheckShots(const CheckedFoot& foot, double pixels_per_point) {
  const Frame& f = foot.frame;
  std::vector<const Surface*> shown;
  for (const BoneSurfaces* set : {&foot.planned, &foot.found})
    for (const auto& [b, s] : *set)
      if (isMidfoot(b) && !s.empty()) shown.push_back(&s);
  std::vector<Shot> shots;
  if (shown.empty()) return shots;
  const auto isOff = [&](Bone b) {
    const auto ray = rayOf(b);
    return ray && std::find(foot.off.begin(), foot.off.end(), *ray) != foot.off.end();
  };
  for (const bool metal : {false, true}) {
    if (metal && foot.devices_found.empty()) continue;
    for (const Look& look : {makeLook(f, "dorsal", f.dorsal, f.distal), makeLook(f, "medial", f.medial, f.dorsal)}) {
      Shot shot;
      shot.group = metal ? "found_metal" : "found";
      shot.name = shot.group + "_" + look.name;
      shot.caption = {metal ? "report.caption_devices_found" : "report.caption_bones_found",
                      {{"way", wayName(look.name)}}};
      shot.corner = words::capitals(foot.side);
      shot.top = look.top, shot.bottom = look.bottom, shot.left = look.left, shot.right = look.right;
      shot.width_pt = (pdf::kPageWidth - 2 * pdf::kMargin - 10) / 2;
      shot.view = fit(look, shown, 9, look.name == "dorsal" ? 1.16 : 0.60, shot.width_pt * pixels_per_point);
      std::vector<RenderPart> parts;
      for (const auto& [b, s] : foot.found) {
        if (!drawnBone(b) || s.empty()) continue;
        RenderPart part{&s, linearColour(isMidfoot(b) ? palette::kBone : palette::kFaint), 1};
        if (metal)
          part.opacity = isMidfoot(b) ? 0.22F : 0.12F;
        else if (isOff(b))
          part.colour = linearColour(palette::kFound);
        parts.push_back(part);
      }
      // Outlines of the plan are brought to the front: in parallel projection they do not shift.
      std::vector<Surface> own;
      const auto outline = [&](const Surface& s) {
        own.push_back(s);
        for (Vec3& v : own.back().vertices) v += 300 * look.towards;
      };
      if (metal) {
        for (const auto& [id, s] : foot.devices_found) {
          parts.push_back({&s, linearColour(palette::kScrew), 1});
          shot.labels.push_back({s.vertices.front(), Message::quoted(id), palette::kScrew, true});
        }
        for (const auto& [id, s] : foot.devices_planned) outline(s);
      } else {
        for (const auto& [b, s] : foot.planned)
          if (rayOf(b) && !s.empty()) outline(s);
        for (const auto& [b, s] : foot.found)
          if (rayOf(b) && !s.empty() && (look.name == "dorsal" || *rayOf(b) == 1 || isOff(b)))
            shot.labels.push_back({headOf(s, f.distal),
                                   Message::quoted(std::string(boneId(b)) + (isOff(b) ? " ▲" : "")),
                                   isOff(b) ? palette::kFoundText : pdf::kInk, true});
      }
      for (const Surface& s : own) parts.push_back({&s, linearColour(palette::kPlace), 0.0F});
      RenderSettings settings;
      settings.occlusion_rays = 9;
      settings.samples = 2;
      shot.picture = render(parts, shot.view, settings);
      shots.push_back(std::move(shot));
    }
  }
  return shots;
}

double drawShot(const Words& words, cairo_t* cr, const Shot& shot, double x, double y, double width, bool image) {
  const double height = width * shot.view.height_px / shot.view.width_px;
  cairo_save(cr);
  cairo_rectangle(cr, x, y, width, height);
  cairo_clip(cr);
  if (image && !shot.picture.rgba.empty()) {
    cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, shot.picture.width, shot.picture.height);
    if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
      unsigned char* data = cairo_image_surface_get_data(surface);
      const int stride = cairo_image_surface_get_stride(surface);
      for (int row = 0; row < shot.picture.height; ++row)
        for (int col = 0; col < shot.picture.width; ++col) {
          const std::uint8_t* p =
              &shot.picture.rgba[4 * (static_cast<std::size_t>(row) * static_cast<std::size_t>(shot.picture.width) +
                                      static_cast<std::size_t>(col))];
          const std::uint32_t pixel =
              (static_cast<std::uint32_t>(p[0]) << 16) | (static_cast<std::uint32_t>(p[1]) << 8) | p[2];
          std::memcpy(data + static_cast<std::ptrdiff_t>(row) * stride + 4 * static_cast<std::ptrdiff_t>(col), &pixel,
                      4);
        }
      cairo_surface_mark_dirty(surface);
      cairo_save(cr);
      cairo_translate(cr, x, y);
      cairo_scale(cr, width / shot.picture.width, height / shot.picture.height);
      cairo_set_source_surface(cr, surface, 0, 0);
      cairo_paint(cr);
      cairo_restore(cr);
    }
    cairo_surface_destroy(surface);
  }

  const pdf::TextStyle small{.size = 7, .colour = shot.dark ? pdf::kInk : pdf::kGrey};
  const pdf::TextStyle tags{.size = 7.2};
  const double line = pdf::drawText(cr, "Mg", 0, 0, -1, small, false);
  std::vector<Rect> taken;
  const Rect frame{x + 3, y + 3, x + width - 3, y + height - 3};
  const auto put = [&](const std::string& text, double px, double py, const pdf::TextStyle& style) {
    const double w = pdf::textWidth(cr, text, style);
    pdf::setColour(cr, 0xFFFFFF, 0.72);
    cairo_rectangle(cr, px - 1.5, py, w + 3, line);
    cairo_fill(cr);
    tag(cr, text, px, py, style, pdf::kRule, false);
    taken.push_back({px - 2, py - 1, px + w + 2, py + line + 1});
  };
  // Side, always in the top left corner.
  {
    const pdf::TextStyle side{.size = 8.5, .colour = 0xFFFFFF};
    const std::string text = pdf::bold(pdf::escaped(words(shot.corner)));
    const double w = pdf::textWidth(cr, text, side), h = pdf::drawText(cr, text, 0, 0, -1, side, false);
    pdf::setColour(cr, pdf::kInk);
    cairo_rectangle(cr, x + 4, y + 4, w + 8, h + 3);
    cairo_fill(cr);
    pdf::drawText(cr, text, x + 8, y + 5.5, -1, side);
    taken.push_back({x + 2, y + 2, x + w + 14, y + h + 9});
  }
  const auto centred = [&](const std::string& text, double cx) { return cx - 0.5 * pdf::textWidth(cr, text, small); };
  const std::string top = pdf::escaped(words(shot.top)), bottom = pdf::escaped(words(shot.bottom)),
                    right = pdf::escaped(words(shot.right));
  put(top, centred(top, x + width / 2), y + 3, small);
  put(bottom, centred(bottom, x + width / 2), y + height - line - 3, small);
  put(pdf::escaped(words(shot.left)), x + 4, y + height / 2 - line / 2, small);
  put(right, x + width - 4 - pdf::textWidth(cr, right, small), y + height / 2 - line / 2, small);

  if (!shot.note.empty()) {
    const std::string note = pdf::bold(pdf::escaped(words(shot.note)));
    put(note, x + width - 5 - pdf::textWidth(cr, note, small), y + height - line - 3, small);
  }

  // Scale bar: 10 or 20 mm.
  const double points_per_mm = width / shot.view.width_mm;
  const double bar = points_per_mm * 20 > width * 0.35 ? 10 : 20;
  const double bx = x + 6, by = y + height - 8;
  const std::string bar_text = words.text(mm(bar, 0));
  const double bar_width = std::max(bar * points_per_mm, 2 + pdf::textWidth(cr, bar_text, small));
  if (shot.dark) {
    pdf::setColour(cr, 0xFFFFFF, 0.85);
    cairo_rectangle(cr, bx - 3, by - line - 4, bar_width + 6, line + 7);
    cairo_fill(cr);
  }
  pdf::setColour(cr, pdf::kInk);
  cairo_set_line_width(cr, 1.2);
  cairo_move_to(cr, bx, by - 2.5);
  cairo_line_to(cr, bx, by);
  cairo_line_to(cr, bx + bar * points_per_mm, by);
  cairo_line_to(cr, bx + bar * points_per_mm, by - 2.5);
  cairo_stroke(cr);
  pdf::drawText(cr, bar_text, bx + 2, by - line - 3, -1, small);
  taken.push_back({bx - 2, by - line - 5, bx + bar_width + 4, by + 3});

  // Labels take the first free place around their point.
  for (const ShotLabel& l : shot.labels) {
    const Eigen::Vector2d p = project(shot.view, l.at);
    const double px = x + p.x() * width / shot.view.width_px, py = y + p.y() * height / shot.view.height_px;
    if (px < x || px > x + width || py < y || py > y + height) continue;
    pdf::TextStyle style = tags;
    style.colour = l.boxed ? pdf::kInk : l.colour;
    const std::string plain = words(l.text);
    const std::string text = l.boxed ? pdf::bold(pdf::escaped(plain)) : pdf::escaped(plain);
    const double w = pdf::textWidth(cr, text, style) + 5, h = pdf::drawText(cr, text, 0, 0, -1, style, false) + 3;
    std::optional<Rect> best;
    for (const double reach : {0.0, 12.0, 20.0, 30.0, 42.0, 56.0, 72.0}) {
      if (reach == 0 && plain.size() > 4 && l.boxed) continue;  // device tags would hide the entry: they go beside it
      for (int k = 0; k < (reach == 0 ? 1 : 16) && !best; ++k) {
        const double phi = 2 * M_PI * ((k % 2 == 0 ? k / 2 : 16 - (k + 1) / 2) / 16.0) -
                           M_PI / 2.6;  // first above, a little to the right
        const double cx = px + reach * std::cos(phi) + (reach > 0 ? 0.5 * w * std::cos(phi) : 0),
                     cy = py + reach * std::sin(phi);
        const Rect r{cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2};
        if (!r.within(frame)) continue;
        if (std::none_of(taken.begin(), taken.end(), [&](const Rect& o) { return o.meets(r); })) best = r;
      }
      if (best) break;
    }
    if (!best) continue;
    const double cx = 0.5 * (best->x0 + best->x1), cy = 0.5 * (best->y0 + best->y1);
    if (std::hypot(cx - px, cy - py) > 6) {
      pdf::setColour(cr, 0xFFFFFF);
      cairo_set_line_width(cr, 1.8);
      cairo_move_to(cr, px, py);
      cairo_line_to(cr, cx, cy);
      cairo_stroke(cr);
      pdf::setColour(cr, l.colour);
      cairo_set_line_width(cr, 0.7);
      cairo_move_to(cr, px, py);
      cairo_line_to(cr, cx, cy);
      cairo_stroke(cr);
      cairo_arc(cr, px, py, 1.5, 0, 2 * M_PI);
      cairo_fill(cr);
    }
    tag(cr, text, best->x0 + 2.5, best->y0 + 1.5, style, l.colour, l.boxed);
    taken.push_back({best->x0 - 1, best->y0 - 1, best->x1 + 1, best->y1 + 1});
  }
  cairo_restore(cr);
  pdf::setColour(cr, pdf::kRule);
  cairo_set_line_width(cr, 0.6);
  cairo_rectangle(cr, x, y, width, height);
  cairo_stroke(cr);
  return height;
}

std::vector<LegendEntry> legend(const Words& words, const Case& c, const std::string& group) {
  using Mark = LegendEntry::Mark;
  std::vector<LegendEntry> out;
  if (group == "film") return out;  // the caption explains a film
  const bool displaced = !words::raysIn(c, RayState::kDisplaced).empty();
  if (!c.fragments.empty()) out.push_back({palette::kPiece, Mark::kSolid, words("report.key_piece")});
  if (group == "injured" || group == "reduced") {
    if (!words::raysIn(c, RayState::kUntold).empty())
      out.push_back({palette::kUntold, Mark::kSolid, words("report.key_untold")});
    if (!displaced) return out;
    if (group == "injured") {
      out.push_back({palette::kFound, Mark::kSolid, words("report.key_displaced")});
      out.push_back({palette::kPlace, Mark::kOutline, words("report.key_belongs")});
    } else {
      out.push_back({palette::kPlacedBone, Mark::kSolid, words("report.key_moved")});
      out.push_back({palette::kFound, Mark::kOutline, words("report.key_scanned")});
    }
  } else {
    bool screws = false, wires = false, kept = false;
    for (const Device& d : c.fixation.devices) {
      if (d.stage == DeviceStage::kTemporary) {
        wires = true;
      } else {
        (traits(d.kind).stub_mm > 0 ? kept : screws) = true;
      }
    }
    if (screws) out.push_back({palette::kScrew, Mark::kBar, words("report.key_screw")});
    if (kept) out.push_back({palette::kScrew, Mark::kThinBar, words("report.key_wire_stays")});
    if (wires) out.push_back({palette::kWire, Mark::kThinBar, words("report.key_wire_temporary")});
  }
  return out;
}

double drawLegend(cairo_t* cr, const std::vector<LegendEntry>& entries, double x, double y, double width, bool draw) {
  if (entries.empty()) return 0;
  const pdf::TextStyle style{.size = 7.6};
  double px = x, py = y;
  for (const LegendEntry& e : entries) {
    const std::string text = pdf::escaped(e.text);
    const double w = 17 + pdf::textWidth(cr, text, style) + 14;
    if (px > x && px + w > x + width) {
      px = x;
      py += 12;
    }
    if (draw) {
      pdf::setColour(cr, e.colour);
      switch (e.mark) {
        case LegendEntry::Mark::kSolid:
          cairo_rectangle(cr, px, py + 1, 12, 8);
          cairo_fill(cr);
          break;
        case LegendEntry::Mark::kOutline:
          cairo_set_line_width(cr, 1.4);
          cairo_rectangle(cr, px + 0.7, py + 1.7, 10.6, 6.6);
          cairo_stroke(cr);
          break;
        case LegendEntry::Mark::kBar:
          cairo_rectangle(cr, px, py + 3, 12, 4);
          cairo_fill(cr);
          break;
        case LegendEntry::Mark::kThinBar:
          cairo_rectangle(cr, px, py + 4.3, 12, 1.6);
          cairo_fill(cr);
          break;
      }
      pdf::drawText(cr, text, px + 16, py + 0.5, -1, style);
    }
    px += w;
  }
  return py - y + 13;
}

Status writeShot(const Words& words, const std::filesystem::path& file, Side side, const Shot& shot,
                 const std::vector<LegendEntry>& entries) {
  const double width = shot.width_pt, scale = shot.view.width_px / width, picture = shot.view.height_px / scale;
  // Captions can be wider than a narrow picture: they wrap, so measure on a scrap surface first.
  const pdf::TextStyle style{.size = 8.5};
  const std::string caption =
      words("report.caption_of_foot",
            {{"foot", pdf::bold(pdf::escaped(words("report.caption_foot", {{"side", words::capitals(side)}})))},
             {"caption", pdf::escaped(words(shot.caption))}});
  double text = 0, keys = 0;
  {
    cairo_surface_t* scrap = cairo_image_surface_create(CAIRO_FORMAT_RGB24, 8, 8);
    cairo_t* cr = cairo_create(scrap);
    text = pdf::drawText(cr, caption, 0, 0, width - 8, style, false);
    keys = drawLegend(cr, entries, 0, 0, width - 8, false);
    cairo_destroy(cr);
    cairo_surface_destroy(scrap);
  }
  const double height = picture + 4 + text + (keys > 0 ? 3 + keys : 0) + 4;
  return pdf::writePng(file, width, height, scale, [&](cairo_t* cr) {
    drawShot(words, cr, shot, 0, 0, width);
    pdf::drawText(cr, caption, 4, picture + 4, width - 8, style);
    drawLegend(cr, entries, 4, picture + 4 + text + 3, width - 8);
  });
}

Status writtenBeside(const std::vector<std::function<Status()>>& writers) {
  std::vector<Status> written(writers.size());
  tbb::parallel_for(std::size_t{0}, writers.size(), [&](std::size_t n) { written[n] = writers[n](); });
  const auto bad = std::ranges::find_if(written, [](const Status& status) { return !status; });
  return bad == written.end() ? Status{} : *bad;
}

}  // namespace rayset
