#include "injury/patterns.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <map>
#include <regex>
#include <set>

#include "english.h"

namespace rayset {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using testing::IsEmpty;

// A foot in five letters, rays 1 to 5: M medial, L lateral, D dorsal only, P plantar only, - in place, ? not measured.
PerRay<RayDisplacement> foot(const std::string& letters) {
  PerRay<RayDisplacement> rays;
  for (const Ray ray : kRays) {
    const char letter = letters[ray.index()];
    if (letter == '?') continue;
    RayDisplacement& d = rays[ray];
    d.ray = ray;
    if (letter == 'M') d.lateral_mm = -5, d.dorsal_mm = 2;
    if (letter == 'L') d.lateral_mm = 6, d.dorsal_mm = 4;
    if (letter == 'D') d.dorsal_mm = 5;
    if (letter == 'P') d.dorsal_mm = -4;
    d.displaced = letter != '-';
  }
  return rays;
}

PerRay<double> everywhere(double within_mm) {
  PerRay<double> out;
  for (const Ray ray : kRays) out[ray] = within_mm;
  return out;
}

// The same rules as regular expressions over the five letters, written from docs/decisions/patterns.md without sight of
// the classifier. First match counts.
using Rules = std::vector<std::pair<const char*, const char*>>;
std::string byRules(const Rules& rules, const std::string& letters) {
  for (const auto& [pattern, name] : rules)
    if (std::regex_match(letters, std::regex(pattern))) return name;
  return "unclassified";
}
const Rules kHardcastleRules{{"-----", "none"}, {"D{5}|P{5}", "A"},   {"L[LD]{4}|L[LP]{4}|M[MD]{4}|M[MP]{4}", "A"},
                             {"M.*L.*", "C"},   {"M[MDP-]{3}-", "B"}, {"-[LDP-]*L[LDP-]*", "B"}};
const Rules kMyersonRules{
    {"-----", "none"},         {"D{5}|P{5}", "A"},          {"L[LD]{4}|L[LP]{4}|M[MD]{4}|M[MP]{4}", "A"},
    {"MLLLL", "C2"},           {"M(?=.*L)(?=.*-).*", "C1"}, {"M[MDP]{3}-", "unclassified"},
    {"M(?=.*-)[MDP-]*", "B1"}, {"-[LDP-]*L[LDP-]*", "B2"}};
const Rules kQuenuKussRules{{"-----", "none"},
                            {"(?=.*M)(?=.*L).*", "divergent"},
                            {"(?=.*D)(?=.*P).*", "divergent"},
                            {"[^-]{5}", "homolateral"},
                            {".*", "isolated"}};

std::vector<std::string> everyFoot(const std::string& alphabet) {
  std::vector<std::string> all{""};
  for (std::size_t length = 0; length < kRays.size(); ++length) {
    std::vector<std::string> longer;
    for (const auto& start : all)
      for (const char c : alphabet) longer.push_back(start + c);
    all = longer;
  }
  return all;
}

TEST(Patterns, TruthTableOfEverySetAndDirection) {
  const auto all = everyFoot("-MLDP");
  ASSERT_EQ(all.size(), 3125U);
  std::map<std::string, int> seen;
  for (const auto& letters : all) {
    const Patterns p = classify(foot(letters));
    EXPECT_EQ(p.hardcastle.value, byRules(kHardcastleRules, letters)) << letters;
    EXPECT_EQ(p.myerson.value, byRules(kMyersonRules, letters)) << letters;
    EXPECT_EQ(p.quenu_kuss.value, byRules(kQuenuKussRules, letters)) << letters;
    for (const auto* name : {&p.hardcastle, &p.myerson, &p.quenu_kuss})
      EXPECT_GT(english(name->reason).size(), 15U) << letters;
    ++seen[p.myerson.value];

    const auto out = [&](int ray) { return letters[Ray(ray).index()] != '-'; };
    std::vector<std::string> columns;
    if (out(1)) columns.push_back("medial");
    if (out(2) || out(3)) columns.push_back("middle");
    if (out(4) || out(5)) columns.push_back("lateral");
    EXPECT_EQ(p.columns, columns) << letters;
  }
  // The table exercises every name.
  for (const char* name : {"none", "A", "B1", "B2", "C1", "C2", "unclassified"}) EXPECT_GT(seen[name], 0) << name;
}

// Rules that hold between the schemes whatever the input.
TEST(Patterns, SchemesNeverContradictEachOther) {
  const std::map<std::string, std::set<std::string>> myerson_of{{"none", {"none"}},
                                                                {"A", {"A"}},
                                                                {"B", {"B1", "B2", "unclassified"}},
                                                                {"C", {"C1", "C2", "unclassified"}},
                                                                {"unclassified", {"unclassified", "B1"}}};
  for (const auto& letters : everyFoot("-MLDP")) {
    const Patterns p = classify(foot(letters));
    EXPECT_TRUE(myerson_of.at(p.hardcastle.value).contains(p.myerson.value)) << letters;
    if (p.hardcastle.value == "C") {
      EXPECT_EQ(p.quenu_kuss.value, "divergent") << letters;
    }
    if (p.hardcastle.value == "A") {
      EXPECT_EQ(p.quenu_kuss.value, "homolateral") << letters;
    }
    EXPECT_NE(p.quenu_kuss.value, "unclassified") << letters;
    EXPECT_EQ(p.columns.empty(), p.myerson.value == "none") << letters;
  }
}

struct TextbookCase {
  const char* letters;
  const char* quenu_kuss;
  const char* hardcastle;
  const char* myerson;
  const char* source;
};

TEST(Patterns, TextbookCases) {
  const TextbookCase cases[] = {
      {"LLLLL", "homolateral", "A", "A", "Myerson 1986: A, all five in one direction, lateral"},
      {"DDDDD", "homolateral", "A", "A", "World J Orthop 2019;10:115: A, lateral or dorsoplantar"},
      {"MMMMM", "homolateral", "A", "A", "Hardcastle 1982: A, total incongruity in one direction"},
      {"M----", "isolated", "B", "B1", "Myerson 1986: B1, first ray alone, medial"},
      {"MM---", "isolated", "B", "B1", "Hardcastle 1982: B medial, first with some of the second to fourth"},
      {"-L---", "isolated", "B", "B2", "Myerson 1986: B2, one or more lesser rays lateral"},
      {"-LLLL", "isolated", "B", "B2", "Myerson 1986: B2 with the fifth kept"},
      {"----L", "isolated", "B", "B2", "Myerson 1986: B2 with the fifth kept"},
      {"ML---", "divergent", "C", "C1", "Myerson 1986: C1, first medial and some lesser rays lateral"},
      {"M-LL-", "divergent", "C", "C1", "Myerson 1986: C1, partial"},
      {"MLLLL", "divergent", "C", "C2", "Myerson 1986: C2, first medial and all lesser rays lateral"},
      {"-----", "none", "none", "none", "nothing displaced"},
      {"-D---", "isolated", "unclassified", "unclassified", "reference table: dorsal only has no side"},
      {"LMM--", "divergent", "unclassified", "unclassified", "reference table: first lateral, lesser medial"},
      {"LLLL-", "isolated", "unclassified", "unclassified", "reference table: all but the fifth"},
  };
  for (const auto& c : cases) {
    const Patterns p = classify(foot(c.letters));
    EXPECT_EQ(p.quenu_kuss.value, c.quenu_kuss) << c.letters << ": " << c.source;
    EXPECT_EQ(p.hardcastle.value, c.hardcastle) << c.letters << ": " << c.source;
    EXPECT_EQ(p.myerson.value, c.myerson) << c.letters << ": " << c.source;
  }
}

TEST(Patterns, ReasonsNameTheRays) {
  const Patterns homolateral = classify(foot("LLLLL"));
  EXPECT_EQ(homolateral.hardcastle.reason, "Total incongruity: all five rays are displaced laterally.");
  const Patterns divergent = classify(foot("MLLLL"));
  EXPECT_EQ(divergent.myerson.reason,
            "Divergent, total: the first ray is displaced medially, the second to fifth rays laterally.");
  const Patterns partial = classify(foot("-L-L-"));
  EXPECT_EQ(
      partial.myerson.reason,
      "Partial incongruity, lateral: the second and fourth rays are displaced laterally; the first ray is in place.");
  EXPECT_THAT(english(classify(foot("-LLLL")).quenu_kuss.reason), HasSubstr("not all five"));
  EXPECT_THAT(english(classify(foot("-D---")).myerson.reason), HasSubstr("to neither side"));
  EXPECT_THAT(english(classify(foot("DLLLL")).myerson.reason), HasSubstr("leaves open whether the rays diverge"));
}

TEST(Patterns, DirectionGoesByTheRelevantPartOfTheShift) {
  const auto direction = [](double lateral, double dorsal, bool displaced = true) {
    RayDisplacement d;
    d.ray = Ray(2);
    d.lateral_mm = lateral;
    d.dorsal_mm = dorsal;
    d.displaced = displaced;
    return rayDirection(d);
  };
  EXPECT_EQ(direction(6.1, 3.9), RayDirection::kLateral);
  EXPECT_EQ(direction(-6.1, -3.9), RayDirection::kMedial);
  EXPECT_EQ(direction(2.0, 9), RayDirection::kLateral);  // 2 mm sideways is a displacement by itself
  EXPECT_EQ(direction(1.9, 9), RayDirection::kDorsal);
  EXPECT_EQ(direction(-1.9, -9), RayDirection::kPlantar);
  EXPECT_EQ(direction(1.2, 1.7), RayDirection::kLateral);  // more than half of 2.1 mm
  EXPECT_EQ(direction(0.9, 2.0), RayDirection::kDorsal);
  EXPECT_EQ(direction(0, 3), RayDirection::kDorsal);
  EXPECT_EQ(direction(6, 3, false), RayDirection::kInPlace);
}

TEST(Patterns, RaysThatCouldNotBeMeasured) {
  // Divergent whatever the fifth did, but total or partial is open.
  const Patterns p = classify(foot("MLL-?"));
  EXPECT_EQ(p.hardcastle.value, "C");
  EXPECT_EQ(p.myerson.value, "C1");  // the fourth is in place: partial whatever the fifth did
  EXPECT_EQ(p.quenu_kuss.value, "divergent");
  EXPECT_THAT(english(p.hardcastle.reason), HasSubstr("fifth ray could not be measured"));

  const Patterns open = classify(foot("LLLL?"));
  EXPECT_EQ(open.hardcastle.value, "unclassified");
  EXPECT_THAT(english(open.hardcastle.reason), HasSubstr("The fifth ray could not be measured"));
  EXPECT_EQ(classify(foot("?????")).myerson.value, "unclassified");
  EXPECT_THAT(classify(foot("?????")).columns, IsEmpty());
  EXPECT_THAT(classify(foot("?L---")).columns, ElementsAre("middle"));

  // Against the plain definition: a name given with rays unseen is the name of every completion.
  for (const std::string letters : {"?L---", "M?L--", "M-?LL", "-?L-?", "D?DDD", "M-??L", "MLLL?", "----?"}) {
    const Patterns part = classify(foot(letters));
    std::set<std::string> names;
    for (auto full : everyFoot("-MLDP")) {
      bool fits = true;
      for (std::size_t i = 0; i < 5; ++i) fits = fits && (letters[i] == '?' || letters[i] == full[i]);
      if (fits) names.insert(byRules(kMyersonRules, full));
    }
    EXPECT_EQ(part.myerson.value, names.size() == 1 ? *names.begin() : "unclassified") << letters;
  }
}

TEST(Patterns, ARayThatCannotBeToldTakesAwayTheNamesThatDependOnIt) {
  // Second to fourth lateral; of the fifth it cannot be told. Either way: partial, lateral.
  auto rays = foot("-LLLL");
  rays.at(Ray(5)).told = false;
  EXPECT_EQ(classify(rays).hardcastle.value, "B");
  EXPECT_EQ(classify(rays).myerson.value, "B2");
  // All five lateral but for the first, of which it cannot be told: total or partial.
  rays = foot("LLLLL");
  rays.at(Ray(1)).told = false;
  const Patterns p = classify(rays);
  EXPECT_EQ(p.hardcastle.value, kCannotBeTold);
  EXPECT_EQ(p.myerson.value, kCannotBeTold);
  EXPECT_THAT(english(p.hardcastle.reason),
              HasSubstr("the first ray, of which it cannot be told whether it is displaced"));
  EXPECT_THAT(english(p.hardcastle.reason), HasSubstr("A or B"));
}

TEST(Patterns, ASideThatTheIntervalDoesNotTellIsNotNamed) {
  auto rays = foot("-----");
  rays.at(Ray(1)).displaced = true;
  rays.at(Ray(1)).lateral_mm = -1.5;
  rays.at(Ray(1)).dorsal_mm = 3.8;
  EXPECT_EQ(classify(rays).myerson.value, "unclassified") << "known exactly it went dorsally";
  const PerRay<double> within = everywhere(1.7);
  const Patterns p = classify(rays, within);
  EXPECT_EQ(p.myerson.value, kCannotBeTold);
  EXPECT_EQ(p.hardcastle.value, kCannotBeTold);
  EXPECT_EQ(p.quenu_kuss.value, "isolated") << "whichever way it went";
  EXPECT_THAT(english(p.myerson.reason),
              HasSubstr("the first ray, of which it cannot be told whether it went to a side"));
  EXPECT_THAT(english(p.myerson.reason), HasSubstr("unclassified or B1"));
  EXPECT_EQ(p.columns, std::vector<std::string>{"medial"});
  rays.at(Ray(1)).lateral_mm = -4;
  EXPECT_EQ(classify(rays, within).myerson.value, "B1") << "plainly medial";
  rays.at(Ray(1)).lateral_mm = -0.2;
  EXPECT_EQ(classify(rays, within).myerson.value, "unclassified") << "plainly dorsal";
}

TEST(Patterns, AnUntoldRayWithoutAShiftMayHaveGoneAnyWay) {
  auto rays = foot("-----");
  rays.at(Ray(2)).told = false;
  EXPECT_EQ(classify(rays).quenu_kuss.value, kCannotBeTold);
  EXPECT_EQ(classify(rays).myerson.value, kCannotBeTold);
}

TEST(CloseCalls, TellARayWhoseSideOfTheLimitDecidesAName) {
  // Rays 1 and 2 medial and the fifth 2.4 mm medial: Hardcastle has no name for that; without the fifth it is B.
  auto rays = foot("MM--M");
  rays.at(Ray(5)).lateral_mm = -2.4, rays.at(Ray(5)).dorsal_mm = 0;
  PerRay<double> within = everywhere(0.5);
  within[Ray(5)] = 0.3;
  EXPECT_THAT(closeCalls(rays, within), IsEmpty()) << "0.4 mm from the limit, known to 0.3 mm";
  within[Ray(5)] = 0.5;
  const auto calls = closeCalls(rays, within);
  ASSERT_EQ(calls.size(), 1U);
  EXPECT_EQ(calls[0].ray, 5);
  EXPECT_EQ(classify(rays).hardcastle.value, "unclassified");
  EXPECT_EQ(calls[0].other.hardcastle.value, "B");
}

TEST(CloseCalls, LeaveOutRaysThatChangeNoNameAndRaysThatStayed) {
  auto rays = foot("MM---");
  rays.at(Ray(2)).lateral_mm = -2.1, rays.at(Ray(2)).dorsal_mm = 0;  // with or without the second: isolated, B, B1
  EXPECT_THAT(closeCalls(rays, everywhere(1)), IsEmpty());
  // A ray kept where it was scanned has no shift at all, however wide its interval.
  PerRay<double> within = everywhere(9);
  within[Ray(1)] = within[Ray(2)] = 1;
  EXPECT_THAT(closeCalls(foot("MM---"), within), IsEmpty());
  // One not counted as displaced may be: 1.8 mm lateral beside a medial first ray.
  rays = foot("M----");
  rays.at(Ray(5)).lateral_mm = 1.8;
  const auto calls = closeCalls(rays, everywhere(0.5));
  ASSERT_EQ(calls.size(), 1U);
  EXPECT_EQ(calls[0].other.hardcastle.value, "C");
  EXPECT_EQ(calls[0].other.quenu_kuss.value, "divergent");
}

}  // namespace
}  // namespace rayset
