// The summary and the baseline of the accuracy matrix on records made by hand: what is counted, and that getting worse
// is noticed.
#include "accuracy/baseline.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>

#include "accuracy/summary.h"
#include "english.h"

namespace rayset::accuracy {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

/// A run with two bones and one ray.
Record run(const std::string& key, double surface, double base, double stated, bool right = true) {
  const auto bone = [&](const char* id, double mean, bool counted) {
    return Record{{"id", id},
                  {"in_view", counted ? 1.0 : 0.2},
                  {"counted", counted},
                  {"found", true},
                  {"right", right},
                  {"mean_mm", mean},
                  {"p95_mm", 3 * mean},
                  {"max_mm", 9 * mean},
                  {"dice", 0.98},
                  {"dice_labels", 0.93},
                  {"volume_error", -0.01},
                  {"confidence", 0.9},
                  {"doubt", ""}};
  };
  const Record shift{{"lateral_mm", 0},         {"dorsal_mm", 0},     {"distal_mm", 0},    {"abduction_deg", 0},
                     {"plantarflexion_deg", 0}, {"pronation_deg", 0}, {"displaced", false}};
  return {{"key", key},
          {"case",
           {{"foot", "f"},
            {"injury", "none"},
            {"other", "alone"},
            {"pixel_mm", 0.5},
            {"slice_mm", 0.5},
            {"noise_hu", 30},
            {"density", 1.0},
            {"kernel", "standard"},
            {"orientation_deg", {0, 0, 0}},
            {"hindrance", "none"}}},
          {"failure", nullptr},
          {"exit", 0},
          {"cautions", Record::array()},
          {"plan_seconds", 10},
          {"method", "congruence"},
          {"bones", {bone("M1", surface, true), bone("Cal", 7, false)}},
          {"rays",
           {{{"ray", 1},
             {"truth", shift},
             {"found", shift},
             {"shift_error_mm", base},
             {"turn_error_deg", 1},
             {"base_error_mm", base},
             {"base_off_mm", {{"medial", 0}, {"distal", 0}, {"dorsal", 0}}},
             {"pose_error_deg", 1},
             {"stated_mm", stated},
             {"stated_deg", 2}}}},
          {"patterns", {{"expected", {"none", "none", "none"}}, {"found", {"none", "none", "none"}}, {"right", right}}},
          {"truly_injured", false},
          {"called_injured", !right},
          {"devices", Record::array()},
          {"fragments", Record::array()}};
}

Record failedRun(const std::string& key) {
  Record r = run(key, 0.1, 0.5, 1);
  r["failure"] = "no foot was found";
  r.erase("bones");
  r.erase("rays");
  return r;
}

class Baseline : public testing::Test {
 protected:
  std::filesystem::path file_ =
      std::filesystem::temp_directory_path() / ("rayset-baseline-" + std::to_string(getpid()) + ".json");
  void TearDown() override { std::filesystem::remove(file_); }
};

TEST_F(Baseline, FiguresCountWhatIsInView) {
  const Record a = run("a", 0.1, 0.4, 1), b = run("b", 0.3, 1.6, 1, false), c = failedRun("c");
  const Figures f = figuresOf({&a, &b, &c});
  EXPECT_EQ(f.runs, 3);
  EXPECT_EQ(f.failed, 1);
  EXPECT_EQ(f.bones_all, 1 + 1 + 12) << "a run without a plan found none of the twelve";
  EXPECT_EQ(f.bones_right, 1);
  EXPECT_NEAR(f.surface.mean(), 0.2, 1e-12);
  EXPECT_EQ(f.surface.worst_key, "b");
  EXPECT_EQ(f.surface.worst_part, "M1");
  EXPECT_NEAR(f.base.at("congruence").worst, 1.6, 1e-12);
  EXPECT_NEAR(f.inside_mm.at("congruence").share(), 0.5, 1e-12);
  EXPECT_NEAR(f.inside_deg.at("congruence").share(), 1, 1e-12);
  EXPECT_EQ(f.uninjured, 2);
  EXPECT_EQ(f.uninjured_called_injured, 1);
  EXPECT_EQ(f.patterns_all - f.patterns_right, 2);
}

TEST_F(Baseline, RaysAndNamesAreCountedByWhatWasSaid) {
  Record r = run("a", 0.1, 0.4, 1);
  const auto ray = [&](double lateral, bool displaced, bool told) {
    Record one = r["rays"][0];
    one["truth"]["lateral_mm"] = lateral;
    one["found"]["displaced"] = displaced;
    one["found"]["told"] = told;
    return one;
  };
  r["rays"] = {ray(3, true, true), ray(-4, false, false), ray(3.5, false, true),
               ray(0, true, true), ray(0, true, false),   ray(1, false, true)};
  r["patterns"]["withheld"] = true;
  r["overlap"] = {{"mm", 0.3}, {"bones", "M2-C2"}};
  const Figures f = figuresOf({&r});
  EXPECT_EQ(f.displaced_all, 3);
  EXPECT_EQ(f.displaced_called, 1);
  EXPECT_EQ(f.displaced_untold, 1) << "the third is the one called in place";
  EXPECT_EQ(f.still_all, 2);
  EXPECT_EQ(f.still_called, 1);
  EXPECT_EQ(f.still_untold, 1);
  EXPECT_EQ(f.moved_base.at("congruence").count, 4);
  EXPECT_EQ(f.patterns_withheld, 1);
  EXPECT_EQ(f.overlapping, 1);
  EXPECT_EQ(f.overlap.worst_part, "M2-C2");
}

TEST_F(Baseline, EachPersonHasARow) {
  Record left = run("a", 0.1, 0.4, 1), right = run("b", 0.3, 0.4, 1), made = run("c", 0.2, 0.4, 1);
  left["case"]["foot"] = "anna-x-left";
  right["case"]["foot"] = "anna-x-right";
  made["case"]["foot"] = "procedural-3-right";
  const std::string text = markdown({left, right, made});
  EXPECT_THAT(text, HasSubstr("| anna-x | 2 | 2/2 | "));
  EXPECT_THAT(text, Not(HasSubstr("| procedural-3 |")));
  EXPECT_LT(text.find("## By person"), text.find("## Against the marks"));
}

TEST_F(Baseline, WhatGetsWorseIsNoticed) {
  const std::vector<Record> before{run("a", 0.20, 0.5, 1), run("b", 0.20, 0.5, 1)};
  ASSERT_TRUE(writeBaseline(file_, before));
  const auto compared = [&](const std::vector<Record>& now) {
    const auto result = compareWithBaseline(file_, now);
    EXPECT_TRUE(result) << english(result.error());
    return result ? result->regressed : std::vector<std::string>{"no result"};
  };
  EXPECT_THAT(compared(before), IsEmpty());
  EXPECT_THAT(compared({run("a", 0.21, 0.51, 1), run("b", 0.21, 0.51, 1)}), IsEmpty()) << "within a tenth";
  EXPECT_THAT(compared({run("a", 0.15, 0.3, 1), run("b", 0.15, 0.3, 1)}), IsEmpty()) << "better";
  EXPECT_THAT(
      compared({run("a", 0.23, 0.5, 1), run("b", 0.23, 0.5, 1)}),
      ElementsAre(HasSubstr("surface_mm_mean"), HasSubstr("surface_p95_mm_mean"), HasSubstr("surface_p95_mm_worst")));
  EXPECT_THAT(compared({run("a", 0.2, 0.6, 1), run("b", 0.2, 0.5, 1)}),
              ElementsAre(HasSubstr("displacement_mm_worst"), HasSubstr("reduction_congruence_mm_worst")))
      << "one run alone: the worst, though hardly the mean";
  EXPECT_THAT(
      compared({run("a", 0.2, 0.5, 1), run("b", 0.2, 0.5, 1, false)}),
      ElementsAre(HasSubstr("bones_not_right"), HasSubstr("patterns_wrong"), HasSubstr("uninjured_called_injured")));
  EXPECT_THAT(compared({run("a", 0.2, 0.5, 0.4), run("b", 0.2, 0.5, 0.4)}), ElementsAre(HasSubstr("outside_interval")));
  EXPECT_THAT(compared({run("a", 0.2, 0.5, 1), failedRun("b")}), testing::Contains(HasSubstr("failed_runs")));
}

TEST_F(Baseline, OtherRunsAreNoMeasure) {
  EXPECT_FALSE(compareWithBaseline(file_, {run("a", 0.2, 0.5, 1)})) << "no file";
  ASSERT_TRUE(writeBaseline(file_, {run("a", 0.2, 0.5, 1)}));
  const auto others = compareWithBaseline(file_, {run("b", 0.2, 0.5, 1)});
  ASSERT_FALSE(others);
  EXPECT_THAT(english(others.error()), HasSubstr("--update"));
}

TEST_F(Baseline, TheReportNamesWhatIsNotMet) {
  const std::string text = markdown({run("good", 0.1, 0.4, 1), run("bad", 0.9, 3, 1, false), failedRun("gone")});
  EXPECT_THAT(text, HasSubstr("runs that end with a plan | all | 2/3 | 1 not"));
  EXPECT_THAT(text, HasSubstr("worst over by 0.650 (M1, bad)"));
  EXPECT_THAT(text, HasSubstr("1. `bad`: M1 mean 0.90 mm"));
  EXPECT_THAT(text, HasSubstr("- `gone`: no foot was found"));
  EXPECT_THAT(text, HasSubstr("- `bad`: bones not right: M1"));
  EXPECT_THAT(text, HasSubstr("called injured"));
}

}  // namespace
}  // namespace rayset::accuracy
