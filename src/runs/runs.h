// Whole runs, from images to a folder of results, for the command line, the server and the library.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "case/case.h"
#include "case/plan_record.h"
#include "outcome/film_check.h"
#include "outcome/verification.h"

namespace rayset {

/// planCase(), writeReport() and plan.json, into an existing empty folder. Errors as those; kCancelled if stopped.
[[nodiscard]] Result<Case> planInto(const PlanRequest& request, const Resources& resources,
                                    const std::filesystem::path& folder, const Progress& progress = {});

/// writeReport() and plan.json of a newly planned case, recording the time that took, into an existing empty folder.
/// Errors as for planInto().
[[nodiscard]] Status writeNewPlan(const Words& words, Case& c, const std::filesystem::path& folder,
                                  const Progress& progress = {});
/// writeReport() and plan.json of a case that was read back from a plan, into an existing empty folder. Errors as
/// those.
[[nodiscard]] Status writePlan(const Words& words, const Case& c, const std::filesystem::path& folder,
                               const Progress& progress = {});

struct VerifyRequest {
  std::filesystem::path plan;                ///< folder that planInto() wrote
  std::vector<std::filesystem::path> films;  ///< a single one only covers its own plane; or
  std::filesystem::path ct;                  ///< a folder
  std::vector<std::string> views;            ///< of the films, in their order; empty: from their headers
  std::string series;                        ///< of the CT
  bool temporary = false;                    ///< wires of the temporary stage are still in
  std::filesystem::path earlier;             ///< folder of an earlier check to compare with; empty: none
};

/// The input, read before anything is computed.
struct VerifyInput {
  VerifyRequest request;
  Words words;
  PlanRecord plan;
  Catalogue catalogue;
  Limits limits;
  std::shared_ptr<const Segmenter> segmenter;
  FootBodies bodies;               ///< films only
  std::vector<CheckedFilm> films;  ///< films only
  nlohmann::json earlier;          ///< verification.json of the earlier check; null: none
};

/// kRequest if neither or both of films and CT are given, views and films differ in number, the plan cannot be used, or
/// a limit needed for the verdicts is missing; kImages naming the unusable film.
[[nodiscard]] Result<VerifyInput> readVerifyInput(const VerifyRequest& request, const Resources& resources);
/// The earlier check of this foot that later ones can be compared with; null if the folder contains none.
[[nodiscard]] nlohmann::json earlierCheck(const std::filesystem::path& folder);
/// checkFilms() or checkCt(), and changeSince() if there is an earlier check. Errors as for those.
[[nodiscard]] Result<Verification> verify(const VerifyInput& input, const Progress& progress = {});
/// verify(), the report and verification.json, into an existing empty folder. Errors as those.
[[nodiscard]] Result<Verification> verifyInto(const VerifyInput& input, const std::filesystem::path& folder,
                                              const Progress& progress = {});

struct ViewsRequest {
  std::filesystem::path plan;                                                  ///< folder that planInto() wrote
  std::vector<std::string> views{"dorsoplantar-20", "oblique-30", "lateral"};  ///< names or tube angles
  std::vector<std::string> states{"injured", "reduced", "metal"};
  double pixel_mm = 0.2, scatter = 0, photons = 0;
};
struct ViewsWritten {
  int films = 0;
  bool sole_assumed = false;  ///< the sole is not in the CT: tube angles are off by the foot's slope
};
/// Simulated films of a planned foot, VIEW_STATE.png and .dcm, and views.json, into an existing empty folder. kRequest
/// for a plan that cannot be used or an unknown view.
[[nodiscard]] Result<ViewsWritten> viewsInto(const ViewsRequest& request, const Resources& resources,
                                             const std::filesystem::path& folder, const Progress& progress = {});

}  // namespace rayset
