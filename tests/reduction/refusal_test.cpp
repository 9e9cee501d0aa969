// A ray is not put back to where its joint would be worse than as scanned.
#include "reduction/refusal.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "english.h"

namespace rayset::reduction {
namespace {

using testing::HasSubstr;

FootFigures secondRay(double dorsal, double lateral, double near_mm2) {
  FootFigures f;
  f.joints[Ray(2)].near_mm2 = near_mm2;
  f.borders_mm = {{"C2-M2 dorsal medial", dorsal},
                  {"C2-M2 dorsal lateral", dorsal},
                  {"C2-M2 lateral dorsal", lateral},
                  {"C2-M2 lateral plantar", lateral}};
  return f;
}

JointNorms usual() {
  JointNorms norms;
  for (const auto& [name, mm] : secondRay(0.2, -1, 0).borders_mm) norms.borders_mm[name] = {mm, 0.4};
  return norms;
}

TEST(Refusal, AStepMadeWhereThereWasNoneIsRefused) {
  const auto worse = worseJoints(secondRay(0.5, -1.2, 120), secondRay(2.4, -1, 120), usual(), {});
  ASSERT_TRUE(worse.contains(Ray(2)));
  EXPECT_THAT(english(worse.at(Ray(2))), HasSubstr("a dorsal step of 2.2 mm"));
  EXPECT_THAT(english(worse.at(Ray(2))), HasSubstr("none above 0.3 mm"));
}

TEST(Refusal, OfARayThatStoodBeforeAnotherFacetOnlyAStepThatIsADisplacement) {
  // As scanned its borders happened to be flush: with a facet that is not its own.
  EXPECT_TRUE(
      worseJoints(secondRay(0.5, -1.2, 120), secondRay(1.9, -1, 120), usual(), {{Ray(2), 3.0}}).contains(Ray(2)));
  EXPECT_TRUE(worseJoints(secondRay(0.5, -1.2, 120), secondRay(1.9, -1, 120), usual(), {{Ray(2), 7.6}}).empty());
  EXPECT_TRUE(
      worseJoints(secondRay(0.5, -1.2, 120), secondRay(2.4, -1, 120), usual(), {{Ray(2), 7.6}}).contains(Ray(2)));
}

TEST(Refusal, ADisplacedRayPutBackIsNot) {
  EXPECT_TRUE(worseJoints(secondRay(4, -1, 60), secondRay(0.4, -2.2, 120), usual(), {}).empty());
  EXPECT_TRUE(worseJoints(secondRay(0.3, -1, 120), secondRay(1.0, -1, 115), usual(), {}).empty())
      << "within what people have";
}

TEST(Refusal, AnUncoveredFaceIsRefused) {
  const auto worse = worseJoints(secondRay(0.2, -1, 120), secondRay(0.2, -1, 80), usual(), {});
  ASSERT_TRUE(worse.contains(Ray(2)));
  EXPECT_THAT(english(worse.at(Ray(2))), HasSubstr("80 mm² of its face covered where the scan has 120 mm²"));
}

}  // namespace
}  // namespace rayset::reduction
