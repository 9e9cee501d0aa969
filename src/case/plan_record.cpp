#include "case/plan_record.h"

#include <fmt/format.h>
#include <tbb/parallel_for.h>

#include <array>
#include <bit>
#include <cmath>
#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <unordered_map>

#include "case/plan_codec.h"
#include "geometry/codec.h"
#include "geometry/json.h"
#include "image/filters.h"
#include "language/spoken.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

Result<Json> readPlanJson(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "case.no_plan_folder", file.string(), Message("case.give_folder_rayset_plan_wrote"));
  Json j = Json::parse(in, nullptr, false);
  if (j.is_discarded() || !j.is_object())
    return fail(Fault::kRequest, "case.plan_no_json", file.string(), Message("case.plan_case_again"));
  return j;
}

}  // namespace

const Device* PlanRecord::device(const std::string& id) const {
  for (const Device& d : devices)
    if (d.id == id) return &d;
  return nullptr;
}

Result<FootBodies> readPlanBodies(const std::filesystem::path& folder) { return readBodies(folder / "bodies"); }

Result<LabelVolume> readPlanLabels(const std::filesystem::path& folder) {
  return readNrrdLabels(folder / "labels.nrrd");
}

// ---------------------------------------------------------------------------------------------- the whole case

namespace {

/// A binary STL of our own: vertices shared by triangles have the same bits, so they can be joined without searching
/// for near ones (ten times faster than readStl(), which reads all others).
Result<Surface> readOwnStl(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary | std::ios::ate);
  if (!in) return readStl(file);
  std::vector<char> bytes(static_cast<std::size_t>(in.tellg()));
  in.seekg(0);
  in.read(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  std::uint32_t count = 0;
  if (!in || bytes.size() < 84) return readStl(file);
  std::memcpy(&count, bytes.data() + 80, 4);
  if (count == 0 || bytes.size() != 84 + 50 * static_cast<std::size_t>(count)) return readStl(file);
  Surface s;
  s.triangles.reserve(count);
  s.vertices.reserve(count / 2 + 8);
  std::vector<std::uint32_t> table(std::bit_ceil(static_cast<std::size_t>(count) * 2), UINT32_MAX);
  std::vector<std::array<float, 3>> known;
  known.reserve(count / 2 + 8);
  const auto vertex = [&](const char* at) {
    std::array<float, 3> v{};
    std::memcpy(v.data(), at, sizeof v);
    std::uint64_t hash = 0;
    for (float& x : v) {
      x += 0.0F;  // no negative zero: one position, one vertex
      hash = (hash ^ std::bit_cast<std::uint32_t>(x)) * 0x9E3779B97F4A7C15ULL;
      hash ^= hash >> 29;
    }
    for (std::size_t slot = hash & (table.size() - 1);; slot = (slot + 1) & (table.size() - 1)) {
      if (table[slot] == UINT32_MAX) {
        table[slot] = static_cast<std::uint32_t>(known.size());
        known.push_back(v);
        s.vertices.emplace_back(static_cast<double>(v[0]), static_cast<double>(v[1]), static_cast<double>(v[2]));
        return table[slot];
      }
      if (known[table[slot]] == v) return table[slot];
    }
  };
  for (std::size_t i = 0; i < count; ++i) {
    const char* here = bytes.data() + 84 + 50 * i + 12;
    const Surface::Triangle t{vertex(here), vertex(here + 12), vertex(here + 24)};
    if (!s.vertices[t[0]].allFinite() || !s.vertices[t[1]].allFinite() || !s.vertices[t[2]].allFinite())
      return readStl(file);  // says what is wrong
    if (t[0] != t[1] && t[1] != t[2] && t[2] != t[0]) s.triangles.push_back(t);
  }
  return s;
}

struct SurfaceJob {
  std::filesystem::path file;
  Surface* into = nullptr;
};

Status readSurfaces(std::vector<SurfaceJob>& jobs) {
  std::vector<Status> done(jobs.size());
  tbb::parallel_for(std::size_t{0}, jobs.size(), [&](std::size_t i) {
    auto surface = readOwnStl(jobs[i].file);
    if (surface)
      *jobs[i].into = std::move(*surface);
    else
      done[i] = tl::unexpected(surface.error());
  });
  for (const Status& s : done)
    if (!s) return s;
  return {};
}

}  // namespace

Result<Device> deviceFromJson(const nlohmann::ordered_json& j, const std::string& where) {
  return codec::decode(deviceCodec(), j, Message("case.device"), where, "");
}

Result<Rigid> rigidFromJson(const nlohmann::ordered_json& j, const std::string& where) {
  static const codec::Codec<Rigid> transform = codec::transform();
  return codec::decode(transform, j, Message("case.matrix"), where, transform.help.remedy);
}

namespace {

Result<Case> caseIn(const std::filesystem::path& file) {
  const auto j = readPlanJson(file);
  if (!j) return tl::unexpected(j.error());
  return codec::decode(planCodec(), unspoken(*j), Message("case.plan"), file.string(), Message("case.plan_case_again"));
}

}  // namespace

Result<PlanRecord> readPlan(const std::filesystem::path& folder) {
  const auto c = caseIn(folder / "plan.json");
  if (!c) return tl::unexpected(c.error());
  PlanRecord plan;
  plan.folder = folder;
  plan.patient_id = c->scan.patient_id;
  plan.patient_name = c->scan.patient_name;
  plan.study_date = c->scan.study_date;
  plan.study_uid = c->scan.study_uid;
  plan.side = c->side;
  plan.frame = c->reduction.frame;
  for (const auto& [ray, r] : c->reduction.rays) {
    plan.injured_to_reduced[std::string(boneId(metatarsal(ray)))] = r.injured_to_reduced;
    plan.uncertainty_mm[ray] = r.uncertainty_mm;
  }
  for (const auto& [id, f] : c->fragments) plan.injured_to_reduced[id] = f.injured_to_reduced;
  plan.devices = c->fixation.devices;
  std::vector<SurfaceJob> jobs;
  for (const auto& [bone, b] : c->bones)
    jobs.push_back({folder / "reduced" / (std::string(boneId(bone)) + ".stl"), &plan.reduced[bone]});
  for (const auto& [id, f] : c->fragments) jobs.push_back({folder / "reduced" / (id + ".stl"), &plan.fragments[id]});
  if (const Status read = readSurfaces(jobs); !read) return tl::unexpected(read.error());
  return plan;
}

Rigid asRecorded(const Rigid& X) {
  Rigid exact = X;
  const Eigen::JacobiSVD<Mat3> svd(Mat3(X.linear()), Eigen::ComputeFullU | Eigen::ComputeFullV);
  exact.linear() = svd.matrixU() * svd.matrixV().transpose();
  return *rigidFromJson(rigidJson(exact), "transform");
}

Device asRecorded(const Device& d) {
  Device out = *deviceFromJson(deviceJson(d), "device");
  out.checks.failure = d.checks.failure;  // written among the warnings only
  return out;
}

Result<Case> readCase(const std::filesystem::path& folder, const Catalogue& catalogue, const CaseParts& parts) {
  auto recorded = caseIn(folder / "plan.json");
  if (!recorded) return recorded;
  Case c = *std::move(recorded);
  c.catalogue = catalogue;

  std::vector<SurfaceJob> jobs;
  const auto named = [&](const std::string& id) { return folder / "surfaces" / (id + ".stl"); };
  for (auto& [bone, b] : c.bones) jobs.push_back({named(std::string(boneId(bone))), &b.surface});
  for (auto& [id, f] : c.fragments) jobs.push_back({named(id), &f.bone.surface});
  if (const Status read = readSurfaces(jobs); !read) return tl::unexpected(read.error());
  for (const auto& [bone, b] : c.bones) c.injured[bone] = b.surface;
  c.reduction.reduced = c.injured;
  for (const auto& [ray, r] : c.reduction.rays)
    if (const auto it = c.injured.find(metatarsal(ray)); it != c.injured.end())
      c.reduction.reduced.at(it->first) = transformed(it->second, r.injured_to_reduced);
  for (auto& [id, f] : c.fragments) f.reduced = transformed(f.bone.surface, f.injured_to_reduced);

  if (parts.labels || c.grid.count() == 0) {
    auto labels = readPlanLabels(folder);
    if (!labels) return tl::unexpected(labels.error());
    if (c.grid.count() == 0) c.grid = labels->grid;
    if (parts.labels) c.labels = std::move(*labels);
  }
  if (parts.bodies) {
    auto bodies = readPlanBodies(folder);
    if (!bodies) return tl::unexpected(bodies.error());
    c.bodies = std::move(*bodies);
  }
  return c;
}

}  // namespace rayset
