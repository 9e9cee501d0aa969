// The long work of the server: importing images, planning, checks after the operation. Each ends with a finished folder
// that the library adopts, or leaves nothing.
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
/// kRequest if nothing was uploaded, kImages as unpack() and readCt(). Uploads are kept until imported.
[[nodiscard]] Status importImages(const Services& services, const ImportOrder& order, const Progress& progress);

/// Adds uploaded films to those of the case. kRequest and kImages as takeFilms().
[[nodiscard]] Status importFilms(const Services& services, const std::string& id, const Progress& progress);

struct PlanOrder {
  std::string id;
  std::string side, lateral;  ///< empty: as in the previous plan, or decided by the program
};
[[nodiscard]] Status planImages(const Services& services, const PlanOrder& order, const Progress& progress);

struct VerifyOrder {
  std::string id;
  std::vector<std::string> views;
  bool temporary = false;
};
/// Films or a CT, distinguished by modality, against the plan as edited.
[[nodiscard]] Status verifyImages(const Services& services, const VerifyOrder& order, const Progress& progress);

struct AddOrder {
  std::filesystem::path images, plan;
  std::string name;
};
/// Makes a case from copies of images and of a folder written by `rayset plan`. Returns its id; that of an existing
/// case if one of the same name has the same plan.json.
[[nodiscard]] Result<std::string> addPlanned(const Services& services, const AddOrder& order,
                                             const Progress& progress = {});

/// Removes what a killed server left unfinished.
void sweep(const Library& library);

}  // namespace rayset::server
