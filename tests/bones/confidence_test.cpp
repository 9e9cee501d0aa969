// The verdict on evidence as it was measured: rows of bench_confidence, with the true mean error of each bone beside it
// (procedural and real feet; docs/decisions/confidence.md).
#include "bones/confidence.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "english.h"

namespace rayset {
namespace {

using testing::Contains;
using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

TemplateEvidence evidence(double outline, double match, double touching, double volume, double cut, double contrast,
                          double noise, double metal, double strayed, double missed) {
  TemplateEvidence e;
  e.outline = outline, e.match = match, e.touching = touching, e.volume_ratio = volume, e.cut = cut;
  e.contrast = contrast, e.noise = noise, e.metal = metal, e.strayed = strayed, e.missed = missed;
  return e;
}

TEST(Judge, BonesThatWereWrongAreDoubted) {
  // Lateral cuneiform that took the base of M2 along when the shafts were cut: 2.18 mm.
  EXPECT_LT(verdictOn(evidence(1, 0.991, 0, 1.718, 0.058, 780, 26, 0, 0.390, 0), true).confidence, kDoubtful);
  // Osteoporotic bone, 1 mm voxels, soft kernel: navicular 0.76 mm, talus 0.95 mm, fifth metatarsal with its toe 1.93.
  EXPECT_LT(verdictOn(evidence(0.920, 0.460, 0.424, 1.014, 0, 181, 37, 0, 0.168, 0.084), true).confidence, kDoubtful);
  EXPECT_LT(verdictOn(evidence(0.913, 0.514, 0.388, 1.236, 0, 203, 37, 0, 0.176, 0.078), true).confidence, kDoubtful);
  EXPECT_LT(verdictOn(evidence(0.999, 0.706, 0, 1.760, 0, 293, 37, 0, 0.272, 0.024), true).confidence, kDoubtful);
  // Talus and calcaneus of one person that took parts of each other: 1.00 and 0.81 mm.
  EXPECT_LT(verdictOn(evidence(0.918, 0.618, 0.435, 1.053, 0, 690, 26, 0, 0.268, 0.089), true).confidence, kDoubtful);
  EXPECT_LT(verdictOn(evidence(0.970, 0.430, 0.127, 1.434, 0, 748, 26, 0, 0.118, 0.043), true).confidence, kDoubtful);
  // Calcaneus in a scan of low density, noise 60 and 1 mm slices: 0.62 mm.
  EXPECT_LT(verdictOn(evidence(0.983, 0.528, 0.091, 1.498, 0, 272, 44, 0, 0.085, 0.069), true).confidence, kDoubtful);
}

TEST(Judge, SoundBonesAreNot) {
  const Verdict good = verdictOn(evidence(1, 0.99, 0, 0.97, 0, 750, 25, 0, 0, 0), true);  // 0.06 mm
  EXPECT_GT(good.confidence, 0.95);
  EXPECT_THAT(good.doubts, IsEmpty());
  EXPECT_THAT(english(good.texts), IsEmpty());
  // Density 0.4: 0.07 mm; 1 mm voxels: 0.18 mm; all of a bad scan that came out right all the same: 0.22 to 0.46 mm.
  EXPECT_GT(verdictOn(evidence(1, 0.992, 0, 0.970, 0, 230, 26, 0, 0, 0), true).confidence, 0.9);
  EXPECT_GT(verdictOn(evidence(1, 0.987, 0, 0.988, 0, 830, 30, 0, 0, 0), true).confidence, 0.9);
  EXPECT_GE(verdictOn(evidence(0.994, 0.696, 0.395, 1.012, 0, 203, 37, 0, 0.121, 0.138), true).confidence, kDoubtful);
  // A fifth metatarsal unlike the template's: 0.04 mm.
  EXPECT_GT(verdictOn(evidence(1, 0.678, 0, 1.144, 0, 1033, 26, 0, 0.158, 0.002), true).confidence, 0.9);
  EXPECT_GE(verdictOn(evidence(0.989, 0.599, 0.109, 1.754, 0, 234, 37, 0, 0.044, 0.070), true).confidence, kDoubtful);
}

/// That so much of one sign of a neighbour taken along leaves a bone sound, and so much makes it doubted, in these
/// words.
void expectTakenAlong(TemplateEvidence e, double TemplateEvidence::*sign, double sound, double along,
                      const char* words) {
  e.*sign = sound;
  EXPECT_GT(verdictOn(e, true).confidence, 0.9);
  e.*sign = along;
  const Verdict doubted = verdictOn(e, true);
  EXPECT_LT(doubted.confidence, kDoubtful);
  EXPECT_THAT(doubted.doubts, Contains(Doubt::kTakenAlong));
  EXPECT_THAT(english(doubted.texts), Contains(HasSubstr(words)));
}

TEST(Judge, ABoneThatTookASesamoidAlongIsDoubted) {
  // A first metatarsal under thin plates: 5 % of its surface off by more than 3 mm, all else sound (measured); sound
  // metatarsals had 16 at most.
  expectTakenAlong(evidence(1, 0.9, 0, 1.1, 0, 800, 28, 0, 0.09, 0.01), &TemplateEvidence::stands_off_mm2, 16, 137,
                   "137 mm²");
  // One that its bent template followed: only the plates of the joint inside it tell (measured); sound bones had 2.
  expectTakenAlong(evidence(1, 0.9, 0, 1.1, 0, 800, 28, 0, 0.05, 0.01), &TemplateEvidence::dense_inside_mm3, 2, 15,
                   "plates of a joint");
}

TEST(Judge, ABoneThatLostAnEndIsDoubted) {
  // A fifth metatarsal of a small foot, 10 mm of its head cut off across the neck: everything else looks sound
  // (measured, but for the length).
  TemplateEvidence e = evidence(1, 0.75, 0.02, 0.8, 0, 1031, 29, 0, 0, 0.07);
  EXPECT_GT(verdictOn(e, true).confidence, 0.9);
  e.buried = 0.013, e.open_end = 0.72, e.length_ratio = 0.85;
  EXPECT_LT(verdictOn(e, true).confidence, kDoubtful);
  EXPECT_THAT(verdictOn(e, true).doubts, Contains(Doubt::kEndMissing));
  // The same end lost at a joint that only looks like one: its length tells.
  e.buried = 0, e.open_end = 0, e.length_ratio = 0.8;
  EXPECT_LT(verdictOn(e, true).confidence, kDoubtful);
  EXPECT_THAT(english(verdictOn(e, true).texts), Contains(HasSubstr("80 %")));
  // Lengths as people have them: 0.88 to 1.07 were seen.
  e.length_ratio = 0.884;
  EXPECT_GT(verdictOn(e, true).confidence, 0.9);
  EXPECT_THAT(verdictOn(e, true).doubts, IsEmpty());
}

TEST(Judge, ABorderThatNothingShowsIsDoubtedButTheFootKeepsItsNames) {
  // Cuneiforms of an old foot whose bones touch: a fifth without a gap, 1.2 mm off on a hundredth of the surface.
  TemplateEvidence e = evidence(0.98, 0.80, 0.11, 1.1, 0, 486, 29, 0, 0.03, 0.01);
  e.buried = 0.2;
  const Verdict touching = verdictOn(e, true);
  EXPECT_LT(touching.confidence, kDoubtful);
  EXPECT_THAT(touching.doubts, ElementsAre(Doubt::kTouching));
  std::vector<Verdict> foot{touching, touching, touching,
                            verdictOn(evidence(1, 0.99, 0, 1, 0, 750, 25, 0, 0, 0), true)};
  std::vector<Verdict*> all;
  for (Verdict& v : foot) all.push_back(&v);
  EXPECT_FALSE(judgeTogether(all));
  EXPECT_GT(foot[3].confidence, 0.95);
}

TEST(Judge, EveryDoubtHasItsWordAndItsFigure) {
  TemplateEvidence e = evidence(1, 0.99, 0, 1, 0, 750, 25, 0, 0, 0);
  e.touching = 0.3;
  EXPECT_THAT(verdictOn(e, true).doubts, ElementsAre(Doubt::kTouching));
  EXPECT_THAT(english(verdictOn(e, true).texts), ElementsAre(HasSubstr("30 %")));
  e = evidence(1, 0.99, 0, 0.4, 0.1, 750, 25, 0, 0, 0);
  EXPECT_THAT(verdictOn(e, true).doubts, ElementsAre(Doubt::kCropped)) << "what is cut may be small";
  e.cut = 0;
  EXPECT_THAT(verdictOn(e, true).doubts, Contains(Doubt::kOddVolume));
  EXPECT_THAT(verdictOn(e, false).doubts, IsEmpty()) << "toes come in any number";
  e = evidence(1, 0.99, 0, 1, 0, 750, 25, 0.14, 0.02, 0);
  EXPECT_THAT(verdictOn(e, true).doubts, ElementsAre(Doubt::kMetal));
  e = evidence(1, 0.99, 0, 1, 0, 140, 20, 0, 0, 0);
  EXPECT_THAT(verdictOn(e, true).doubts, ElementsAre(Doubt::kLowDensity));
  e = evidence(1, 0.99, 0, 1, 0, 260, 60, 0, 0, 0);
  EXPECT_THAT(verdictOn(e, true).doubts, ElementsAre(Doubt::kLowDensity)) << "noise hides it as well";
  e = evidence(0.6, 0.99, 0, 1, 0, 750, 25, 0, 0, 0);
  EXPECT_THAT(verdictOn(e, true).doubts, ElementsAre(Doubt::kFaintOutline));
  // Doubted for its shape alone: never without a reason.
  const Verdict v = verdictOn(evidence(1, 0.99, 0, 1, 0, 750, 25, 0, 0.3, 0), true);
  EXPECT_LT(v.confidence, kDoubtful);
  EXPECT_THAT(v.doubts, ElementsAre(Doubt::kFaintOutline));
  EXPECT_THAT(english(v.texts), ElementsAre(HasSubstr("30 %")));
  for (const Doubt d : kDoubts) EXPECT_FALSE(doubtWord(d).empty());
}

TEST(Judge, AFootLaidOnWronglyIsDoubtedAsAWhole) {
  const Verdict bad = verdictOn(evidence(0.9, 0.4, 0.5, 1, 0, 400, 26, 0, 0.3, 0.2), true),
                good = verdictOn(evidence(1, 0.99, 0, 1, 0, 750, 25, 0, 0, 0), true);
  std::vector<Verdict> foot{bad, bad, bad, good};
  std::vector<Verdict*> all;
  for (Verdict& v : foot) all.push_back(&v);
  EXPECT_TRUE(judgeTogether(all));
  EXPECT_EQ(foot[3].confidence, bad.confidence);
  EXPECT_THAT(foot[3].doubts, ElementsAre(Doubt::kFaintOutline));
  EXPECT_EQ(foot[3].texts.size(), 1U);
  foot = {bad, good, good, good};
  EXPECT_FALSE(judgeTogether(all));
  EXPECT_EQ(foot[3].confidence, good.confidence);
  EXPECT_EQ(foot[0].confidence, bad.confidence);
}

TEST(Judge, MoreEvidenceAgainstNeverRaisesConfidence) {
  const TemplateEvidence base = evidence(0.95, 0.9, 0.05, 1.2, 0, 300, 30, 0.01, 0.05, 0.02);
  const double before = verdictOn(base, true).confidence;
  for (double s = 0.05; s <= 0.5; s += 0.05) {
    TemplateEvidence e = base;
    e.strayed += s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.missed += s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.outline -= s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.match -= s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.buried += s;
    EXPECT_LT(verdictOn(e, true).confidence, before);
    e = base;
    e.open_end += 2 * s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.length_ratio -= s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.dense_inside_mm3 += 100 * s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.metal += s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
    e = base;
    e.noise *= 1 + 4 * s;
    EXPECT_LE(verdictOn(e, true).confidence, before);
  }
}

}  // namespace
}  // namespace rayset
