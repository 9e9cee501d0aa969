// views.json as a table (base/codec.h): every field once, for writing, reading and data/schema/views.schema.json.
#pragma once

#include <string>
#include <vector>

#include "base/codec.h"
#include "report/film_shots.h"
#include "xray/projection.h"

namespace rayset {

/// One simulated film, as it lies beside views.json.
struct ViewEntry {
  std::string name;  ///< of its files, without .dcm and .png
  std::string view;  ///< in words
  FilmedState state = FilmedState::kInjured;
  TubePose tube;
  ProjectionView exposed;
};
struct ViewsRecord {
  std::vector<ViewEntry> films;
};

[[nodiscard]] const codec::Codec<ViewsRecord>& viewsCodec();
/// data/schema/views.schema.json, whole.
[[nodiscard]] std::string viewsSchemaText();

}  // namespace rayset
