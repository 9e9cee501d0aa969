// film.json as a table (base/codec.h): every field once, for writing and data/schema/film.schema.json. Nothing reads
// the file back.
#pragma once

#include "base/codec.h"
#include "films/film_reading.h"

namespace rayset {

[[nodiscard]] const codec::Codec<FilmReading>& filmCodec();
/// The text of data/schema/film.schema.json.
[[nodiscard]] std::string filmSchemaText();

}  // namespace rayset
