// Films whose truth is known, for the registration's benchmark: a foot is injured, scanned and planned; then it is put
// back imperfectly, with its metal, scanned again (finer voxels, metal by volume) and
// filmed by ITK's ray caster, which shares nothing with our own projection; or scanned as a scanner would, metal and
// all.
#pragma once

#include <array>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include "accuracy/cases.h"
#include "case/case.h"
#include "case/plan_record.h"
#include "phantom/injury_spec.h"
#include "xray/film_registration.h"

namespace rayset::films_bench {

/// What a surgeon did with one screw otherwise than planned.
enum class Surprise { kNone, kOther, kMissing, kBroken };
[[nodiscard]] constexpr const char* wordOf(Surprise surprise) {
  return surprise == Surprise::kOther     ? "other screw"
         : surprise == Surprise::kMissing ? "screw missing"
         : surprise == Surprise::kBroken  ? "screw broken"
                                          : "as planned";
}

/// A foot that was injured, scanned and planned with its person left out.
struct PlannedFoot {
  const accuracy::TestFoot* foot = nullptr;
  InjuredFoot injured;
  Case plan;
};
/// Ends the program with a message where a foot or plan cannot be made.
[[nodiscard]] std::shared_ptr<const PlannedFoot> planFoot(const std::string& foot, const std::string& injury,
                                                          std::uint64_t seed);

struct Scene {
  std::string name, person;
  std::string surprised;  ///< the device that is not as planned; empty: none
  std::shared_ptr<const PlannedFoot> foot;
  std::map<std::string, Rigid> planned;                  ///< reducedPoses(plan)
  EachRay<Rigid> injured_to_post;                        ///< truth; the tarsus stands still
  std::map<std::string, std::pair<Vec3, Vec3>> devices;  ///< truth: entry and tip
  std::vector<FilmExposure> films;                       ///< `view` is the TRUE one
  std::vector<TubePose> tubes;                           ///< of the films, as asked for
  CtScan ct;                                             ///< of the foot after the operation, where asked for

  [[nodiscard]] const Case& plan() const { return foot->plan; }
};

struct SceneSettings {
  std::string foot;  ///< "procedural-5-left" or "vsd-z027-right"
  std::string injury = "homolateral";
  std::uint64_t plan_seed = 1;             ///< of the scan that is planned on
  std::uint64_t seed = 1;                  ///< of what is left after the operation, and of the films
  double ray_mm = 1.5, ray_deg = 2.5;      ///< what is left of each ray's displacement, at most
  double device_mm = 1.5, device_deg = 3;  ///< how far devices miss the plan, at most
  std::vector<std::string> views{"dorsoplantar-20", "lateral"};
  double pixel_mm = 0.3;
  double photons = 4000, scatter = 0.15;
  bool clinic = false;  ///< films as a clinic's unit makes them (clinic.h)
  Surprise surprise = Surprise::kNone;
  bool plaster = false;         ///< the foot is in a cast when it is filmed
  bool cropped = false;         ///< the toes are off the dorsoplantar film, from the heads of the metatarsals on
  bool poorly_reduced = false;  ///< one ray left 4 mm and 6 degrees off
  bool ct = false;              ///< a CT with metal and its streaks, instead of films
};

/// The foot after its operation. Ends the program with a message where it cannot be made.
[[nodiscard]] std::unique_ptr<Scene> makeScene(std::shared_ptr<const PlannedFoot> foot, const SceneSettings& settings);

/// What a check needs of its plan.
[[nodiscard]] PlanRecord recordOf(const Scene& scene);

/// Unit, evenly over the sphere.
[[nodiscard]] Vec3 randomDirection(std::mt19937_64& generator);

}  // namespace rayset::films_bench
