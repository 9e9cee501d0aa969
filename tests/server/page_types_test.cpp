// The page's types are those of the tables.
#include <gtest/gtest.h>

#include "server/case_codec.h"
#include "text_file.h"

namespace rayset {
namespace {

/// RAYSET_WRITE_DOCS=1 writes them anew.
TEST(PageTypes, AreCurrent) {
  test::expectCurrent(std::filesystem::path(RAYSET_DATA_DIR) / "../web/src/made-types.ts", server::pageTypesText());
}

}  // namespace
}  // namespace rayset
