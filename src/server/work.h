// The long work of the server: images read in, plans, checks after the operation. Each ends with a finished folder that
// is adopted by the library, or leaves nothing.
#pragma once

#include <string>
#include <vector>

#include "base/progress.h"
#include "base/result.h"
#include "server/open_cases.h"
#include "store/library.h"

namespace rayset::server {

struct Services {
  Library& library;
  OpenCases& cases;
  const Resources& resources;
};

struct ImportOrder {
  std::string id;
  std::string part;  ///< "images" or "other"
  std::string series;
};
/// kRequest if nothing was uploaded, kImages as unpack() and readCt(). What was uploaded is kept unless it came in.
[[nodiscard]] Status importImages(const Services& services, const ImportOrder& order, const Progress& progress);

/// Films that were uploaded as such, beside those the case has. kRequest and kImages as takeFilms().
[[nodiscard]] Status importFilms(const Services& services, const std::string& id, const Progress& progress);

struct PlanOrder {
  std::string id;
  std::string side, lateral;  ///< empty: as in the plan before, or as the program decides
};
[[nodiscard]] Status planImages(const Services& services, const PlanOrder& order, const Progress& progress);

struct VerifyOrder {
  std::string id;
  std::vector<std::string> views;
  bool temporary = false;
};
/// Films or a CT, told apart by their modality, against the plan as edited.
[[nodiscard]] Status verifyImages(const Services& services, const VerifyOrder& order, const Progress& progress);

struct AddOrder {
  std::filesystem::path images, plan;
  std::string name;
};
/// A case from images and the folder that `rayset plan` wrote, copied. Its id; that of the case there is where one of
/// the same name has the same plan.json.
[[nodiscard]] Result<std::string> addPlanned(const Services& services, const AddOrder& order,
                                             const Progress& progress = {});

/// Removes what a killed server left unfinished.
void sweep(const Library& library);

}  // namespace rayset::server
