// Corrections by hand: what is read, what is refused, and what they do to labels, on shapes whose answer is known.
#include "bones/edits.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <functional>

#include "bones/bone_surface.h"
#include "bones/label_edits.h"
#include "english.h"

namespace rayset {
namespace {

using testing::HasSubstr;

Result<Edits> parsed(const std::string& body) {
  return parseEdits("{\"schema\": \"rayset.edits/1\"" + (body.empty() ? "" : ", " + body) + "}", "e.json");
}

TEST(ParseEdits, EveryKindOfEntry) {
  const auto e = parsed(R"("side": "left", "note": "seen on the axial slices",
    "seeds": [{"bone": "M3", "point": [1, 2.5, -3], "radius_mm": 2, "note": "cortex"}],
    "splits": [{"bones": ["C2", "C3"], "plane": {"point": [0, 0, 0], "normal": [0, 0, 2]}, "reach_mm": 15},
               {"bones": ["M2", "M3"], "seeds": {"M3": [[1, 1, 1], [2, 2, 2]], "M2": [[0, 0, 0]]}}],
    "merges": [{"into": "M2", "point": [1, 1, 1]}, {"into": "M2", "fragment": "M2.1"}],
    "remove": ["M4"],
    "renames": [{"from": "M2", "to": "M3"}, {"from": "M3", "to": "M2"}],
    "landmarks": [{"ray": 2, "base_point": [1, 2, 3], "axis": [[0, 0, 0], [0, -20, 0]]}],
    "poses": [{"ray": 1, "injured_to_reduced": [[0, -1, 0, 5], [1, 0, 0, 6], [0, 0, 1, 7], [0, 0, 0, 1]], "use": "start"},
              {"ray": 3, "shift_mm": {"lateral": -1.5}, "turn_deg": {"abduction": 90e-1}}])");
  ASSERT_TRUE(e.has_value()) << english(e.error());
  EXPECT_EQ(e->side, Side::kLeft);
  ASSERT_EQ(e->seeds.size(), 1U);
  EXPECT_EQ(e->seeds[0].bone, Bone::kM3);
  EXPECT_EQ(e->seeds[0].point, Vec3(1, 2.5, -3));
  EXPECT_EQ(e->seeds[0].radius_mm, 2);
  ASSERT_EQ(e->splits.size(), 2U);
  EXPECT_EQ(e->splits[0].plane->normal, Vec3(0, 0, 1));
  EXPECT_EQ(e->splits[0].reach_mm, 15);
  EXPECT_EQ(e->splits[1].first_seeds.size(), 1U);
  EXPECT_EQ(e->splits[1].second_seeds.size(), 2U);
  EXPECT_EQ(e->merges[1].fragment, "M2.1");
  EXPECT_EQ(e->removals, std::vector<Bone>{Bone::kM4});
  EXPECT_EQ(e->landmarks[0].distal, Vec3(0, -1, 0));
  EXPECT_TRUE(e->poses[0].start_only);
  EXPECT_EQ(*e->poses[0].injured_to_reduced * Vec3(1, 0, 0), Vec3(5, 7, 7));
  EXPECT_DOUBLE_EQ(e->poses[1].step->abduction_rad, 9 * M_PI / 180);
  EXPECT_EQ(e->poses[1].step->lateral_mm, -1.5);
  EXPECT_EQ(e->source.at("side"), "left");
  EXPECT_TRUE(parsed("")->empty());
}

TEST(ParseEdits, EveryMistakeIsRefusedWithItsPlaceAndARemedy) {
  struct Wrong {
    std::string body, place, what;
  };
  const std::string turn = "[[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]";
  const std::vector<Wrong> all{
      {R"("sead": [])", "e.json, sead", "unknown entry"},
      {R"("side": "both")", "e.json, side", "unknown side"},
      {R"("seeds": {})", "e.json, seeds", "not a list"},
      {R"("seeds": [7])", "e.json, seeds[0]", "not an object"},
      {R"("seeds": [{"bone": "M2"}])", "e.json, seeds[0]", "without bone or point"},
      {R"("seeds": [{"bone": "M6", "point": [0, 0, 0]}])", "e.json, seeds[0].bone", "unknown bone \"M6\""},
      {R"("seeds": [{"bone": "M2", "point": [0, 0]}])", "e.json, seeds[0].point", "not a point"},
      {R"("seeds": [{"bone": "M2", "point": [0, "1", 0]}])", "e.json, seeds[0].point[1]", "not a number"},
      {R"("seeds": [{"bone": "M2", "point": [0, 1e9, 0]}])", "e.json, seeds[0].point[1]", "out of range"},
      {R"("seeds": [{"bone": "M2", "point": [0, 1, 0], "radius_mm": 50}])", "e.json, seeds[0].radius_mm",
       "out of range"},
      {R"("seeds": [{"bone": "M2", "point": [0, 1, 0], "note": 3}])", "e.json, seeds[0].note", "not text"},
      {R"("splits": [{"bones": ["M2"]}])", "e.json, splits[0]", "two bones"},
      {R"("splits": [{"bones": ["M2", "M2"], "plane": {}}])", "e.json, splits[0].bones", "same bone twice"},
      {R"("splits": [{"bones": ["M2", "M3"]}])", "e.json, splits[0]", "needs a plane or seeds"},
      {R"("splits": [{"bones": ["M2", "M3"], "plane": {"point": [0, 0, 0]}}])", "e.json, splits[0].plane",
       "without point or normal"},
      {R"("splits": [{"bones": ["M2", "M3"], "plane": {"point": [0, 0, 0], "normal": [0, 0, 0]}}])",
       "e.json, splits[0].plane.normal", "without length"},
      {R"("splits": [{"bones": ["M2", "M3"], "seeds": {"M2": [[0, 0, 0]], "M4": [[0, 0, 0]]}}])",
       "e.json, splits[0].seeds", "other bones"},
      {R"("splits": [{"bones": ["M2", "M3"], "seeds": {"M2": [[0, 0, 0]], "M3": []}}])", "e.json, splits[0].seeds.M3",
       "not a list of points"},
      {R"("merges": [{"into": "M2"}])", "e.json, merges[0]", "either a point or a fragment"},
      {R"("merges": [{"into": "M2", "fragment": "M2.0"}])", "e.json, merges[0].fragment", "id of a fragment"},
      {R"("renames": [{"from": "M2", "to": "M2"}])", "e.json, renames[0]", "renamed to itself"},
      {R"("renames": [{"from": "M2", "to": "M3"}, {"from": "M4", "to": "M3"}])", "e.json, renames[1]",
       "two bones become M3"},
      {R"("remove": ["M2", "M2"])", "e.json, remove[1]", "removed twice"},
      {R"("landmarks": [{"ray": 2}])", "e.json, landmarks[0]", "base point or an axis"},
      {R"("landmarks": [{"ray": 6, "base_point": [0, 0, 0]}])", "e.json, landmarks[0].ray", "number of a ray"},
      {R"("landmarks": [{"ray": 2, "axis": [[0, 0, 0], [0, 0, 1]]}])", "e.json, landmarks[0].axis", "10 mm apart"},
      {R"("poses": [{"ray": 2}])", "e.json, poses[0]", "either a matrix or a shift"},
      {"\"poses\": [{\"ray\": 2, \"injured_to_reduced\": " + turn + ", \"shift_mm\": {}}]", "e.json, poses[0]",
       "either a matrix"},
      {"\"poses\": [{\"ray\": 2, \"injured_to_reduced\": " + turn + "}, {\"ray\": 2, \"shift_mm\": {}}]",
       "e.json, poses[1]", "appears twice"},
      {"\"poses\": [{\"ray\": 2, \"injured_to_reduced\": " + turn + ", \"use\": \"maybe\"}]", "e.json, poses[0].use",
       "unknown use"},
      {R"("poses": [{"ray": 2, "injured_to_reduced": [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0]]}])",
       "e.json, poses[0].injured_to_reduced", "not a 4 x 4 matrix"},
      {R"("poses": [{"ray": 2, "injured_to_reduced": [[1, 0, 0, 0], [0, 0.99, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]}])",
       "e.json, poses[0].injured_to_reduced", "not rigid"},
      {R"("poses": [{"ray": 2, "injured_to_reduced": [[1, 0, 0, 0], [0, -1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]}])",
       "e.json, poses[0].injured_to_reduced", "mirrors"},
      {R"("poses": [{"ray": 2, "injured_to_reduced": [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 0.5]]}])",
       "e.json, poses[0].injured_to_reduced[3]", "last row"},
      {R"("poses": [{"ray": 2, "shift_mm": {"left": 2}}])", "e.json, poses[0].shift_mm.left", "unknown component"},
      {R"("poses": [{"ray": 2, "turn_deg": {"pronation": 400}}])", "e.json, poses[0].turn_deg.pronation",
       "out of range"},
  };
  for (const Wrong& w : all) {
    const auto e = parsed(w.body);
    ASSERT_FALSE(e.has_value()) << w.body;
    EXPECT_EQ(e.error().fault, Fault::kRequest);
    EXPECT_EQ(e.error().where, w.place) << w.body;
    EXPECT_THAT(english(e.error().what), HasSubstr(w.what)) << w.body;
    EXPECT_FALSE(english(e.error().remedy).empty()) << w.body;
  }
  for (const char* text : {"", "[]", "{", "{\"schema\": \"rayset.edits/2\"}", "{}"}) {
    const auto e = parseEdits(text, "e.json");
    ASSERT_FALSE(e.has_value()) << text;
    EXPECT_THAT(e.error().where, HasSubstr("e.json"));
  }
  EXPECT_EQ(readEdits("/nowhere/e.json").error().where, "/nowhere/e.json");
}

TEST(CheckEdits, PointsOutsideTheImage) {
  Grid grid;
  grid.size = {20, 20, 20};
  grid.origin = Vec3(100, 0, 0);
  EXPECT_TRUE(checkEdits(*parsed(R"("seeds": [{"bone": "M2", "point": [110, 10, 10]}])"), grid).has_value());
  const Status out = checkEdits(
      *parsed(R"("seeds": [{"bone": "M2", "point": [110, 10, 10]}, {"bone": "M2", "point": [10, 10, 10]}])"), grid);
  ASSERT_FALSE(out.has_value());
  EXPECT_EQ(out.error().where, "e.json, seeds[1].point");
  EXPECT_THAT(english(out.error()), HasSubstr("outside the image"));
  EXPECT_EQ(
      checkEdits(*parsed(R"("splits": [{"bones": ["M2", "M3"], "seeds": {"M2": [[110, 1, 1]], "M3": [[0, 0, 0]]}}])"),
                 grid)
          .error()
          .where,
      "e.json, splits[0].seeds.M3[0]");
}

}  // namespace
}  // namespace rayset

namespace rayset::bones {
namespace {

using testing::HasSubstr;

constexpr double kSoft = 40, kBoneHu = 900, kH = 0.5;

/// Two balls of 7 mm beside each other along x, `gap` mm apart (negative: fused), as a scan image. X_PL is not the
/// identity, so that frames cannot be mixed up unseen.
struct TwoBalls {
  Vec3 a{11, 12, 12}, b;
  double radius = 7;
  ScanImage scan;
  std::vector<std::uint8_t> exterior;

  explicit TwoBalls(double gap) : b(a + Vec3(14 + gap, 0, 0)) {
    scan.X_PL = turnAbout(Vec3::Zero(), Vec3(0, 0, 0.5), Vec3(-30, 8, 200));
    scan.levels = {kSoft, 10, kBoneHu, 300};
    Image& g = scan.grey;
    g.h = kH;
    g.size = {static_cast<int>((b.x() + 11) / kH), 48, 48};
    g.v.resize(static_cast<std::size_t>(g.size.prod()));
    exterior.resize(g.v.size());
    for (int k = 0; k < g.size.z(); ++k)
      for (int j = 0; j < g.size.y(); ++j)
        for (int i = 0; i < g.size.x(); ++i) {
          const Vec3 p = kH * Vec3(i, j, k);
          const double da = (p - a).norm() - radius, db = (p - b).norm() - radius;
          const double in = std::max(0.5 * std::erfc(da / 0.5), 0.5 * std::erfc(db / 0.5));
          const std::size_t n = g.offset(i, j, k);
          g.v[n] = static_cast<float>(kSoft + (kBoneHu - kSoft) * in);
          exterior[n] = in < 0.4 ? 1 : 0;
        }
    scan.calm = g;
  }
  [[nodiscard]] DeformedBone ball(Bone id, const Vec3& centre) const {
    DeformedBone out;
    out.id = id;
    out.found = true;
    out.mesh = makeSphere(centre, radius, 3);
    return out;
  }
  [[nodiscard]] Vec3 patient(const Vec3& local) const { return scan.X_PL * local; }
  [[nodiscard]] std::uint8_t at(const std::vector<std::uint8_t>& labels, const Vec3& p) const {
    return labels[scan.grey.offset(static_cast<int>(std::lround(p.x() / kH)), static_cast<int>(std::lround(p.y() / kH)),
                                   static_cast<int>(std::lround(p.z() / kH)))];
  }
  /// Fraction of the ball's voxels (4/5 of its radius) that carry the label.
  [[nodiscard]] double part(const std::vector<std::uint8_t>& labels, const Vec3& centre, Bone bone) const {
    int all = 0, with = 0;
    for (std::size_t n = 0; n < labels.size(); ++n) {
      const auto nx = static_cast<std::size_t>(scan.grey.size.x()), ny = static_cast<std::size_t>(scan.grey.size.y());
      const Vec3 p =
          kH * Vec3(static_cast<double>(n % nx), static_cast<double>(n / nx % ny), static_cast<double>(n / (nx * ny)));
      if ((p - centre).norm() > 0.8 * radius) continue;
      ++all;
      with += labels[n] == label(bone) ? 1 : 0;
    }
    return static_cast<double>(with) / all;
  }
  [[nodiscard]] std::vector<Marker> markers(const std::vector<SeedEdit>& seeds) const {
    Edits e;
    e.seeds = seeds;
    auto m = seedMarkers(e, scan, exterior);
    EXPECT_TRUE(m.has_value());
    return *m;
  }
  /// Every voxel of ball a named `first`, of ball b `second`.
  [[nodiscard]] std::vector<std::uint8_t> named(Bone first, Bone second) const {
    std::vector<std::uint8_t> out(exterior.size(), 0);
    for (std::size_t n = 0; n < out.size(); ++n) {
      if (exterior[n] != 0) continue;
      const double x = kH * static_cast<double>(n % static_cast<std::size_t>(scan.grey.size.x()));
      out[n] = label(x < 0.5 * (a.x() + b.x()) ? first : second);
    }
    return out;
  }
};

TEST(Seeds, OneGivesAWrongNamedPieceToItsBone) {
  // The template of M2 lies on the ball that is M3, and that of M3 was not found anywhere.
  const TwoBalls t(2);
  DeformedBone lost = t.ball(Bone::kM3, t.b);
  lost.found = false;
  const std::vector<DeformedBone> bones{t.ball(Bone::kM2, t.b), lost, t.ball(Bone::kM1, t.a)};
  const std::vector<double> core(3, 1.3);
  const auto wrong = labelBones(t.scan, t.exterior, bones, core).labels;
  ASSERT_EQ(t.part(wrong, t.b, Bone::kM2), 1.0);
  const auto right =
      labelBones(t.scan, t.exterior, bones, core, t.markers({{Bone::kM3, t.patient(t.b + Vec3(2, 1, 0)), 1.5}})).labels;
  EXPECT_EQ(t.part(right, t.b, Bone::kM3), 1.0);
  EXPECT_EQ(t.part(right, t.a, Bone::kM1), 1.0) << "the other ball is not touched";
}

TEST(Seeds, ShareAFusedPieceWhoseTemplatesBothLieOnOneSide) {
  // Both templates lie on ball a; the balls are fused. Without seeds ball b cannot come out right.
  const TwoBalls t(-1);
  const std::vector<DeformedBone> bones{t.ball(Bone::kM2, t.a), t.ball(Bone::kM3, t.a + Vec3(1, 0, 0))};
  const std::vector<double> core(2, 1.3);
  const auto wrong = labelBones(t.scan, t.exterior, bones, core).labels;
  ASSERT_LT(t.part(wrong, t.b, Bone::kM3) * t.part(wrong, t.a, Bone::kM2), 0.9);
  const auto right = labelBones(t.scan, t.exterior, bones, core,
                                t.markers({{Bone::kM2, t.patient(t.a), 2}, {Bone::kM3, t.patient(t.b), 2}}))
                         .labels;
  EXPECT_GT(t.part(right, t.a, Bone::kM2), 0.95);
  EXPECT_GT(t.part(right, t.b, Bone::kM3), 0.95);
}

TEST(Seeds, InSoftTissueOrAwayFromTheFootAreRefused) {
  const TwoBalls t(6);
  Edits e;
  e.file = "e.json";
  e.seeds = {{Bone::kM2, t.patient(t.a), 1.5}, {Bone::kM3, t.patient(0.5 * (t.a + t.b)), 1.5}};
  const auto soft = seedMarkers(e, t.scan, t.exterior);
  ASSERT_FALSE(soft.has_value());
  EXPECT_EQ(soft.error().fault, Fault::kRequest);
  EXPECT_EQ(soft.error().where, "e.json, seeds[1].point");
  EXPECT_THAT(english(soft.error().what), HasSubstr("soft tissue"));
  e.seeds = {{Bone::kM2, t.patient(t.a - Vec3(60, 0, 0)), 1.5}};
  EXPECT_THAT(english(seedMarkers(e, t.scan, t.exterior).error().what), HasSubstr("outside the foot"));
}

TEST(Splits, ByPlaneAndBySeeds) {
  const TwoBalls t(-1);
  const auto fused = t.named(Bone::kC2, Bone::kC2);
  Edits e;
  e.splits.push_back(
      {Bone::kC2,
       Bone::kC3,
       SplitEdit::Plane{t.patient(0.5 * (t.a + t.b) - Vec3(0.2, 0, 0)), t.scan.X_PL.linear() * Vec3::UnitX()},
       {},
       {},
       {}});
  auto labels = fused;
  auto done = editLabels(e, t.scan, t.exterior, labels);
  ASSERT_TRUE(done.has_value()) << english(done.error());
  EXPECT_EQ(labels, t.named(Bone::kC2, Bone::kC3));
  EXPECT_EQ(done->by_hand, (std::set<Bone>{Bone::kC2, Bone::kC3}));
  ASSERT_EQ(done->applied.size(), 1U);

  labels = fused;
  e.splits[0].reach_mm = 2;
  done = editLabels(e, t.scan, t.exterior, labels);
  ASSERT_TRUE(done.has_value()) << english(done.error());
  EXPECT_EQ(t.at(labels, t.b + Vec3(5, 0, 0)), label(Bone::kC2)) << "beyond the reach nothing changes";

  labels = fused;
  e.splits[0] = {Bone::kC2, Bone::kC3, {}, {}, {t.patient(t.a)}, {t.patient(t.b)}};
  done = editLabels(e, t.scan, t.exterior, labels);
  ASSERT_TRUE(done.has_value()) << english(done.error());
  EXPECT_GT(t.part(labels, t.a, Bone::kC2), 0.98);
  EXPECT_GT(t.part(labels, t.b, Bone::kC3), 0.98);
}

TEST(Merges, APieceAcrossANarrowGapBecomesOneBody) {
  const TwoBalls t(1.5);
  auto labels = t.named(Bone::kM2, Bone::kToes);
  Edits e;
  e.merges.push_back({Bone::kM2, t.patient(t.b), {}});
  const auto done = editLabels(e, t.scan, t.exterior, labels);
  ASSERT_TRUE(done.has_value()) << english(done.error());
  EXPECT_EQ(t.part(labels, t.b, Bone::kM2), 1.0);
  // One closed surface that holds both balls, and a bridge: what lies within 1.75 mm (half the gap and 1 mm) of both,
  // a disc of 4.06 mm radius whose thickness grows from 1.5 mm to the rim, 138 mm^3 by hand, less at its edges.
  const Surface s = labelOutline(t.scan.grey, labels, label(Bone::kM2));
  EXPECT_TRUE(isClosed(s));
  const double bridge = volume(s) - 2 * 4.0 / 3 * M_PI * std::pow(t.radius, 3);
  EXPECT_GT(bridge, 60);
  EXPECT_LT(bridge, 150);
}

TEST(RemovalsAndRenames, AllAtOnce) {
  const TwoBalls t(3);
  auto labels = t.named(Bone::kM2, Bone::kM3);
  Edits e;
  e.renames = {{Bone::kM2, Bone::kM3}, {Bone::kM3, Bone::kM2}};
  auto done = editLabels(e, t.scan, t.exterior, labels);
  ASSERT_TRUE(done.has_value()) << english(done.error());
  EXPECT_EQ(labels, t.named(Bone::kM3, Bone::kM2));
  EXPECT_EQ(done->former.at(Bone::kM2), Bone::kM3);

  // The name of a removed bone is free.
  labels = t.named(Bone::kM2, Bone::kM3);
  e.renames = {{Bone::kM2, Bone::kM3}};
  e.removals = {Bone::kM3};
  done = editLabels(e, t.scan, t.exterior, labels);
  ASSERT_TRUE(done.has_value()) << english(done.error());
  EXPECT_EQ(t.part(labels, t.a, Bone::kM3), 1.0);
  EXPECT_EQ(t.at(labels, t.b), kOther);
  EXPECT_TRUE(done->removed.contains(Bone::kM3));
}

TEST(LabelEdits, ThatDoNotFitAreRefused) {
  const TwoBalls t(6);
  const auto labels = t.named(Bone::kM2, Bone::kM3);
  const Vec3 a = t.patient(t.a), b = t.patient(t.b), between = t.patient(0.5 * (t.a + t.b)),
             x = t.scan.X_PL.linear() * Vec3::UnitX();
  struct Wrong {
    std::function<void(Edits&)> make;
    std::string place, what;
  };
  const std::vector<Wrong> all{
      {[&](Edits& e) {
         e.splits.push_back({Bone::kC1, Bone::kC2, SplitEdit::Plane{a, x}, {}, {}, {}});
       },
       "splits[0].bones", "was found"},
      {[&](Edits& e) {
         e.splits.push_back({Bone::kM2, Bone::kC2, SplitEdit::Plane{b, x}, {}, {}, {}});
       },
       "splits[0].plane", "leaves nothing of the intermediate"},
      {[&](Edits& e) {
         e.splits.push_back({Bone::kM2, Bone::kM3, {}, {}, {a}, {between}});
       },
       "splits[0].seeds.M3[0]", "in neither bone"},
      {[&](Edits& e) {
         e.merges.push_back({Bone::kC1, a, {}});
       },
       "merges[0].into", "was not found"},
      {[&](Edits& e) {
         e.merges.push_back({Bone::kM2, a, {}});
       },
       "merges[0].point", "already lies"},
      {[&](Edits& e) {
         e.merges.push_back({Bone::kM2, between, {}});
       },
       "merges[0].point", "in no bone"},
      {[&](Edits& e) {
         e.merges.push_back({Bone::kM2, b, {}});
       },
       "merges[0].point", "mm from the second metatarsal"},
      {[&](Edits& e) { e.removals.push_back(Bone::kC1); }, "remove[0]", "was not found"},
      {[&](Edits& e) {
         e.renames.push_back({Bone::kC1, Bone::kC2});
       },
       "renames[0].from", "was not found"},
      {[&](Edits& e) {
         e.renames.push_back({Bone::kM2, Bone::kM3});
       },
       "renames[0].to", "already"},
  };
  for (const Wrong& w : all) {
    Edits e;
    w.make(e);
    auto copy = labels;
    const auto done = editLabels(e, t.scan, t.exterior, copy);
    ASSERT_FALSE(done.has_value()) << w.place << " " << w.what;
    EXPECT_EQ(done.error().fault, Fault::kRequest);
    EXPECT_EQ(done.error().where, w.place);
    EXPECT_THAT(english(done.error().what), HasSubstr(w.what));
    EXPECT_FALSE(english(done.error().remedy).empty());
  }
}

TEST(MergeFragments, JoinsByIdAndRefusesWhatIsNotThere) {
  const std::uint8_t m2 = label(Bone::kM2);
  std::vector<std::uint8_t> labels{m2, 17, 17, 18, 0};
  FragmentFindings pieces;
  pieces.fragments.resize(2);
  pieces.fragments[0].label = 17;
  pieces.fragments[1].label = 18;
  EditedLabels edited;
  Edits edits;
  edits.merges.push_back({Bone::kM2, {}, "M2.1"});
  ASSERT_TRUE(mergeFragments(edits, pieces, labels, edited).has_value());
  EXPECT_EQ(labels, (std::vector<std::uint8_t>{m2, m2, m2, 18, 0}));
  ASSERT_EQ(pieces.fragments.size(), 1U);
  EXPECT_EQ(pieces.fragments[0].label, 18);
  EXPECT_TRUE(edited.by_hand.contains(Bone::kM2));
  ASSERT_EQ(edited.applied.size(), 1U);

  edits.merges = {{Bone::kM2, {}, "M2.2"}};
  const auto refused = mergeFragments(edits, pieces, labels, edited);
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().fault, Fault::kRequest);
  EXPECT_EQ(refused.error().where, "merges[0].fragment");
  EXPECT_THAT(english(refused.error().what), HasSubstr("no fragment M2.2"));
  EXPECT_FALSE(english(refused.error().remedy).empty());
}

}  // namespace
}  // namespace rayset::bones
