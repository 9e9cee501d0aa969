#include "base/words.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "base/dates.h"
#include "base/units.h"
#include "case/open_questions.h"
#include "english.h"
#include "injury/shift_words.h"
#include "report/board.h"
#include "report/words.h"
#include "sample_case.h"

namespace rayset {
namespace {

using testing::HasSubstr;
using testing::Not;

Case sampleCase() { return sample::makeCase(sample::blockFoot(), Side::kRight, sample::homolateral()); }

TEST(Words, NumbersNeverShowANegativeZero) {
  EXPECT_EQ(english().text(number(-0.04)), "0.0");
  EXPECT_EQ(english().text(number(-0.06)), "−0.1");
  EXPECT_EQ(english().text(Quantity{.value = 0.04, .with_sign = true}), "0.0");
  EXPECT_EQ(english().text(Quantity{.value = 1.26, .with_sign = true}), "+1.3");
  EXPECT_EQ(english().text(number(std::nan(""))), "–");
  EXPECT_EQ(english().text(words::degrees(toRadians(9.8))), "10°");
}

TEST(Words, ClausesBecomeSentences) {
  EXPECT_EQ(sentence(std::string("the third ray was lifted")), "The third ray was lifted.");
  EXPECT_EQ(sentence(std::string("Is it?")), "Is it?");
  EXPECT_EQ(sentence(std::string("M2 stays!")), "M2 stays!");
  EXPECT_EQ(sentence(std::string("über 3 mm.")), "über 3 mm.");
  EXPECT_EQ(sentence(std::string("")), "");
}

TEST(Words, ShiftsGoToASide) {
  using testing::ElementsAre;
  const RayDisplacement d{.ray = Ray(2), .lateral_mm = 6.13, .dorsal_mm = -3.9, .distal_mm = -0.04};
  EXPECT_THAT(english(shiftParts(d)), ElementsAre("6.1 mm lateral", "3.9 mm plantar", "0.0 mm proximal"));
  EXPECT_THAT(english(shiftParts(d, 0.5, Unit::kNone)), ElementsAre("6.1 lateral", "3.9 plantar"));
  EXPECT_NEAR(d.asideMm(), 7.2655, 1e-4);
}

TEST(Words, PersonNamesAndDates) {
  EXPECT_EQ(words::personName("Invented^Patient"), "Invented, Patient");
  EXPECT_EQ(words::personName("Adams^John Robert Quincy^^Rev.^B.A. M.Div."),
            "Adams, Rev. John Robert Quincy B.A. M.Div.");
  EXPECT_EQ(words::personName("Yamada^Tarou=山田^太郎=やまだ^たろう"), "Yamada, Tarou (山田 太郎) (やまだ たろう)");
  EXPECT_EQ(words::personName("ONEWORD"), "ONEWORD");
  EXPECT_EQ(words::personName(""), "");
  EXPECT_EQ(isoDate("20260131"), "2026-01-31");
  EXPECT_EQ(isoDate("January"), "January");
}

TEST(Words, ListsReadLikeSentences) {
  EXPECT_EQ(listed({}), "");
  EXPECT_EQ(listed({"a"}), "a");
  EXPECT_EQ(listed({"a", "b"}), "a and b");
  EXPECT_EQ(listed({"a", "b", "c"}), "a, b and c");
}

TEST(Words, EveryDirectionOfAShiftAndTurnHasItsWord) {
  RayDisplacement d{Ray(2), -3.2, -1.1, -0.7, toRadians(-5), toRadians(-6), toRadians(-7), true};
  EXPECT_EQ(words::shift(d), "3.2 mm medial, 1.1 mm plantar and 0.7 mm proximal");
  EXPECT_EQ(words::turn(d), "turned 5° inward (adduction), 6° up (dorsiflexion) and 7° of roll outward (supination)");
  d = {Ray(2), 3.2, 1.1, 0.7, toRadians(5), toRadians(6), toRadians(7), true};
  EXPECT_EQ(words::shift(d), "3.2 mm lateral, 1.1 mm dorsal and 0.7 mm distal");
  EXPECT_EQ(words::turn(d),
            "turned 5° outward (abduction), 6° down (plantarflexion) and 7° of roll inward (pronation)");
  EXPECT_EQ(words::shift({}), "");
  EXPECT_EQ(words::turn({}), "");
}

TEST(Words, FindingNamesRaysDisplacedInPlaceAndUnknown) {
  Case c = sampleCase();
  for (const Ray ray : {Ray(1), Ray(4)}) c.rays.at(ray).displaced = false;
  c.rays.erase(Ray(5));
  c.injured.erase(Bone::kM5);
  const words::Finding f = words::finding(c);
  EXPECT_EQ(f.headline,
            "The second and third rays of the right foot are displaced at the tarsometatarsal joints. The first and "
            "fourth rays are in "
            "place (less than 2.0 mm).");
  ASSERT_EQ(f.rays.size(), 2U);
  EXPECT_THAT(english(f.rays[0]),
              HasSubstr("Second ray: the base of M2 stands 6.1 mm lateral and 3.9 mm dorsal of where it belongs"));
  ASSERT_EQ(f.unknown.size(), 1U);
  EXPECT_THAT(english(f.unknown[0]), HasSubstr("Fifth ray"));
}

/// The fourth ray is put back, but nobody can say whether it must be; the fifth stays, and nobody can say whether it
/// may.
Case untoldCase() {
  Case c = sampleCase();
  c.rays.at(Ray(4)).told = false;
  c.reduction.rays.at(Ray(4)).doubt = "it is put back by 5.0 mm, but its joint fits nearly as well as it stands";
  c.rays[Ray(5)] = {.ray = Ray(5), .told = false};
  c.reduction.rays.at(Ray(5)).injured_to_reduced = Rigid::Identity();
  c.reduction.rays.at(Ray(5)).doubt = "it is left as scanned, but its joint would fit about as well 2.6 mm away";
  c.reduction.rays.at(Ray(5)).manoeuvre = {"leave: stress it"};
  c.patterns = classify(c.rays);
  return c;
}

TEST(Words, ARayThatCannotBeToldIsNeitherDisplacedNorInPlace) {
  const Case c = untoldCase();
  EXPECT_EQ(words::raysIn(c, words::RayState::kUntold), (std::vector{Ray(4), Ray(5)}));
  EXPECT_EQ(words::raysIn(c, words::RayState::kDisplaced), (std::vector{Ray(1), Ray(2), Ray(3)}));
  EXPECT_TRUE(words::raysIn(c, words::RayState::kInPlace).empty());
  EXPECT_EQ(words::marked(words::state(c, Ray(4))), "◊ cannot be told");
  EXPECT_TRUE(words::putBack(c, Ray(4)));
  EXPECT_FALSE(words::putBack(c, Ray(5)));
  const words::Finding f = words::finding(c);
  EXPECT_EQ(f.headline,
            "The first, second and third rays of the right foot are displaced at the tarsometatarsal joints. Of the "
            "fourth and fifth rays it cannot be told whether they are displaced.");
  EXPECT_EQ(f.rays.size(), 3U);
  EXPECT_EQ(words::columns(c), "medial and middle; of the lateral it cannot be told");
  EXPECT_EQ(words::columns(sampleCase()), "medial, middle and lateral");
  EXPECT_EQ(words::columns(sample::makeCase(sample::blockFoot(), Side::kRight, sample::inPlace())), "none");
  for (const std::string& line : english(words::uncertainty(c)))
    EXPECT_THAT(line, Not(HasSubstr("may as well be called")));

  int looks = 0;
  for (const words::Step& s : words::steps(c))
    if (s.ray && *s.ray >= 4 && s.device.empty()) {
      ++looks;
      EXPECT_THAT(english(s.title), HasSubstr("look first (cannot be told whether displaced)"));
    }
  EXPECT_EQ(looks, 2);

  Case only = untoldCase();
  for (const Ray ray : {Ray(1), Ray(2), Ray(3)}) only.rays.erase(ray);
  EXPECT_EQ(words::finding(only).headline,
            "Of the fourth and fifth rays of the right foot it cannot be told whether they are displaced.");
  for (const Ray ray : {Ray(1), Ray(2), Ray(3)}) only.rays[ray] = {.ray = ray};
  EXPECT_THAT(english(words::finding(only).headline),
              testing::EndsWith("Of the fourth and fifth rays it cannot be told whether "
                                "they are displaced."));
  EXPECT_THAT(english(words::finding(only).headline),
              testing::StartsWith("No displaced ray was found in the right foot"));
}

TEST(Words, OpenQuestionsSayWhatWouldSettleThemAndNothingIsOpenWhereAllIsTold) {
  EXPECT_TRUE(openQuestions(sampleCase()).empty());
  Case c = untoldCase();
  c.bones.at(Bone::kC2).confidence = 0.31;
  auto open = openQuestions(c);
  ASSERT_EQ(open.size(), 3U);
  EXPECT_EQ(open[0].ray, Ray(4));
  EXPECT_EQ(open[0].what,
            "It cannot be told whether the fourth ray is displaced: it is put back by 5.0 mm, but its joint fits "
            "nearly as well as it stands.");
  EXPECT_EQ(open[0].settle, "A weight-bearing film would settle it; else place the ray by hand.");
  EXPECT_THAT(open[0].remedies, testing::ElementsAre(Remedy::kFilm, Remedy::kPlaceByHand));
  EXPECT_FALSE(open[2].ray);
  EXPECT_THAT(open[2].bones, testing::ElementsAre(Bone::kC2));
  EXPECT_EQ(open[2].what, "The plan stands on a bone that may be wrong by more than 0.5 mm (C2).");
  // Said before everything else, they are not said again among the other cautions.
  for (const OpenQuestion& q : open) c.cautions.push_back(inWords(q));
  const auto rest = words::caseCautions(c);
  EXPECT_FALSE(rest.empty());
  for (const words::Caution& k : rest) {
    EXPECT_THAT(english(k.text), Not(HasSubstr("cannot be told")));
    EXPECT_THAT(english(k.text), Not(HasSubstr("may be wrong")));
  }

  c.other_foot.clear();
  open = openQuestions(c);
  EXPECT_EQ(open[1].settle,
            "A CT of the other foot or a weight-bearing film would settle it; else place the ray by hand.");
  EXPECT_EQ(open[1].remedies.front(), Remedy::kOtherFoot);
}

// A device whose entry and direction are known in words before the program says them.
TEST(Words, EntryAndDirectionOfAKnownDevice) {
  for (const Side side : {Side::kRight, Side::kLeft}) {
    BoneSurfaces foot = sample::blockFoot();
    if (side == Side::kLeft) foot = mirrored(foot);
    Case c = sample::makeCase(foot, side, sample::homolateral());
    const Frame& f = c.reduction.frame;
    const MetatarsalAxis m = metatarsalAxis(foot.at(Bone::kM2), f.distal);
    Device d;
    d.through = {"M2", "C2"};
    d.checks.entry_to_joint_mm = 15.6;
    d.checks.angle_to_shaft_rad = toRadians(31);
    d.entry = m.base_centre + 15 * m.distal + 6 * f.dorsal;
    d.direction = (-std::cos(toRadians(20)) * (std::cos(toRadians(8)) * f.distal - std::sin(toRadians(8)) * f.medial) -
                   std::sin(toRadians(20)) * f.dorsal)
                      .normalized();
    EXPECT_EQ(words::entry(c, d), "dorsal M2, 16 mm distal to the joint");
    EXPECT_EQ(words::direction(c, d), "31° to the shaft; 20° down towards the sole, running proximally, 8° medially");
    d.entry = m.base_centre + 15 * m.distal + 6 * f.medial;
    EXPECT_THAT(english(words::entry(c, d)), HasSubstr("medial M2"));
    d.entry = m.base_centre + 15 * m.distal - 6 * f.medial + 6 * f.dorsal;
    EXPECT_THAT(english(words::entry(c, d)), HasSubstr("dorsolateral M2"));
    d.entry = m.base_centre + 15 * m.distal - 6 * f.dorsal;
    EXPECT_THAT(english(words::entry(c, d)), HasSubstr("plantar M2"));
    d.through = {"C2", "M2"};
    d.entry = centroid(foot.at(Bone::kC2)) + 9 * f.dorsal;
    EXPECT_EQ(words::entry(c, d), "dorsal C2, 16 mm proximal to the joint");
    d.direction = f.distal;
    EXPECT_THAT(english(words::direction(c, d)), HasSubstr("level with the sole, running distally"));
  }
}

TEST(Words, StepsFollowTheOrderOfReductionAndTheDevices) {
  const Case c = sampleCase();
  std::string all;
  std::vector<std::size_t> at;
  for (const words::Step& s : words::steps(c)) {
    all += english(s.title) + "\n";
    for (const std::string& line : english(s.lines)) all += line + "\n";
  }
  for (const char* title :
       {"Before the incision", "For every screw", "Second ray: reduce", "Second ray: screw S2", "First ray: reduce",
        "First ray: screw S1", "Third ray: screw S3", "Fourth ray: screw S4", "Fifth ray: screw S5", "To finish"}) {
    at.push_back(all.find(title));
    ASSERT_NE(at.back(), std::string::npos) << title;
  }
  EXPECT_TRUE(std::is_sorted(at.begin(), at.end()));
  EXPECT_THAT(all, HasSubstr("pointed reduction forceps"));
  EXPECT_THAT(all, HasSubstr("Take out the temporary wires W2, W1, W3, W4 and W5"));
  EXPECT_THAT(all, HasSubstr("screw 36 mm (next sizes 34 and 38 mm)"));
  EXPECT_THAT(all, HasSubstr("RIGHT foot"));

  // Without devices and displaced rays there is nothing to drill, and nothing to take out.
  Case none = sample::makeCase(sample::blockFoot(), Side::kLeft, sample::inPlace());
  none.fixation.devices.clear();
  std::string rest;
  for (const words::Step& s : words::steps(none))
    for (const std::string& line : english(s.lines)) rest += line + "\n";
  EXPECT_THAT(rest, Not(HasSubstr("Drill")));
  EXPECT_THAT(rest, Not(HasSubstr("temporary")));
  EXPECT_THAT(rest, HasSubstr("LEFT foot"));
}

TEST(Words, InstrumentsAreCountedFromTheDevices) {
  Case c = sampleCase();
  std::string all;
  for (const std::string& s : english(words::instruments(c))) all += s + "\n";
  EXPECT_THAT(all, HasSubstr("drill bit 2.5 mm"));
  EXPECT_THAT(all, HasSubstr("tap 3.5 mm"));
  EXPECT_THAT(all, HasSubstr("countersink for a 6.0 mm head"));
  EXPECT_THAT(all, HasSubstr("1 × 34 mm, 1 × 36 mm, 1 × 38 mm, 1 × 40 mm and 1 × 45 mm"));
  EXPECT_THAT(all, HasSubstr("1.6 mm wire with threaded tip: 5"));
  std::erase_if(c.fixation.devices, [](const Device& d) { return d.kind == DeviceKind::kScrew; });
  all.clear();
  for (const std::string& s : english(words::instruments(c))) all += s + "\n";
  EXPECT_THAT(all, Not(HasSubstr("tap")));
  EXPECT_THAT(all, Not(HasSubstr("depth gauge")));
}

TEST(Words, CautionsAreNotRepeated) {
  Case c = sampleCase();
  c.cautions = {"Once", "Once."};
  c.reduction.cautions = {"Once", "once"};  // a stage writes it plain, the plan as a sentence
  c.fixation.cautions = {"Twice"};
  int once = 0;
  for (const words::Caution& caution : words::caseCautions(c)) once += caution.text == "Once." ? 1 : 0;
  EXPECT_EQ(once, 1);
}

TEST(Words, LateralScrewsAreFlaggedOnlyWhenPlanned) {
  Case c = sampleCase();
  const auto flagged = [](const Case& k) {
    for (const words::Caution& caution : words::standingCautions(k))
      if (english(caution.text).find("Lateral column") != std::string::npos) return true;
    return false;
  };
  EXPECT_TRUE(flagged(c));
  std::erase_if(c.fixation.devices, [](const Device& d) { return d.ray >= 4 && d.kind == DeviceKind::kScrew; });
  EXPECT_FALSE(flagged(c));
}

TEST(Words, RaysNearTheLimitAreNamed) {
  Case c = sampleCase();
  const auto all = [&] {
    std::string text;
    for (const std::string& s : english(words::uncertainty(c))) text += s + "\n";
    return text;
  };
  EXPECT_THAT(all(), Not(HasSubstr("may as well be called")));
  c.rays[Ray(3)] = {Ray(3), 1.6, 0.4, 0, 0, 0, 0, false};  // 1.65 mm, limit 2.0, uncertainty 0.7
  EXPECT_THAT(
      all(),
      HasSubstr("Third ray: its shift of 1.6 mm lies within its uncertainty of the limit of 2.0 mm; it may as well be "
                "called displaced"));
}

TEST(Words, SourcesAreNumberedOnce) {
  words::Sources s;
  EXPECT_EQ(s.cite("a"), "[1]");
  EXPECT_EQ(s.cite("b"), "[2]");
  EXPECT_EQ(s.cite("a"), "[1]");
  EXPECT_EQ(s.cite(""), "");
  EXPECT_EQ(s.all().size(), 2U);
}

TEST(Board, RaysStandAsTheSurgeonSeesThem) {
  EXPECT_EQ(boardOrder(Side::kRight), (std::vector{Ray(1), Ray(2), Ray(3), Ray(4), Ray(5)}));
  EXPECT_EQ(boardOrder(Side::kLeft), (std::vector{Ray(5), Ray(4), Ray(3), Ray(2), Ray(1)}));
}

}  // namespace
}  // namespace rayset
