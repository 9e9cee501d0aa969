// Checks that keep what they built must say what checkDevice() says, to the last bit.
#include "fixation/device_checker.h"

#include <gmock/gmock.h>

#include <random>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "data_files.h"
#include "english.h"
#include "geometry/ray_caster.h"

namespace rayset {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;

const Catalogue& catalogue() {
  static const Catalogue c = *readCatalogue(test::dataFile("implants.json"));
  return c;
}

// A coarse procedural foot in a scan whose grey values rise distally, and screws and wires drawn from base to partner.
struct PaperFoot {
  BoneSurfaces bones = proceduralFoot({}, Side::kRight, 1.6).bones;
  CtVolume ct;
  ConstructInput input;
  std::vector<Device> devices;

  PaperFoot() {
    Box box;
    for (const auto& [b, s] : bones) box.extend(bounds(s));
    Grid grid;
    grid.spacing = Vec3::Constant(2);
    grid.origin = box.min();
    grid.size = ((box.max() - box.min()) / 2).cast<int>() + Eigen::Vector3i::Constant(2);
    ct = CtVolume(grid);
    for (int k = 0; k < grid.size.z(); ++k)
      for (int j = 0; j < grid.size.y(); ++j)
        for (int i = 0; i < grid.size.x(); ++i) ct.at(i, j, k) = static_cast<std::int16_t>(200 + 3 * j + 2 * k);
    input.reduced = &bones;
    input.side = Side::kRight;
    input.frame = footFrame(bones, Side::kRight);
    input.ct = &ct;
    for (const Ray ray : {Ray(2), Ray(4)}) {
      devices.push_back(device(ray, DeviceKind::kScrew));
      devices.push_back(device(ray, DeviceKind::kWire));
    }
  }

  [[nodiscard]] Device device(Ray ray, DeviceKind kind) const {
    const MetatarsalAxis axis = metatarsalAxis(bones.at(metatarsal(ray)), input.frame.distal);
    Device d;
    d.id = (kind == DeviceKind::kScrew ? "S" : "W") + std::to_string(ray.number());
    d.type = kind == DeviceKind::kScrew ? "cortex-3.5" : "wire-1.6-threaded";
    d.kind = kind;
    d.stage = kind == DeviceKind::kScrew ? DeviceStage::kDefinitive : DeviceStage::kTemporary;
    d.ray = ray;
    d.through = {std::string(boneId(metatarsal(ray))), std::string(boneId(tarsalPartner(ray)))};
    d.diameter_mm = kind == DeviceKind::kScrew ? 3.5 : 1.6;
    d.entry = axis.base_centre + (kind == DeviceKind::kScrew ? 15 : 20) * axis.distal + 6 * input.frame.dorsal;
    d.direction = (axis.base_centre - d.entry).normalized();
    d.length_mm = 30;
    d.tip = d.entry + d.length_mm * d.direction;
    return d;
  }
};

void expectSame(const DeviceChecks& a, const DeviceChecks& b) {
  EXPECT_EQ(a.inside_fraction, b.inside_fraction);
  EXPECT_EQ(a.cortex_margin_mm, b.cortex_margin_mm);
  EXPECT_EQ(a.nearest_device_mm, b.nearest_device_mm);
  EXPECT_EQ(a.joint_area_lost_percent, b.joint_area_lost_percent);
  EXPECT_EQ(a.tip_beyond_cortex_mm, b.tip_beyond_cortex_mm);
  EXPECT_EQ(a.crossing_off_centre_mm, b.crossing_off_centre_mm);
  EXPECT_EQ(a.entry_to_joint_mm, b.entry_to_joint_mm);
  EXPECT_EQ(a.angle_to_shaft_rad, b.angle_to_shaft_rad);
  EXPECT_EQ(a.angle_to_surface_rad, b.angle_to_surface_rad);
  EXPECT_EQ(a.crossing_angle_rad, b.crossing_angle_rad);
  EXPECT_EQ(a.length_in_first_mm, b.length_in_first_mm);
  EXPECT_EQ(a.length_in_last_mm, b.length_in_last_mm);
  EXPECT_EQ(a.mean_hu, b.mean_hu);
  EXPECT_EQ(a.pullout_n, b.pullout_n);
  EXPECT_EQ(a.pullout_low_n, b.pullout_low_n);
  EXPECT_EQ(a.pullout_high_n, b.pullout_high_n);
  EXPECT_EQ(a.other_bones, b.other_bones);
}

TEST(DeviceChecker, SaysWhatCheckDeviceSays) {
  PaperFoot foot;
  auto checker = DeviceChecker::make(foot.input, catalogue());
  ASSERT_TRUE(checker);
  std::mt19937 random(7);
  std::uniform_real_distribution<double> shift(-2, 2);
  bool crossing = false, out = false;
  for (int round = 0; round < 3; ++round)
    for (Device d : foot.devices) {
      SCOPED_TRACE(d.id + " " + std::to_string(round));
      if (round > 0) {  // the first time as drawn, then anywhere
        d.tip += 2 * Vec3(shift(random), shift(random), shift(random));
        const auto drawn = checker->drawn(d, d.type, d.entry + Vec3(shift(random), 0, 0), d.tip);
        if (!drawn) continue;
        d = *drawn;
      }
      const auto quick = checker->check(d, foot.devices);
      const auto plain = checkDevice(foot.input, d, foot.devices, catalogue());
      ASSERT_TRUE(quick && plain);
      expectSame(*quick, *plain);
      crossing = crossing || plain->length_in_last_mm > 0;
      out = out || plain->inside_fraction < 1;
      EXPECT_GT(plain->mean_hu, 100);
    }
  EXPECT_TRUE(crossing) << "nothing was compared that crosses a joint";
  EXPECT_TRUE(out) << "nothing was compared that leaves the bone";
}

TEST(DeviceChecker, FollowsABoneThatMoves) {
  PaperFoot foot;
  auto checker = DeviceChecker::make(foot.input, catalogue());
  ASSERT_TRUE(checker);
  const Device screw = foot.devices.front();
  const auto before = checker->check(screw, foot.devices);
  const Rigid X = turnAbout(centroid(foot.bones.at(Bone::kM2)), Vec3(0.02, 0.05, -0.03), Vec3(0.6, -0.4, 0.3));
  foot.bones.at(Bone::kM2) = transformed(foot.bones.at(Bone::kM2), X);
  foot.input.injured_to_reduced[Bone::kM2] = X;
  checker->moved(Bone::kM2, X, {});
  for (const Device& d : {foot.devices[0], foot.devices[2]}) {  // of the ray that moved and of another
    const auto after = checker->check(d, foot.devices), plain = checkDevice(foot.input, d, foot.devices, catalogue());
    ASSERT_TRUE(before && after && plain);
    expectSame(*after, *plain);
  }
  EXPECT_NE(before->cortex_margin_mm, checker->check(screw, foot.devices)->cortex_margin_mm);
}

TEST(DeviceChecker, TakesOverWhatAnotherBuilt) {
  PaperFoot foot;
  const Device screw = foot.devices.front();
  std::optional<DeviceChecks> known;
  auto mine = DeviceChecker::make(foot.input, catalogue());
  ASSERT_TRUE(mine);
  {
    auto other = DeviceChecker::make(foot.input, catalogue());
    ASSERT_TRUE(other);
    other->prepare({screw});
    known = *other->check(screw, foot.devices);
    mine->adopt(std::make_shared<const DeviceChecker>(std::move(*other)));
  }
  expectSame(*mine->check(screw, foot.devices), *known);
}

TEST(DeviceChecker, DrawnLinesAreSnapped) {
  PaperFoot foot;
  auto checker = DeviceChecker::make(foot.input, catalogue());
  ASSERT_TRUE(checker);
  const Device screw = foot.devices.front(), wire = foot.devices[1];
  const Vec3 way = screw.direction;
  const auto d = checker->drawn(screw, screw.type, screw.entry - 3 * way, screw.entry + 29.3 * way);
  ASSERT_TRUE(d) << english(d.error());
  EXPECT_NEAR((d->direction - way).norm(), 0, 1e-12);
  EXPECT_NEAR((d->tip - d->entry).norm(), d->length_mm, 1e-9);
  EXPECT_EQ(catalogue().find("cortex-3.5")->longestWithin(d->length_mm), d->length_mm);
  const double asked = (screw.entry + 29.3 * way - d->entry).dot(way);
  EXPECT_LE(d->length_mm, asked);
  EXPECT_GT(d->length_mm + 2, asked);
  const RayCaster m2({&foot.bones.at(Bone::kM2)});
  EXPECT_NEAR(m2.nearest(d->entry)->distance, 0, 1e-3);

  const auto w = checker->drawn(wire, "wire-2.0-smooth", wire.entry, wire.entry + 24.9 * wire.direction);
  ASSERT_TRUE(w) << english(w.error());
  EXPECT_EQ(w->diameter_mm, 2.0);
  EXPECT_EQ(w->length_mm, std::floor(w->length_mm));

  const auto missed = checker->drawn(screw, screw.type, screw.entry + 80 * foot.input.frame.dorsal,
                                     screw.entry + 80 * foot.input.frame.dorsal + 20 * foot.input.frame.distal);
  ASSERT_FALSE(missed);
  EXPECT_THAT(english(missed.error()), HasSubstr("does not enter M2"));
  const auto brief = checker->drawn(screw, screw.type, d->entry, d->entry + 6 * way);
  ASSERT_FALSE(brief);
  EXPECT_THAT(english(brief.error()), HasSubstr("shortest"));
  const auto kind = checker->drawn(screw, wire.type, screw.entry, screw.tip);
  ASSERT_FALSE(kind);
  EXPECT_THAT(english(kind.error()), HasSubstr("S2 is a screw"));
  const auto unknown = checker->drawn(screw, "cortex-9", screw.entry, screw.tip);
  ASSERT_FALSE(unknown);
  EXPECT_THAT(english(unknown.error()), HasSubstr("cortex-9"));
}

TEST(DeviceChecker, StandingDevicesAreKeptClearOf) {
  PaperFoot foot;
  ConstructSettings settings;
  settings.rays = {Ray(4)};
  const auto free = planConstruct(foot.input, catalogue(), settings);
  ASSERT_TRUE(free) << english(free.error());
  ASSERT_FALSE(free->devices.empty());
  // What was planned freely now stands, under another name: the new ones find other ways.
  Device standing = free->devices.front();
  standing.id = "X1";
  foot.input.standing = {standing};
  const auto beside = planConstruct(foot.input, catalogue(), settings);
  ASSERT_TRUE(beside);
  for (const Device& d : beside->devices) EXPECT_GE(d.checks.nearest_device_mm, 0.3) << d.id;
  for (const Device& d : beside->devices) EXPECT_NE(d.id, "X1");
}

}  // namespace
}  // namespace rayset
