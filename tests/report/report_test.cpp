#include "report/report.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cstdio>
#include <fstream>
#include <regex>
#include <sstream>

#include "base/units.h"
#include "base/words.h"
#include "case/open_questions.h"
#include "english.h"
#include "image/filters.h"
#include "report/words.h"
#include "sample_case.h"

namespace rayset {
namespace {

using testing::HasSubstr;
using testing::Not;

/// A folder that goes away with the test.
class Scratch {
 public:
  Scratch() {
    static int count = 0;
    path_ = std::filesystem::temp_directory_path() / fmt::format("rayset_report_{}_{}", ::getpid(), ++count);
    std::filesystem::create_directories(path_);
  }
  ~Scratch() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  Scratch(const Scratch&) = delete;
  Scratch& operator=(const Scratch&) = delete;
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

struct Ran {
  int status;
  std::string output;
};
Ran run(const std::string& command) {
  Ran ran{-1, {}};
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  if (pipe == nullptr) return ran;
  std::array<char, 4096> buffer;
  std::size_t n;
  while ((n = std::fread(buffer.data(), 1, buffer.size(), pipe)) > 0) ran.output.append(buffer.data(), n);
  const int status = ::pclose(pipe);
  ran.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  return ran;
}

std::string pdfText(const std::filesystem::path& pdf) {
  const Ran ran = run("pdftotext -layout '" + pdf.string() + "' -");
  EXPECT_EQ(ran.status, 0) << "pdftotext (Debian package poppler-utils): " << ran.output;
  return ran.output;
}
/// Line breaks and runs of spaces become one space, so that wrapped text can be searched.
std::string flowing(const std::filesystem::path& pdf) {
  const Ran ran = run("pdftotext '" + pdf.string() + "' -");
  EXPECT_EQ(ran.status, 0) << ran.output;
  return std::regex_replace(ran.output, std::regex("[\\s\\f]+"), " ");
}
std::vector<std::string> pagesOf(const std::string& text) {
  std::vector<std::string> pages;
  std::stringstream in(text);
  for (std::string page; std::getline(in, page, '\f');) pages.push_back(page);
  while (!pages.empty() && pages.back().find_first_not_of(" \n") == std::string::npos) pages.pop_back();
  return pages;
}

struct WordBox {
  int page;
  double x0, y0, x1, y1;
  std::string text;
};
std::vector<WordBox> wordBoxes(const std::filesystem::path& pdf) {
  const Ran ran = run("pdftotext -bbox '" + pdf.string() + "' -");
  EXPECT_EQ(ran.status, 0) << ran.output;
  std::vector<WordBox> words;
  int page = 0;
  std::stringstream in(ran.output);
  const std::regex word(
      R"re(<word xMin="([-0-9.]+)" yMin="([-0-9.]+)" xMax="([-0-9.]+)" yMax="([-0-9.]+)">(.*)</word>)re");
  for (std::string line; std::getline(in, line);) {
    if (line.find("<page ") != std::string::npos) ++page;
    std::smatch m;
    if (std::regex_search(line, m, word))
      words.push_back({page, std::stod(m[1]), std::stod(m[2]), std::stod(m[3]), std::stod(m[4]), m[5]});
  }
  return words;
}

/// No word leaves the page's margins or lies on another.
void expectCleanLayout(const std::filesystem::path& pdf) {
  const std::vector<WordBox> words = wordBoxes(pdf);
  ASSERT_FALSE(words.empty());
  for (std::size_t i = 0; i < words.size(); ++i) {
    const WordBox& a = words[i];
    EXPECT_GE(a.x0, 40) << a.text << " on page " << a.page;
    EXPECT_LE(a.x1, 595.3 - 40) << a.text << " on page " << a.page;
    EXPECT_GE(a.y0, 20) << a.text << " on page " << a.page;
    EXPECT_LE(a.y1, 841.9 - 16) << a.text << " on page " << a.page;
    for (std::size_t j = i + 1; j < words.size(); ++j) {
      const WordBox& b = words[j];
      if (a.page != b.page) continue;
      // Boxes are the font's full height: only an overlap of more than a third of it is ink on ink.
      const double w = std::min(a.x1, b.x1) - std::max(a.x0, b.x0), h = std::min(a.y1, b.y1) - std::max(a.y0, b.y0);
      const double low = std::min(a.y1 - a.y0, b.y1 - b.y0);
      if (w > 0.8 && h > 0.34 * low)
        ADD_FAILURE() << "\"" << a.text << "\" lies on \"" << b.text << "\" on page " << a.page;
    }
  }
}

ReportSettings quick() { return {.made_at = "2026-11-25 10:00", .pixels_per_point = 0.7}; }

Case standardCase(Side side = Side::kRight) {
  const BoneSurfaces foot = side == Side::kRight ? sample::blockFoot() : mirrored(sample::blockFoot());
  return sample::makeCase(foot, side, sample::homolateral());
}

TEST(Report, WritesEveryFileAndClosedSurfaces) {
  Case c = standardCase();
  c.labels = LabelVolume(Grid{{8, 7, 6}, {1, 2, 3}, {0.5, 0.5, 0.7}, Mat3::Identity()}, 0);
  c.labels.at(3, 3, 3) = label(Bone::kM2);
  const Scratch scratch;
  const Status status = writeReport(english(), c, scratch.path(), {}, quick());
  ASSERT_TRUE(status.has_value()) << english(status.error());
  const auto check = [&](const std::filesystem::path& file, double expected_volume) {
    const Result<Surface> read = readStl(file);
    ASSERT_TRUE(read.has_value()) << english(read.error());
    EXPECT_TRUE(isClosed(*read)) << file;
    EXPECT_NEAR(volume(*read), expected_volume, 1e-3 * expected_volume) << file;
  };
  for (const auto& [bone, surface] : c.injured)
    check(scratch.path() / "surfaces" / fmt::format("{}.stl", boneId(bone)), volume(surface));
  for (const auto& [bone, surface] : c.reduction.reduced)
    check(scratch.path() / "reduced" / fmt::format("{}.stl", boneId(bone)), volume(surface));
  for (const Device& d : c.fixation.devices)
    check(scratch.path() / "devices" / (d.id + ".stl"), volume(deviceSurface(d, c.catalogue)));
  // The reduced bone is the injured one, moved by the plan's transform.
  const Result<Surface> injured = readStl(scratch.path() / "surfaces" / "M2.stl"),
                        reduced = readStl(scratch.path() / "reduced" / "M2.stl");
  ASSERT_TRUE(injured && reduced);
  EXPECT_LT((c.reduction.rays.at(Ray(2)).injured_to_reduced * centroid(*injured) - centroid(*reduced)).norm(), 1e-3);

  const Result<LabelVolume> labels = readNrrdLabels(scratch.path() / "labels.nrrd");
  ASSERT_TRUE(labels.has_value()) << english(labels.error());
  EXPECT_EQ(labels->voxels, c.labels.voxels);
  for (const char* name :
       {"injured_dorsal", "injured_medial", "injured_lateral", "reduced_dorsal", "reduced_medial", "reduced_lateral",
        "metal_dorsal", "metal_medial", "metal_lateral", "ray1_side", "ray1_dorsal", "ray5_side", "ray5_dorsal"})
    EXPECT_GT(std::filesystem::file_size(scratch.path() / "pictures" / (std::string(name) + ".png")), 1000U) << name;
  EXPECT_FALSE(std::filesystem::exists(scratch.path() / "plan.json"));  // the caller's, last
}

TEST(Report, PdfIsA4WithEmbeddedFontsAndASaneNumberOfPages) {
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), standardCase(), scratch.path(), {}, quick()));
  const std::string pdf = (scratch.path() / "report.pdf").string();
  const Ran info = run("pdfinfo '" + pdf + "'");
  ASSERT_EQ(info.status, 0) << info.output;
  EXPECT_THAT(info.output, HasSubstr("A4"));
  EXPECT_THAT(info.output, HasSubstr("Plan for reduction and fixation, RIGHT foot"));
  std::smatch m;
  ASSERT_TRUE(std::regex_search(info.output, m, std::regex("Pages:\\s+([0-9]+)")));
  const int pages = std::stoi(m[1]);
  EXPECT_GE(pages, 8);
  EXPECT_LE(pages, 14);
  const Ran fonts = run("pdffonts '" + pdf + "'");
  ASSERT_EQ(fonts.status, 0);
  std::stringstream in(fonts.output);
  std::string line;
  std::getline(in, line);
  std::getline(in, line);
  int count = 0;
  while (std::getline(in, line)) {
    // "emb sub uni" stand before the object number.
    EXPECT_TRUE(std::regex_search(line, std::regex("yes +yes +yes +[0-9]+ +[0-9]+ *$"))) << line;
    ++count;
  }
  EXPECT_GE(count, 2);

  const std::vector<std::string> text = pagesOf(pdfText(pdf));
  ASSERT_EQ(static_cast<int>(text.size()), pages);
  for (int p = 1; p <= pages; ++p) {
    const std::string& page = text[static_cast<std::size_t>(p - 1)];
    EXPECT_THAT(page, HasSubstr("RIGHT FOOT"));
    EXPECT_THAT(page, HasSubstr("Invented, Patient"));
    EXPECT_THAT(page, HasSubstr("RS-0001"));
    EXPECT_THAT(page, HasSubstr("Planning aid. A licensed surgeon decides. Not a medical device."));
    EXPECT_THAT(page, HasSubstr(fmt::format("page {} of {}", p, pages)));
    EXPECT_THAT(page, Not(HasSubstr("LEFT")));
  }
}

TEST(Report, SaysTheValuesOfTheCase) {
  const Case c = standardCase();
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), c, scratch.path(), {}, quick()));
  const std::string text = flowing(scratch.path() / "report.pdf");
  for (const char* s :
       {"1987-03-14", "2026-11-20", "Bone 0.5", "380 slices of 300 × 300, voxels 0.45 × 0.45 × 0.50 mm, from 380 files",
        "All five rays of the right foot are displaced", "Quénu and Küss: homolateral.", "Hardcastle: A.",
        "Myerson: A.", "medial, middle and lateral", "agree to 0.4 mm", "2, then 1, then 3, then 4, then 5",
        "made 2026-11-25 10:00"})
    EXPECT_THAT(text, HasSubstr(s));
  for (const auto& [ray, d] : c.rays) {
    EXPECT_THAT(text, HasSubstr(fmt::format("the base of M{} stands {:.1f} mm lateral", d.ray, d.lateral_mm)));
    EXPECT_THAT(text,
                HasSubstr(fmt::format("{:.1f} mm {}", std::abs(d.dorsal_mm), d.dorsal_mm > 0 ? "dorsal" : "plantar")));
    EXPECT_THAT(text, HasSubstr(fmt::format("{:.0f}° outward (abduction)", toDegrees(d.abduction_rad))));
  }
  for (const auto& [ray, r] : c.reduction.rays) {
    EXPECT_THAT(text, HasSubstr(fmt::format("±{:.1f} mm, turn ±{:.1f}°, about its own axis alone ±{:.1f}°",
                                            r.uncertainty_mm, toDegrees(r.uncertainty_rad), toDegrees(r.roll_rad))));
    for (const Message& line : r.manoeuvre) EXPECT_THAT(text, HasSubstr(english(capitalised(line))));
  }
  for (const Measure& m : c.measures) {
    EXPECT_THAT(text, HasSubstr(english(m.name)));
    EXPECT_THAT(text, HasSubstr(m.unit == "deg" ? fmt::format("{:.1f}°", m.value) : fmt::format("{:.1f} mm", m.value)));
    if (!m.source.empty()) {
      EXPECT_THAT(text, HasSubstr(m.source));
    }
  }
  EXPECT_THAT(text, HasSubstr("+4.3 mm"));  // 7.93 - 3.61
  for (const Device& d : c.fixation.devices) {
    EXPECT_THAT(text, HasSubstr(fmt::format("{} {:.0f} mm", d.id, d.length_mm)));  // on its picture
    if (d.kind == DeviceKind::kScrew) {
      EXPECT_THAT(
          text,
          HasSubstr(fmt::format(
              "Drill 2.5 mm through {} → {}; countersink {:.1f} mm; depth gauge should read {:.1f} mm; tap 3.5 mm; "
              "screw {:.0f} mm",
              d.through[0], d.through[1], d.countersink_mm, d.measured_depth_mm, d.length_mm)));
    }
    for (const std::string& w : english(d.warnings)) EXPECT_THAT(text, HasSubstr(w));
  }
  EXPECT_THAT(text, HasSubstr("16 mm distal to the joint"));
  for (const words::Caution& caution : words::standingCautions(c)) {
    EXPECT_THAT(text, HasSubstr(english(caution.text).substr(0, 60)));
    EXPECT_FALSE(caution.source.empty());
  }
  for (const std::string& s : english(c.cautions)) EXPECT_THAT(text, HasSubstr(s));
  EXPECT_THAT(text, HasSubstr("Cal (calcaneus) is cut by the field of view"));
}

TEST(Report, LayoutIsCleanRightAndLeft) {
  for (const Side side : {Side::kRight, Side::kLeft}) {
    const Scratch scratch;
    ASSERT_TRUE(writeReport(english(), standardCase(side), scratch.path(), {}, quick()));
    expectCleanLayout(scratch.path() / "report.pdf");
  }
}

TEST(Report, LeftFootSaysLeftOnEveryPageAndNeverRight) {
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), standardCase(Side::kLeft), scratch.path(), {}, quick()));
  for (const std::string& page : pagesOf(pdfText(scratch.path() / "report.pdf"))) {
    EXPECT_THAT(page, HasSubstr("LEFT FOOT"));
    EXPECT_THAT(page, Not(HasSubstr("RIGHT")));
    EXPECT_THAT(page, Not(HasSubstr("right foot")));
  }
  // The board runs from the fifth ray (lateral, left of the page) to the first.
  std::map<std::string, double> x;
  const std::vector<WordBox> words = wordBoxes(scratch.path() / "report.pdf");
  for (std::size_t i = 0; i + 2 < words.size(); ++i)
    if (words[i].text == "Ray" && words[i + 1].text.size() == 1 && words[i + 2].text == "M" + words[i + 1].text)
      x.try_emplace(words[i + 1].text, words[i].x0);
  ASSERT_EQ(x.size(), 5U);
  for (const char* ray : {"1", "2", "3", "4"}) EXPECT_GT(x[ray], x[std::string(1, static_cast<char>(ray[0] + 1))]);
}

TEST(Report, NothingDisplacedNoOtherFootNoDevices) {
  Case c = sample::makeCase(sample::blockFoot(), Side::kRight, sample::inPlace(), false);
  c.fixation.devices.clear();
  c.fixation.cautions = {"No path was found in any ray."};
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), c, scratch.path(), {}, quick()));
  const std::string text = flowing(scratch.path() / "report.pdf");
  for (const char* s : {"No displaced ray was found in the right foot", "No device was planned", "Quénu and Küss: none",
                        "because no other foot was given", "No path was found in any ray.", "Columns involved: none"})
    EXPECT_THAT(text, HasSubstr(s));
  EXPECT_TRUE(std::regex_search(pdfText(scratch.path() / "report.pdf"), std::regex("Other foot +none")));
  EXPECT_THAT(text, Not(HasSubstr("▲ displaced")));
  EXPECT_FALSE(std::filesystem::exists(scratch.path() / "pictures" / "metal_dorsal.png"));
  expectCleanLayout(scratch.path() / "report.pdf");
}

TEST(Report, MissingBonesAreNamedAndTheRestIsReported) {
  BoneSurfaces foot = sample::blockFoot();
  foot.erase(Bone::kM4);
  foot.erase(Bone::kCal);
  auto rays = sample::homolateral();
  rays.erase(Ray(4));
  Case c = sample::makeCase(foot, Side::kRight, rays);
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), c, scratch.path(), {}, quick()));
  const std::string text = flowing(scratch.path() / "report.pdf");
  EXPECT_THAT(
      text, HasSubstr("Fourth ray: could not be judged, because M4 (fourth metatarsal) was not found in the images."));
  EXPECT_THAT(text, HasSubstr("No device was planned for the fourth ray."));
  EXPECT_THAT(text, HasSubstr("Not found: M4 (fourth metatarsal) and Cal (calcaneus)"));
  EXPECT_THAT(text, HasSubstr("? not judged"));
  EXPECT_FALSE(std::filesystem::exists(scratch.path() / "surfaces" / "M4.stl"));
  expectCleanLayout(scratch.path() / "report.pdf");

  const Scratch bare;  // nothing at all was found
  Case empty;
  ASSERT_TRUE(writeReport(english(), empty, bare.path(), {}, quick()));
  EXPECT_THAT(flowing(bare.path() / "report.pdf"), HasSubstr("No ray of the right foot could be judged."));
  expectCleanLayout(bare.path() / "report.pdf");
}

TEST(Report, WhatCannotBeToldStandsFirstAndIsCalledSoThroughout) {
  Case c = standardCase();
  c.rays.at(Ray(4)).told = false;
  c.reduction.rays.at(Ray(4)).doubt = "it is put back by 5.0 mm, but its joint fits nearly as well as it stands";
  c.rays[Ray(5)] = {.ray = Ray(5), .told = false};
  c.reduction.rays.at(Ray(5)).injured_to_reduced = Rigid::Identity();
  c.reduction.rays.at(Ray(5)).doubt = "it is left as scanned, but its joint would fit about as well 2.6 mm away";
  c.injured.at(Bone::kM5) = c.reduction.reduced.at(Bone::kM5);
  c.bones.at(Bone::kC1).confidence = 0.3;
  c.patterns = classify(c.rays);
  for (int i = 1; i <= 9; ++i) c.cautions.push_back(Message::quoted(fmt::format("Another caution, number {}.", i)));
  const std::vector<OpenQuestion> open = openQuestions(c);
  ASSERT_EQ(open.size(), 3U);
  for (const OpenQuestion& q : open) c.cautions.push_back(inWords(q));  // behind the others, as it may come
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), c, scratch.path(), {}, quick()));
  const std::filesystem::path pdf = scratch.path() / "report.pdf";
  const std::string text = flowing(pdf);
  const std::size_t finding = text.find("Finding");
  for (const OpenQuestion& q : open) {
    SCOPED_TRACE(q.what);
    const std::size_t at = text.find(english(inWords(q)));
    EXPECT_LT(at, finding);
    EXPECT_EQ(text.find(english(q.what), at + 1), std::string::npos) << "said twice";
  }
  EXPECT_LT(text.find("To settle first"), finding);
  EXPECT_THAT(pagesOf(pdfText(pdf)).front(), HasSubstr("Hardcastle: cannot be told."));
  EXPECT_THAT(text, HasSubstr("of the lateral it cannot be told"));
  // Board and reduction table: three rays displaced, two that cannot be told, none in place.
  const auto count = [&](const std::string& what) {
    std::size_t n = 0;
    for (std::size_t at = text.find(what); at != std::string::npos; at = text.find(what, at + 1)) ++n;
    return n;
  };
  EXPECT_EQ(count("▲ displaced"), 6U);
  EXPECT_EQ(count("◊ cannot be told"), 4U);
  EXPECT_EQ(count("● in place"), 0U);
  const std::vector<std::string> pages = pagesOf(pdfText(pdf));
  const auto key = [](const std::string& page) { return page.find("cannot be told whether displaced (◊)"); };
  const auto pictures = std::find_if(pages.begin(), pages.end(), [&](const auto& p) { return key(p) != p.npos; });
  ASSERT_NE(pictures, pages.end());
  EXPECT_EQ(pictures->find("cannot be told whether displaced (◊)", key(*pictures) + 1), std::string::npos) << "twice";
  EXPECT_THAT(text, HasSubstr("Fourth ray: look first (cannot be told whether displaced)"));
  EXPECT_THAT(text, Not(HasSubstr("Fourth ray: reduce and hold")));
  expectCleanLayout(pdf);
}

TEST(Report, NothingIsToSettleWhereAllIsTold) {
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), standardCase(), scratch.path(), {}, quick()));
  const std::string text = flowing(scratch.path() / "report.pdf");
  for (const char* s : {"To settle first", "cannot be told", "settled first", "Shift, best estimate", "look first"})
    EXPECT_THAT(text, Not(HasSubstr(s)));
}

TEST(Report, LongAndForeignNamesAndDozensOfCautions) {
  Case c = standardCase();
  c.scan.patient_name = "Wolfeschlegelsteinhausenbergerdorff-Österreich-Ελευθερία^Анна Мария Иоганна <&>^^Dr.";
  c.scan.patient_id = std::string(80, '7');
  c.scan.study_description = "\xff\xfe not UTF-8 & <b>no markup</b>";
  for (int i = 1; i <= 60; ++i)
    c.cautions.push_back(Message::quoted(
        fmt::format("Caution number {} of a long list: {}", i,
                    std::string(static_cast<std::size_t>(40 + 7 * i), i % 7 == 0 ? 'x' : ' ') + "end")));
  c.measures[0].name = Message::quoted(std::string(5000, 'w') + " one cell longer than a page");
  c.measures[0].note = Message::quoted(std::string(9000, 'w') + " one note longer than a page");
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), c, scratch.path(), {}, quick()));
  const std::string text = flowing(scratch.path() / "report.pdf");
  EXPECT_THAT(text, HasSubstr("Ελευθερία"));
  EXPECT_THAT(text, HasSubstr("Анна Мария Иоганна <&>"));
  EXPECT_THAT(text, HasSubstr("<b>no markup</b>"));
  EXPECT_THAT(text, HasSubstr("Caution number 60 of a long list"));
  EXPECT_THAT(text, HasSubstr("one cell longer than a page"));
  EXPECT_THAT(text, HasSubstr("one note longer than a page"));
  expectCleanLayout(scratch.path() / "report.pdf");
}

TEST(Report, SameCaseSameReport) {
  const Case c = standardCase();
  const Scratch a, b;
  ASSERT_TRUE(writeReport(english(), c, a.path(), {}, quick()));
  ASSERT_TRUE(writeReport(english(), c, b.path(), {}, quick()));
  EXPECT_EQ(pdfText(a.path() / "report.pdf"), pdfText(b.path() / "report.pdf"));
  const auto bytes = [](const std::filesystem::path& file) {
    std::ifstream in(file, std::ios::binary);
    return std::string(std::istreambuf_iterator<char>(in), {});
  };
  for (const auto& entry : std::filesystem::directory_iterator(a.path() / "pictures"))
    EXPECT_EQ(bytes(entry.path()), bytes(b.path() / "pictures" / entry.path().filename())) << entry.path();
}

TEST(Report, StopsWhenToldAndNamesWhatCannotBeWritten) {
  const Case c = standardCase();
  const std::atomic<bool> stop{true};
  const Scratch scratch;
  const Status cancelled = writeReport(english(), c, scratch.path(), {.report = {}, .stop = &stop}, quick());
  ASSERT_FALSE(cancelled.has_value());
  EXPECT_EQ(cancelled.error().fault, Fault::kCancelled);
  EXPECT_FALSE(std::filesystem::exists(scratch.path() / "report.pdf"));

  const auto blocked = scratch.path() / "a file";
  std::ofstream(blocked) << "in the way";
  const Status status = writeReport(english(), c, blocked, {}, quick());
  ASSERT_FALSE(status.has_value());
  EXPECT_EQ(status.error().fault, Fault::kInternal);
  EXPECT_THAT(english(status.error()), HasSubstr(blocked.string()));
}

TEST(Report, ProgressRunsFromZeroToOne) {
  std::vector<double> seen;
  std::mutex guard;
  Progress progress;
  progress.report = [&](std::string_view stage, double fraction) {
    const std::lock_guard lock(guard);
    EXPECT_EQ(stage, "report");
    seen.push_back(fraction);
  };
  const Scratch scratch;
  ASSERT_TRUE(writeReport(english(), standardCase(), scratch.path(), progress, quick()));
  ASSERT_GE(seen.size(), 10U);
  EXPECT_EQ(seen.front(), 0);
  EXPECT_EQ(seen.back(), 1);
  EXPECT_TRUE(std::is_sorted(seen.begin(), seen.end()));
}

TEST(Report, RealFeet) {
  const std::filesystem::path feet = RAYSET_FEET_DIR;
  if (!std::filesystem::exists(feet)) GTEST_SKIP() << "no real feet in " << feet;
  for (const auto& [folder, side] :
       {std::pair{"vsd-z027/left", Side::kLeft}, std::pair{"visible-human-m/right", Side::kRight}}) {
    const Result<BoneSurfaces> bones = readBoneFolder(feet / folder);
    ASSERT_TRUE(bones.has_value()) << english(bones.error());
    const Scratch scratch;
    const Status status =
        writeReport(english(), sample::makeCase(*bones, side, sample::homolateral()), scratch.path(), {}, quick());
    ASSERT_TRUE(status.has_value()) << english(status.error());
    expectCleanLayout(scratch.path() / "report.pdf");
  }
}

}  // namespace
}  // namespace rayset
