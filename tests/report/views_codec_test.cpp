// views.json as a table: read back it is the same, and its schema is current.
#include "report/views_codec.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "english.h"
#include "text_file.h"

namespace rayset {
namespace {

using codec::Json;

TEST(ViewsCodec, WhatIsWrittenIsReadBack) {
  ViewEntry e{"lateral_metal", "lateral", FilmedState::kMetal, tubePose(NamedView::kLateral), {}};
  e.exposed.columns = e.exposed.rows = 10;
  const Json j = viewsCodec().write({{e}});
  EXPECT_EQ(j["films"][0]["file"], "lateral_metal.dcm");
  EXPECT_EQ(j["films"][0]["picture"], "lateral_metal.png");
  EXPECT_EQ(j["films"][0]["tube"]["oid_mm"], e.tube.oid_mm);
  const auto back = codec::decode(viewsCodec(), j, "it", "here", "");
  ASSERT_TRUE(back) << english(back.error());
  EXPECT_EQ(back->films[0].name, e.name);
  EXPECT_EQ(viewsCodec().write(*back), j);
}

/// RAYSET_WRITE_DOCS=1 writes it anew.
TEST(ViewsCodec, TheSchemaIsCurrent) {
  test::expectCurrent(std::filesystem::path(RAYSET_DATA_DIR) / "schema/views.schema.json", viewsSchemaText());
}

}  // namespace
}  // namespace rayset
