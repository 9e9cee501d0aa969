#include "anatomy/ray.h"

#include <fmt/format.h>
#include <gmock/gmock.h>

#include <nlohmann/json.hpp>

#include "anatomy/bones.h"
#include "anatomy/codec.h"

namespace rayset {
namespace {

using testing::ElementsAre;

TEST(Ray, IsOneOfFive) {
  EXPECT_FALSE(Ray::from(0));
  EXPECT_FALSE(Ray::from(6));
  EXPECT_FALSE(Ray::from(-1));
  EXPECT_EQ(Ray::from(4), Ray(4));
  EXPECT_THROW(static_cast<void>(Ray(0)), std::out_of_range);
  EXPECT_THROW(static_cast<void>(Ray(6)), std::out_of_range);
}

TEST(Ray, HasItsBonesAndItsNeighbours) {
  EXPECT_EQ(metatarsal(Ray(2)), Bone::kM2);
  EXPECT_EQ(tarsalPartner(Ray(4)), Bone::kCub);
  EXPECT_EQ(tarsalPartner(Ray(5)), Bone::kCub);
  EXPECT_EQ(rayOf(Bone::kM3), Ray(3));
  EXPECT_FALSE(rayOf(Bone::kC3));
  EXPECT_EQ(ordinal(Ray(5)), "fifth");
  EXPECT_FALSE(Ray(1).medial());
  EXPECT_EQ(Ray(1).lateral(), Ray(2));
  EXPECT_EQ(Ray(5).medial(), Ray(4));
  EXPECT_FALSE(Ray(5).lateral());
}

TEST(Ray, TheSecondIsPlacedFirst) { EXPECT_THAT(kPlacingOrder, ElementsAre(Ray(2), Ray(1), Ray(3), Ray(4), Ray(5))); }

TEST(Ray, IsItsNumberInTextAndInFiles) {
  EXPECT_EQ(fmt::format("M{}", Ray(3)), "M3");
  EXPECT_EQ(nlohmann::ordered_json(Ray(3)).dump(), "3");
  const codec::Codec<Ray> ray = codec::ray();
  EXPECT_EQ(ray.write(Ray(5)), 5);
  EXPECT_EQ(ray.from(2, "ray"), Ray(2));
  EXPECT_THROW(static_cast<void>(ray.from(6, "ray")), codec::BadField);
  EXPECT_THROW(static_cast<void>(ray.from("two", "ray")), codec::BadField);
}

TEST(PerRay, HoldsOnlyWhatThereIs) {
  PerRay<double> mm;
  mm[Ray(4)] = 1.5;
  mm[Ray(2)] = 0.5;
  EXPECT_EQ(find(mm, Ray(1)), nullptr);
  EXPECT_EQ(*find(mm, Ray(4)), 1.5);
  EXPECT_THAT(mm, ElementsAre(std::pair(Ray(2), 0.5), std::pair(Ray(4), 1.5))) << "from medial to lateral";
}

}  // namespace
}  // namespace rayset
