// The schema of film.json is current.
#include "films/film_codec.h"

#include <gtest/gtest.h>

#include "text_file.h"

namespace rayset {
namespace {

/// RAYSET_WRITE_DOCS=1 writes it anew.
TEST(FilmCodec, TheSchemaIsCurrent) {
  test::expectCurrent(std::filesystem::path(RAYSET_DATA_DIR) / "schema/film.schema.json", filmSchemaText());
}

}  // namespace
}  // namespace rayset
