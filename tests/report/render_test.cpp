#include "report/render.h"

#include <gtest/gtest.h>
#include <tbb/global_control.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <numbers>

#include "english.h"

namespace rayset {
namespace {

struct Rgb {
  int r, g, b;
};
Rgb at(const Picture& p, int x, int y) {
  const std::size_t i =
      4 * (static_cast<std::size_t>(y) * static_cast<std::size_t>(p.width) + static_cast<std::size_t>(x));
  return {p.rgba[i], p.rgba[i + 1], p.rgba[i + 2]};
}
bool isWhite(const Rgb& c) { return c.r == 255 && c.g == 255 && c.b == 255; }
/// Dominant channel: 0 red, 1 green, 2 blue, -1 grey.
int hue(const Rgb& c) {
  const int top = std::max({c.r, c.g, c.b}), low = std::min({c.r, c.g, c.b});
  if (top - low < 20) return -1;
  return c.r == top ? 0 : c.g == top ? 1 : 2;
}

const std::array<float, 3> kRed{0.8F, 0.05F, 0.05F}, kGreen{0.05F, 0.8F, 0.05F}, kBlue{0.05F, 0.05F, 0.8F};

RenderView frontView(double width_mm = 100, int px = 400) {
  return {Vec3::Zero(), Vec3::UnitX(), Vec3::UnitZ(), width_mm, px, px};  // looks along -(x cross z) = +y
}

TEST(Render, SphereHasItsSilhouetteInTheRightPlaceAndSize) {
  const Vec3 centre(10, -300, -5);
  const Surface sphere = makeSphere(centre, 20, 5);
  RenderSettings settings;
  settings.line_px = 0;  // lines would add their own width
  const RenderView view = frontView();
  const Picture p = render({{&sphere, kRed}}, view, settings);
  ASSERT_EQ(p.width, 400);
  ASSERT_EQ(p.rgba.size(), 4U * 400 * 400);
  // Area with partial cover at the rim counted by how far a pixel is from white is not linear in shade; count instead
  // the pixels that are touched: between the inner and the outer pixel circle.
  double touched = 0, sum_x = 0, sum_y = 0;
  for (int y = 0; y < p.height; ++y)
    for (int x = 0; x < p.width; ++x)
      if (!isWhite(at(p, x, y))) {
        touched += 1;
        sum_x += x + 0.5;
        sum_y += y + 0.5;
      }
  const double radius_px = 20 * 400.0 / 100.0;
  EXPECT_NEAR(std::sqrt(touched / std::numbers::pi), radius_px, 1.0);  // half a pixel of rim on either side
  const Eigen::Vector2d expected = project(view, centre);
  EXPECT_NEAR(sum_x / touched, expected.x(), 0.1);
  EXPECT_NEAR(sum_y / touched, expected.y(), 0.1);
  EXPECT_NEAR(expected.x(), 200 + 40, 1e-9);
  EXPECT_NEAR(expected.y(), 200 + 20, 1e-9);
}

TEST(Render, NearerPartHidesFartherPart) {
  // The view looks along +y: smaller y is nearer.
  const Surface near_ball = makeSphere({0, -40, 0}, 10), far_ball = makeSphere({0, 40, 0}, 20);
  const Picture p = render({{&far_ball, kBlue}, {&near_ball, kRed}}, frontView());
  EXPECT_EQ(hue(at(p, 200, 200)), 0);
  EXPECT_EQ(hue(at(p, 200, 200 - 60)), 2);  // 15 mm above the middle: beyond the small ball, within the large one
  // The order in the list decides nothing.
  const Picture q = render({{&near_ball, kRed}, {&far_ball, kBlue}}, frontView());
  EXPECT_EQ(p.rgba, q.rgba);
}

TEST(Render, TranslucentPartShowsWhatIsBehindInProportion) {
  const Surface ball = makeSphere({0, 40, 0}, 10), veil = makeBox(Box(Vec3(-30, -41, -30), Vec3(30, -40, 30)));
  const auto mix = [&](float opacity) {
    return at(render({{&ball, kBlue}, {&veil, kGreen, opacity}}, frontView()), 200, 200);
  };
  const Rgb faint = mix(0.15F), strong = mix(0.85F), none = mix(0.0F);
  EXPECT_EQ(hue(none), 2);
  EXPECT_EQ(hue(faint), 2);
  EXPECT_EQ(hue(strong), 1);
  EXPECT_GT(faint.g, none.g);
  EXPECT_GT(strong.g, faint.g);
  // A veil behind an opaque part changes nothing there.
  const Surface back = makeBox(Box(Vec3(-30, 60, -30), Vec3(30, 61, 30)));
  const Rgb plain = at(render({{&ball, kBlue}}, frontView()), 200, 200);
  const Rgb behind = at(render({{&ball, kBlue}, {&back, kGreen, 0.8F}}, frontView()), 200, 200);
  EXPECT_EQ(plain.b, behind.b);
  EXPECT_EQ(plain.g, behind.g);
}

TEST(Render, LinesSeparateTouchingPartsOfOneColour) {
  const std::array<float, 3> bone{0.75F, 0.72F, 0.65F};
  const Surface left = makeBox(Box(Vec3(-20, 0, -10), Vec3(0, 10, 10))),
                right = makeBox(Box(Vec3(0, 0, -10), Vec3(20, 10, 10)));
  const Picture p = render({{&left, bone}, {&right, bone}}, frontView());
  const int on_line = at(p, 200, 200).g, beside = at(p, 170, 200).g;
  EXPECT_LT(on_line, beside - 60);
}

TEST(Render, LightComesFromAboveAndHollowsAreDarker) {
  const std::array<float, 3> bone{0.6F, 0.6F, 0.6F};
  const Surface ball = makeSphere({0, 0, 0}, 30, 5);
  RenderSettings settings;
  settings.line_px = 0;
  const Picture lit = render({{&ball, bone}}, frontView(), settings);
  EXPECT_GT(at(lit, 180, 120).g, at(lit, 220, 280).g + 10);
  // A floor between two tall walls against the same floor alone.
  const Surface floor = makeBox(Box(Vec3(-40, 0, -40), Vec3(40, 2, 40)));
  const Surface wall_a = makeBox(Box(Vec3(-12, -30, -40), Vec3(-6, 0, 40))),
                wall_b = makeBox(Box(Vec3(6, -30, -40), Vec3(12, 0, 40)));
  const int open = at(render({{&floor, bone}}, frontView(), settings), 200, 200).g;
  const int narrow = at(render({{&floor, bone}, {&wall_a, bone}, {&wall_b, bone}}, frontView(), settings), 200, 200).g;
  EXPECT_LT(narrow, open - 8);
}

TEST(Render, SamePictureOnAnyNumberOfThreads) {
  const Surface a = makeSphere({0, 0, 0}, 25, 5), b = makeSphere({12, -20, 8}, 15, 5),
                c = makeSphere({-10, -40, -8}, 18, 5);
  const std::vector<RenderPart> parts{{&a, kRed}, {&b, kBlue}, {&c, kGreen, 0.4F}};
  const Picture many = render(parts, frontView());
  tbb::global_control one(tbb::global_control::max_allowed_parallelism, 1);
  EXPECT_EQ(many.rgba, render(parts, frontView()).rgba);
}

TEST(Render, NothingToShowIsAWhitePicture) {
  const Surface empty;
  for (const auto& parts : {std::vector<RenderPart>{}, std::vector<RenderPart>{{&empty, kRed}, {nullptr, kBlue}}}) {
    const Picture p = render(parts, frontView(100, 50));
    ASSERT_EQ(p.rgba.size(), 4U * 50 * 50);
    EXPECT_TRUE(std::all_of(p.rgba.begin(), p.rgba.end(), [](std::uint8_t v) { return v == 255; }));
  }
  const Surface elsewhere = makeSphere({500, 0, 0}, 5);
  EXPECT_TRUE(isWhite(at(render({{&elsewhere, kRed}}, frontView(100, 50)), 25, 25)));
}

TEST(Render, PngIsWrittenOrTheErrorNamesTheFile) {
  const Surface ball = makeSphere({0, 0, 0}, 25);
  const Picture p = render({{&ball, kRed}}, frontView(100, 64));
  const auto file = std::filesystem::temp_directory_path() / "rayset_render_test.png";
  ASSERT_TRUE(writePng(file, p).has_value());
  std::ifstream in(file, std::ios::binary);
  std::string head(24, '\0');
  in.read(head.data(), 24);
  EXPECT_EQ(head.substr(1, 3), "PNG");
  EXPECT_EQ(static_cast<unsigned char>(head[19]), 64);  // width, big endian
  EXPECT_EQ(static_cast<unsigned char>(head[23]), 64);
  std::filesystem::remove(file);
  const auto bad = std::filesystem::temp_directory_path() / "rayset_no_such_folder" / "a.png";
  const Status status = writePng(bad, p);
  ASSERT_FALSE(status.has_value());
  EXPECT_NE(english(status.error()).find(bad.string()), std::string::npos);
}

}  // namespace
}  // namespace rayset
