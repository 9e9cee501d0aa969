// Which rays stay as scanned, and which answers are told as sure.
#include "reduction/standing.h"

#include <gtest/gtest.h>

namespace rayset::reduction {
namespace {

constexpr double kWithinMm = 1.7;  // of rays 1 to 4 without the other foot

TEST(Standing, ARayInPlaceStaysAndIsTold) {
  for (const double strain : {0.0, 0.3, 0.66}) {
    const Standing ray{strain, 1.5, kWithinMm};
    EXPECT_TRUE(stays(ray)) << strain;
    EXPECT_TRUE(imagesTell(ray, true)) << strain;
  }
}

TEST(Standing, ARayFarFromItsPlaceIsPutBackAndTold) {
  const Standing ray{0.8, 4, kWithinMm};  // a first ray 4 mm medial
  EXPECT_FALSE(stays(ray));
  EXPECT_TRUE(imagesTell(ray, false));
}

TEST(Standing, WhatMayBeEitherIsUntold) {
  EXPECT_FALSE(imagesTell({0.45, 2.6, kWithinMm}, true)) << "stays, but its place is a displacement away";
  EXPECT_FALSE(imagesTell({0.45, 1.7, kWithinMm}, true)) << "just below it";
  EXPECT_FALSE(imagesTell({0.33, 1.69, 1.48}, true))
      << "a second ray 3 mm plantar that looks no worse than its healthy place";
  EXPECT_FALSE(imagesTell({0.55, 2.6, kWithinMm}, false)) << "put back at little cost";
  EXPECT_FALSE(imagesTell({0.9, 2.1, kWithinMm}, false)) << "put back by just what counts as displacement";
}

TEST(Standing, AJointThatHoldsLooselyMovesARayOnlyFarther) {
  const Standing fifth{0.8, 3, 3.8};
  EXPECT_FALSE(stays({0.8, 3, kWithinMm}));
  EXPECT_TRUE(stays(fifth));
  EXPECT_FALSE(imagesTell(fifth, true));
  EXPECT_FALSE(stays({0.8, 4.3, 3.8}));
}

TEST(Standing, CostsMoreFartherNeverKeepARay) {
  for (const double away : {0.5, 1.9, 2.1, 4.0, 8.0})
    for (double strain = 0.1; strain < 3; strain += 0.1) {
      if (!stays({strain, away, kWithinMm})) {
        EXPECT_FALSE(stays({strain + 0.1, away, kWithinMm}));
        EXPECT_FALSE(stays({strain, away + 1, kWithinMm}));
      }
    }
}

}  // namespace
}  // namespace rayset::reduction
