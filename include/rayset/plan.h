// From the CT of an injured foot to a plan, and from a written plan back.
//
//   namespace rs = rayset::api;
//   const auto resources = rs::Resources::read(data);
//   auto plan = rs::Plan::make({.images = "ct", .side = rs::Side::kLeft}, *resources);  // half a minute or more
//   if (!plan) return plan.error().exitStatus();
//   for (const rs::Ray& ray : plan->rays())
//     if (ray.displacement) std::cout << ray.number << ' ' << ray.displacement->lateral_mm << " mm lateral\n";
//   if (const auto written = plan->write("plan"); !written) return written.error().exitStatus();
//
// Rayset advises; a licensed surgeon decides. It is not a medical device.
#pragma once

#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "rayset/result.h"
#include "rayset/values.h"

namespace rayset::api {

/// The data that planning relies on: limits, implants, healthy joints, follow-up. Cheap to copy; read once and use from
/// any thread.
class Resources {
 public:
  /// `folder` holds limits.json, implants.json, joints.json and followup.json: PREFIX/share/rayset/data as installed
  /// (`rayset_DATA_DIR` in CMake after find_package). Fault::kRequest, naming the file, if one cannot be used.
  [[nodiscard]] RAYSET_API static Result<Resources> read(const std::filesystem::path& folder);

  struct Data;                                               ///< internal to the library
  [[nodiscard]] const Data& data() const { return *data_; }  ///< likewise

 private:
  explicit Resources(std::shared_ptr<const Data> data) : data_(std::move(data)) {}
  std::shared_ptr<const Data> data_;
};

struct PlanRequest {
  std::filesystem::path images;      ///< folder of the CT in DICOM, searched recursively
  std::filesystem::path other = {};  ///< the same for the other foot, if it is not in the same scan; may be empty
  std::string series = {};           ///< UID, number or description of the series to read; empty: the best one
  std::optional<Side> side = {};     ///< the injured side, if the anatomy should not decide
  bool lateral_wires = false;        ///< fix rays 4 and 5 with wires rather than screws
  std::filesystem::path edits = {};  ///< manual corrections, a JSON file as described in docs/edits.md; may be empty
};

enum class Pose {
  kInjured,  ///< as scanned
  kReduced   ///< where it belongs
};

/// A planned foot. It may be read from several threads at once.
class Plan {
 public:
  /// Makes a plan. Fault::kRequest for a request that cannot be carried out, kImages if the images are unsuitable for
  /// planning, kCancelled. A bone or ray that could not be planned is not an error: see partial() and cautions().
  [[nodiscard]] RAYSET_API static Result<Plan> make(const PlanRequest& request, const Resources& resources,
                                                    const Progress& progress = {});
  /// Reads a plan back from its folder. Numbers are then rounded as in plan.json. Fault::kRequest naming file and field
  /// if something is missing or invalid.
  [[nodiscard]] RAYSET_API static Result<Plan> open(const std::filesystem::path& folder, const Resources& resources);

  RAYSET_API Plan(Plan&&) noexcept;
  RAYSET_API Plan& operator=(Plan&&) noexcept;
  RAYSET_API ~Plan();

  /// Writes plan.json, report.pdf, surfaces, pictures and label map, which takes some seconds. `folder` may be missing
  /// or empty; with `replace` it may hold an earlier plan. Nothing is left half-written. Fault::kRequest for a folder
  /// that cannot be used, kInternal if writing fails, kCancelled.
  [[nodiscard]] RAYSET_API Status write(const std::filesystem::path& folder, bool replace = false,
                                        const Progress& progress = {});

  [[nodiscard]] RAYSET_API Side side() const;
  [[nodiscard]] RAYSET_API Images images() const;
  [[nodiscard]] RAYSET_API Frame frame() const;  ///< of the reduced foot
  /// The bones found: the twelve of the midfoot and hindfoot first, fragments last.
  [[nodiscard]] RAYSET_API std::vector<Bone> bones() const;
  /// Ids of the bones among the twelve that were not found.
  [[nodiscard]] RAYSET_API std::vector<std::string> missing() const;
  [[nodiscard]] RAYSET_API std::vector<Ray> rays() const;  ///< all five, in order
  [[nodiscard]] RAYSET_API Patterns patterns() const;
  [[nodiscard]] RAYSET_API std::vector<Measure> measures(Pose pose) const;
  [[nodiscard]] RAYSET_API std::vector<Device> devices() const;
  [[nodiscard]] RAYSET_API std::vector<std::string> cautions() const;
  [[nodiscard]] RAYSET_API bool partial() const;  ///< whether a bone or ray could not be planned
  [[nodiscard]] RAYSET_API std::map<std::string, double> timings_s() const;  ///< by stage
  /// A bone or fragment by its id. Fault::kRequest if there is no such id.
  [[nodiscard]] RAYSET_API Result<Mesh> boneMesh(std::string_view id, Pose pose) const;
  /// A device as a solid, in the reduced foot. Fault::kRequest as above.
  [[nodiscard]] RAYSET_API Result<Mesh> deviceMesh(std::string_view id) const;

 private:
  struct Impl;
  explicit Plan(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
};

}  // namespace rayset::api
