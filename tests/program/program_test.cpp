// The program from outside: exit statuses, messages, what is written and what is not. A phantom made by the fixture
// "phantom" (see CMake) lies in RAYSET_PHANTOM_DIR, its plan in RAYSET_PLAN_DIR.
#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cctype>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <regex>
#include <set>
#include <sstream>
#include <thread>

#include "bare_codes.h"
#include "english.h"
#include "geometry/ray_caster.h"
#include "geometry/surface.h"
#include "shell.h"
#include "text_file.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using testing::AllOf;
using testing::HasSubstr;
using Json = nlohmann::json;

using test::readAll;

/// The words of a PDF (pdftotext, Debian package poppler-utils).
std::string textOf(const fs::path& pdf) {
  const fs::path text = pdf.string() + ".txt";
  EXPECT_EQ(std::system(("pdftotext '" + pdf.string() + "' '" + text.string() + "'").c_str()), 0);
  return readAll(text);
}

struct Ended {
  int status;
  std::string out, err;
};

class Program : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() /
              ("rayset-program-" + std::string(testing::UnitTest::GetInstance()->current_test_info()->name()) + "-" +
               std::to_string(getpid()));
    fs::remove_all(folder_);
    fs::create_directories(folder_);
  }
  void TearDown() override {
    for (const char* output : {"stdout.txt", "stderr.txt"}) fs::remove(folder_ / output);
    EXPECT_THAT(test::bareCodesIn(folder_), testing::IsEmpty());
    fs::remove_all(folder_);
  }

  /// Runs the program; with interrupt_after > 0 sends SIGINT after that many seconds.
  Ended run(const std::vector<std::string>& arguments, double interrupt_after = 0) {
    const fs::path out = folder_ / "stdout.txt", err = folder_ / "stderr.txt";
    const pid_t child = fork();
    if (child == 0) {
      const int o = open(out.c_str(), O_CREAT | O_TRUNC | O_WRONLY, 0600);
      const int e = open(err.c_str(), O_CREAT | O_TRUNC | O_WRONLY, 0600);
      dup2(o, STDOUT_FILENO);
      dup2(e, STDERR_FILENO);
      std::vector<char*> argv{const_cast<char*>(RAYSET_PROGRAM)};
      for (const auto& a : arguments) argv.push_back(const_cast<char*>(a.c_str()));
      argv.push_back(nullptr);
      execv(RAYSET_PROGRAM, argv.data());
      _exit(127);
    }
    if (interrupt_after > 0) {
      std::this_thread::sleep_for(std::chrono::duration<double>(interrupt_after));
      kill(child, SIGINT);
    }
    int status = 0;
    waitpid(child, &status, 0);
    Ended ended{WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status), readAll(out), readAll(err)};
    // With --json an error has its code beside its words.
    EXPECT_THAT(test::bareCodes(std::regex_replace(ended.out + ended.err, std::regex(R"("code":"[^"]*")"), "")),
                testing::IsEmpty());
    return ended;
  }
  /// Everything in the test's folder but the captured output.
  std::vector<std::string> left() {
    std::vector<std::string> names;
    for (const auto& item : fs::directory_iterator(folder_)) {
      const std::string name = item.path().filename().string();
      if (name != "stdout.txt" && name != "stderr.txt") names.push_back(name);
    }
    return names;
  }
  static void copyData(const fs::path& to) {
    fs::create_directories(to);
    fs::copy(RAYSET_DATA_DIR, to, fs::copy_options::recursive);
  }
  static std::string phantom() { return std::string(RAYSET_PHANTOM_DIR) + "/ct"; }

  fs::path folder_;
};

TEST_F(Program, WrongRequestsEndWith2AndSayWhy) {
  EXPECT_EQ(run({}).status, 2);
  EXPECT_EQ(run({"nonsense"}).status, 2);
  EXPECT_EQ(run({"plan"}).status, 2);
  EXPECT_EQ(run({"plan", phantom(), "--out", folder_ / "o", "--side", "middle"}).status, 2);
  EXPECT_EQ(run({"plan", phantom(), "--out", folder_ / "o", "--lateral", "glue"}).status, 2);
  const Ended missing = run({"plan", folder_ / "nowhere", "--out", folder_ / "o"});
  EXPECT_EQ(missing.status, 2);
  EXPECT_THAT(missing.err, HasSubstr((folder_ / "nowhere").string()));
  EXPECT_EQ(run({"plan", phantom(), "--out", folder_ / "o", "--series", "no such series"}).status, 2);
  EXPECT_EQ(run({"phantom", "--out", folder_ / "o", "--injury", "sneeze"}).status, 2);
  EXPECT_EQ(run({"phantom", "--out", folder_ / "o", "--kernel", "blurry"}).status, 2);
  EXPECT_EQ(run({"phantom", "--out", folder_ / "o", "--staple", "M9"}).status, 2);
  const Ended contact = run({"phantom", "--out", folder_ / "o", "--contact", "M1-C1,M2"});
  EXPECT_EQ(contact.status, 2);
  EXPECT_THAT(contact.err, HasSubstr("M2"));
  EXPECT_TRUE(left().empty());
}

TEST_F(Program, WrongEditsEndWith2AndNameFileAndPlace) {
  const fs::path file = folder_ / "edits.json";
  const auto refused = [&](const std::string& body) {
    std::ofstream(file) << R"({"schema": "rayset.edits/1", )" << body << "}\n";
    const Ended ended = run({"plan", phantom(), "--out", folder_ / "o", "--edit", file});
    EXPECT_EQ(ended.status, 2) << ended.err;
    EXPECT_THAT(ended.err, HasSubstr(file.string()));
    return ended.err;
  };
  EXPECT_THAT(refused(R"("seeds": [{"bone": "M6", "point": [0, 0, 0]}])"), HasSubstr("seeds[0].bone"));
  EXPECT_THAT(refused(R"("seeds": [{"bone": "M2", "point": [4000, 0, 0]}])"), HasSubstr("outside the image"));
  EXPECT_THAT(refused(R"("side": "right", "remove": ["M2"])"), HasSubstr("right foot"));  // the phantom is a left foot
  EXPECT_EQ(run({"plan", phantom(), "--out", folder_ / "o", "--edit", folder_ / "nowhere.json"}).status, 2);
  fs::remove(file);
  EXPECT_TRUE(left().empty());
}

TEST_F(Program, HelpAndVersionEndWith0) {
  const Ended help = run({"--help"});
  EXPECT_EQ(help.status, 0);
  EXPECT_THAT(help.out, HasSubstr("surgeon decides"));
  EXPECT_EQ(run({"plan", "--help"}).status, 0);
  const Ended phantom_help = run({"phantom", "--help"});
  EXPECT_EQ(phantom_help.status, 0);
  for (const char* option : {"--cast", "--cast-hu", "--staple", "--kernel", "--contact"})
    EXPECT_THAT(phantom_help.out, HasSubstr(option));
  EXPECT_EQ(run({"--version"}).status, 0);
}

TEST_F(Program, ImagesThatCannotBePlannedFromEndWith3AndLeaveNothing) {
  fs::create_directories(folder_ / "empty");
  const Ended empty = run({"plan", folder_ / "empty", "--out", folder_ / "o"});
  EXPECT_EQ(empty.status, 3) << empty.err;
  EXPECT_THAT(empty.err, HasSubstr((folder_ / "empty").string()));
  fs::create_directories(folder_ / "foreign");
  std::ofstream(folder_ / "foreign" / "notes.txt") << "not an image\n";
  const Ended foreign = run({"plan", folder_ / "foreign", "--out", folder_ / "o"});
  EXPECT_EQ(foreign.status, 3) << foreign.err;
  EXPECT_FALSE(fs::exists(folder_ / "o"));
  EXPECT_EQ(left().size(), 2u);
}

TEST_F(Program, JsonLogsAreOneObjectALine) {
  fs::create_directories(folder_ / "empty");
  const Ended ended = run({"--json", "plan", folder_ / "empty", "--out", folder_ / "o"});
  std::istringstream lines(ended.err);
  std::string line, last;
  int count = 0;
  while (std::getline(lines, line)) {
    ASSERT_TRUE(Json::accept(line)) << line;
    last = line;
    ++count;
  }
  ASSERT_GT(count, 0);
  const Json error = Json::parse(last);
  EXPECT_EQ(error.at("kind"), "error");
  EXPECT_EQ(error.at("exit_status"), 3);
  EXPECT_FALSE(error.at("remedy").get<std::string>().empty());
}

TEST_F(Program, FilesOfOthersAreNeverReplaced) {
  fs::create_directories(folder_ / "o");
  std::ofstream(folder_ / "o" / "thesis.txt") << "mine\n";
  const Ended ended = run({"plan", phantom(), "--out", folder_ / "o", "--force"});
  EXPECT_EQ(ended.status, 2);
  EXPECT_EQ(readAll(folder_ / "o" / "thesis.txt"), "mine\n");
}

TEST_F(Program, AnInterruptLeavesNothingBehind) {
  for (const double after : {0.8, 2.0, 5.0}) {  // it takes 0.15 s to start, more beside other work
    const Ended ended = run({"plan", phantom(), "--out", folder_ / "o"}, after);
    EXPECT_EQ(ended.status, 130) << "after " << after << " s: " << ended.err;
    EXPECT_TRUE(left().empty());
  }
}

TEST_F(Program, APlanHoldsWhatTheContractAsks) {
  const Ended ended = run({"--quiet", "plan", phantom(), "--out", folder_ / "o"});
  ASSERT_EQ(ended.status, 0) << ended.err;
  EXPECT_TRUE(ended.out.empty()) << ended.out;
  EXPECT_TRUE(ended.err.empty()) << ended.err;
  EXPECT_EQ(left(), std::vector<std::string>{"o"});
  const fs::path out = folder_ / "o";
  const Json plan = Json::parse(readAll(out / "plan.json"));
  const Json truth = Json::parse(readAll(fs::path(RAYSET_PHANTOM_DIR) / "truth.json"));
  EXPECT_EQ(plan.at("schema"), "rayset.plan/1");
  EXPECT_EQ(plan.at("side"), truth.at("side"));
  EXPECT_TRUE(fs::exists(out / plan.at("labels").get<std::string>()));
  EXPECT_TRUE(fs::exists(out / "report.pdf"));

  const auto vec = [](const Json& j) { return Vec3(j.at(0), j.at(1), j.at(2)); };
  const Json& frame = plan.at("frame");
  const Vec3 distal = vec(frame.at("distal")), medial = vec(frame.at("medial")), dorsal = vec(frame.at("dorsal"));
  EXPECT_NEAR(distal.norm(), 1, 1e-6);
  EXPECT_NEAR(distal.dot(medial), 0, 1e-6);
  EXPECT_NEAR(distal.dot(dorsal), 0, 1e-6);
  const double hand = plan.at("side") == "right" ? 1 : -1;
  EXPECT_NEAR(hand * distal.cross(medial).dot(dorsal), 1, 1e-6);

  std::map<std::string, Surface> reduced;
  for (const Json& bone : plan.at("bones")) {
    const auto surface = readStl(out / bone.at("surface").get<std::string>());
    ASSERT_TRUE(surface.has_value()) << english(surface.error());
    EXPECT_TRUE(isClosed(*surface)) << bone.at("id");
    EXPECT_NEAR(volume(*surface) / bone.at("volume_mm3").get<double>(), 1, 0.01) << bone.at("id");
    reduced.emplace(bone.at("id"), *readStl(out / bone.at("reduced_surface").get<std::string>()));
  }
  for (const char* id : {"M1", "M2", "M3", "M4", "M5", "C1", "C2", "C3", "Cub", "Nav", "Tal", "Cal"}) {
    EXPECT_TRUE(reduced.contains(id)) << id;
  }
  ASSERT_EQ(plan.at("injury").at("rays").size(), 5u);
  EXPECT_EQ(plan.at("reduction").at("order"), Json({2, 1, 3, 4, 5}));
  for (const Json& ray : plan.at("reduction").at("rays")) {
    Eigen::Matrix4d X;
    for (int r = 0; r < 4; ++r) {
      for (int c = 0; c < 4; ++c)
        X(r, c) = ray.at("transform").at(static_cast<std::size_t>(r)).at(static_cast<std::size_t>(c));
    }
    EXPECT_LT((X.topLeftCorner<3, 3>() * X.topLeftCorner<3, 3>().transpose() - Mat3::Identity()).norm(), 1e-6);
    EXPECT_EQ(X.row(3), Eigen::RowVector4d(0, 0, 0, 1));
    EXPECT_GT(ray.at("uncertainty").at("mm").get<double>(), 0);
  }
  std::set<int> fixed;
  for (const Json& d : plan.at("fixation").at("devices")) {
    const Vec3 entry = vec(d.at("entry")), tip = vec(d.at("tip")), direction = vec(d.at("direction"));
    EXPECT_LT((tip - entry).normalized().cross(direction).norm(), 1e-3) << d.at("id");
    const Surface& first = reduced.at(d.at("through").at(0));
    EXPECT_LT(RayCaster({&first}).nearest(entry)->distance, 0.5) << d.at("id");
    if (d.at("stage") == "definitive") fixed.insert(d.at("ray").get<int>());
  }
  EXPECT_EQ(fixed, (std::set<int>{1, 2, 3, 4, 5}));

  // A second run does not touch the first unless told to.
  const auto before = fs::last_write_time(out / "plan.json");
  EXPECT_EQ(run({"plan", phantom(), "--out", out}).status, 2);
  EXPECT_EQ(fs::last_write_time(out / "plan.json"), before);
}

TEST_F(Program, AHistoryIsReplayed) {
  const fs::path plan = RAYSET_PLAN_DIR, history = folder_ / "case.json";
  Json planned = Json::parse(readAll(plan / "plan.json"));
  const auto write = [&](const Json& rows) {
    std::ofstream(history) << Json{{"schema", "rayset.case/1"}, {"history", rows}}.dump();
  };
  const auto row = [](int seq, const std::string& kind, const Json& payload) {
    return Json{{"seq", seq}, {"kind", kind}, {"payload", payload}, {"active", true}};
  };
  // Nothing that touches the plan: the plan again.
  write({row(1, "import", {{"part", "images"}}), row(2, "case.name", {{"text", "Foot"}})});
  const auto same = run({"replay", plan, "--history", history, "--out", folder_ / "same"});
  ASSERT_EQ(same.status, 0) << same.err;
  EXPECT_THAT(same.out, HasSubstr("named \"Foot\""));
  Json again = Json::parse(readAll(folder_ / "same/plan.json"));
  for (Json* j : {&again, &planned}) j->erase("timings_s");
  EXPECT_EQ(again, planned);
  EXPECT_TRUE(fs::exists(folder_ / "same/report.pdf"));
  // A device left out is in neither plan nor folder.
  const std::string id = planned["fixation"]["devices"][0]["id"];
  write({row(1, "import", {{"part", "images"}}), row(2, "device.remove", {{"id", id}})});
  const auto less = run({"replay", plan, "--history", history, "--out", folder_ / "less"});
  ASSERT_EQ(less.status, 0) << less.err;
  EXPECT_EQ(Json::parse(readAll(folder_ / "less/plan.json"))["fixation"]["devices"].size(),
            planned["fixation"]["devices"].size() - 1);
  EXPECT_FALSE(fs::exists(folder_ / "less/devices" / (id + ".stl")));
  // A file that is none is named, and nothing is left behind.
  std::ofstream(history) << "{}";
  const auto none = run({"replay", plan, "--history", history, "--out", folder_ / "none"});
  EXPECT_EQ(none.status, 2);
  EXPECT_THAT(none.err, HasSubstr("case.json"));
  EXPECT_FALSE(fs::exists(folder_ / "none"));
}

TEST_F(Program, DataThatCannotBeReadAreToldBeforeAnythingIsDone) {
  const fs::path plan = RAYSET_PLAN_DIR, data = folder_ / "data", out = folder_ / "o";
  copyData(data);
  for (const char* name : {"limits.json", "implants.json", "joints.json", "followup.json"}) {
    const fs::path file = data / name;
    fs::permissions(file, fs::perms::none);
    if (access(file.c_str(), R_OK) == 0) fs::remove(file);  // root reads everything
    for (const std::vector<std::string>& verb : {std::vector<std::string>{"plan", phantom(), "--out", out},
                                                 {"verify", plan, "--films", folder_ / "a.dcm", "--out", out},
                                                 {"views", plan, "--out", out},
                                                 {"film", folder_ / "a.dcm", "--out", out},
                                                 {"phantom", "--after", plan, "--out", out},
                                                 {"serve", "--cases", out}}) {
      std::vector<std::string> words{"--data", data};
      words.insert(words.end(), verb.begin(), verb.end());
      const Ended ended = run(words);
      EXPECT_NE(ended.status, 0) << verb.front();
      EXPECT_THAT(ended.err, HasSubstr(file.string())) << verb.front();
      EXPECT_FALSE(fs::exists(out)) << verb.front();
    }
    fs::remove(file);
    fs::copy(fs::path(RAYSET_DATA_DIR) / name, file);
  }
}

/// Words of three letters and more in plain ones: what no pattern of the pseudo-language made.
std::set<std::string> plainWords(const std::string& text) {
  // Ids of bones, options, what stands in the headers of the images, and DICOM's names of attributes.
  static const std::set<std::string> kMeant{
      "Cub",    "Nav",    "Tal",     "Cal",      "tibia",  "fibula",  "sesamoids", "toes",    "Rayset",     "rayset",
      "DICOM",  "JSON",   "STL",     "TEXT",     "FLOAT",  "INT",     "UINT",      "OPTIONS", "SUBCOMMAND", "REQUIRED",
      "Env",    "RAYSET", "DATA",    "INVENTED", "DEMO",   "FOOT",    "Foot",      "foot",    "bone",       "invented",
      "Imager", "Pixel",  "Spacing", "Distance", "Source", "Patient", "Detector"};
  std::set<std::string> found;
  std::string word;
  bool whole = true;  // no accented letter beside it
  for (const char c : text + " ") {
    const auto byte = static_cast<unsigned char>(c);
    if (std::isalpha(byte) != 0 && byte < 0x80U) {
      word += c;
      continue;
    }
    const bool part = byte >= 0x80U || std::isdigit(byte) != 0 || c == '_';
    if (word.size() > 2 && whole && !part && !kMeant.contains(word)) found.insert(word);
    word.clear();
    whole = !part;
  }
  return found;
}

/// Without what is meant to be plain: paths, options, and the citations at the end.
std::string forPeople(std::string text) {
  for (const char* meant : {R"(\S*/\S*)", R"(--?[a-z-]+)", R"(\S+\.(json|pdf|stl|png|dcm|jsonl))", R"(\{[a-z,]+\})"})
    text = std::regex_replace(text, std::regex(meant), "");
  return text;
}

TEST_F(Program, SpeaksAnyLanguage) {
  const fs::path data = folder_ / "data";
  ASSERT_EQ(test::shell("/usr/bin/python3 '" + std::string(RAYSET_DATA_DIR) + "/../tests/pseudo_language.py' '" +
                        RAYSET_DATA_DIR + "' '" + data.string() + "'")
                .status,
            0);
  const auto said = [&](std::vector<std::string> words) {
    words.insert(words.begin(), {"--data", data, "--language", "xx"});
    const Ended ended = run(words);
    return forPeople(ended.out + ended.err);
  };
  const std::string plan = folder_ / "plan", views = folder_ / "views";
  EXPECT_THAT(plainWords(said({"plan", phantom(), "--out", plan})), testing::IsEmpty());
  EXPECT_THAT(plainWords(said({"plan", folder_ / "nowhere", "--out", folder_ / "none"})), testing::IsEmpty());
  EXPECT_THAT(plainWords(said({"views", plan, "--out", views, "--view", "lateral", "--state", "metal"})),
              testing::IsEmpty());
  EXPECT_THAT(plainWords(said({"film", views + "/lateral_metal.dcm", "--out", folder_ / "film"})), testing::IsEmpty());
  // The report but for its sources, which are citations.
  const std::string report = textOf(fs::path(plan) / "report.pdf");
  const std::size_t sources = report.rfind("Šöûřçéš");
  ASSERT_NE(sources, std::string::npos);
  EXPECT_THAT(plainWords(forPeople(report.substr(0, sources))), testing::IsEmpty());
}

TEST_F(Program, APlannedFootIsFilmedAndChecked) {
  const fs::path plan = RAYSET_PLAN_DIR, views = folder_ / "views", check = folder_ / "check";
  ASSERT_EQ(run({"views", plan, "--out", views, "--view", "dorsoplantar-20", "--view", "lateral", "--state", "metal",
                 "--pixel", "0.3"})
                .status,
            0);
  EXPECT_EQ(test::offence("views.schema.json", views / "views.json"), "");
  const Json list = Json::parse(readAll(views / "views.json"));
  ASSERT_EQ(list["films"].size(), 2U);
  for (const Json& film : list["films"]) {
    EXPECT_TRUE(fs::exists(views / film["file"].get<std::string>()));
    EXPECT_TRUE(fs::exists(views / film["picture"].get<std::string>()));
  }

  // A template for landmarks on them says in words where each one lies.
  ASSERT_EQ(run({"film", views / "lateral_metal.dcm", "--out", folder_ / "template", "--quiet"}).status, 0);
  EXPECT_EQ(test::offence("landmarks.schema.json", folder_ / "template/landmarks.json"), "");
  EXPECT_EQ(Json::parse(readAll(folder_ / "template/landmarks.json"))["films"][0]["meaning"]["Tal.dorsal.distal"],
            "dorsal border of the head of the talus");

  // Films of the plan itself: everything stands where it was planned.
  const std::string dorsoplantar = views / "dorsoplantar-20_metal.dcm", lateral = views / "lateral_metal.dcm";
  const Ended checked =
      run({"verify", plan, "--films", dorsoplantar, lateral, "--views", "dorsoplantar-15", "lateral", "--out", check});
  ASSERT_EQ(checked.status, 0) << checked.err << checked.out;
  EXPECT_EQ(test::offence("verification.schema.json", check / "verification.json"), "");
  const Json result = Json::parse(readAll(check / "verification.json"));
  EXPECT_EQ(result["verdict"], "anatomical");
  ASSERT_EQ(result["rays"].size(), 5U);
  for (const Json& ray : result["rays"]) EXPECT_LT(ray["shift_mm"]["total"].get<double>(), 0.5) << ray.dump(1);
  for (const Json& device : result["devices"]) {
    EXPECT_TRUE(device["seen"].get<bool>());
    EXPECT_LT(device["from_plan"]["entry_mm"].get<double>(), 1.0) << device.dump(1);
  }

  // The folder of the data files that is named is the one used: nothing but standing exactly as planned is anatomical.
  const fs::path data = folder_ / "data", strict = folder_ / "strict";
  copyData(data);
  Json limits = Json::parse(readAll(data / "limits.json"));
  for (Json& limit : limits["limits"])
    if (limit["key"] == "anatomical_displacement") limit["value"] = 0;
  std::ofstream(data / "limits.json") << limits;
  ASSERT_EQ(setenv("RAYSET_DATA", data.c_str(), 1), 0);
  const Ended by_variable = run({"verify", plan, "--films", dorsoplantar, lateral, "--views", "dorsoplantar-15",
                                 "lateral", "--out", strict, "--quiet"});
  unsetenv("RAYSET_DATA");
  ASSERT_EQ(by_variable.status, 0) << by_variable.err;
  EXPECT_EQ(Json::parse(readAll(strict / "verification.json"))["verdict"], "acceptable");

  EXPECT_TRUE(fs::exists(check / "pictures" / "check_film_1.png"));
  EXPECT_THAT(textOf(check / "verification.pdf"), AllOf(HasSubstr("Anatomical in every ray"), HasSubstr("Film 2")));

  // One film alone: what it tells in its plane, and no verdict that needs the other.
  const fs::path alone = folder_ / "alone";
  ASSERT_EQ(run({"verify", plan, "--films", lateral, "--views", "lateral", "--out", alone, "--quiet"}).status, 0);
  EXPECT_EQ(test::offence("verification.schema.json", alone / "verification.json"), "");
  const Json seen = Json::parse(readAll(alone / "verification.json"));
  EXPECT_EQ(seen["verdict"], "not known");
  for (const Json& ray : seen["rays"]) {
    EXPECT_LT(ray["in_plane"]["mm"].get<double>(), 0.5) << ray.dump(1);
    EXPECT_FALSE(ray["sure"].get<bool>());
  }
  EXPECT_THAT(textOf(alone / "verification.pdf"), HasSubstr("what lies along its beam is not known"));

  // A CT after the operation, with metal: rays up to 1.5 mm and devices up to 1 mm from the plan, found again.
  const fs::path after = folder_ / "after", scanned = folder_ / "scanned";
  ASSERT_EQ(run({"phantom", "--after", plan, "--out", after, "--spacing", "0.6", "--slice", "0.6", "--off-mm", "1.5",
                 "--off-deg", "3", "--seed", "9", "--orientation", "15,-10,25", "--quiet"})
                .status,
            0);
  const Ended read = run({"verify", plan, "--ct", after / "ct", "--out", scanned, "--quiet", "--earlier", check});
  ASSERT_EQ(read.status, 0) << read.err << read.out;
  EXPECT_EQ(test::offence("verification.schema.json", scanned / "verification.json"), "");
  EXPECT_NE(test::offence("verification.schema.json", views / "views.json"), "") << "the validator does look";
  const Json truth = Json::parse(readAll(after / "truth.json")),
             found = Json::parse(readAll(scanned / "verification.json"));
  ASSERT_EQ(found["rays"].size(), 5U);
  for (std::size_t n = 0; n < 5; ++n) {
    EXPECT_NEAR(found["rays"][n]["shift_mm"]["total"].get<double>(), truth["rays"][n]["shift_mm"].get<double>(), 0.2);
    EXPECT_NEAR(found["rays"][n]["turn_deg"]["total"].get<double>(), truth["rays"][n]["turn_deg"].get<double>(), 0.6);
  }
  // The films showed the foot as planned: what has changed since is what the scan is off the plan by.
  const Json& since = found["since"];
  ASSERT_EQ(since["rays"].size(), 5U);
  for (std::size_t n = 0; n < 5; ++n)
    EXPECT_NEAR(since["rays"][n]["shift_mm"]["total"].get<double>(), truth["rays"][n]["shift_mm"].get<double>(),
                since["rays"][n]["uncertainty"]["mm"].get<double>())
        << since["rays"][n].dump(1);
  EXPECT_EQ(since["devices"].size(), truth["devices"].size());
  EXPECT_THAT(textOf(scanned / "verification.pdf"), HasSubstr("Since the"));
  EXPECT_FALSE(result.contains("since"));
  ASSERT_EQ(found["devices"].size(), truth["devices"].size());
  for (std::size_t n = 0; n < truth["devices"].size(); ++n) {
    ASSERT_EQ(found["devices"][n]["id"], truth["devices"][n]["id"]);
    for (const char* end : {"entry", "tip"}) {
      double squared = 0;
      for (std::size_t k = 0; k < 3; ++k)
        squared += std::pow(found["devices"][n][end][k].get<double>() - truth["devices"][n][end][k].get<double>(), 2);
      EXPECT_LT(std::sqrt(squared), 0.6) << found["devices"][n].dump(1);
    }
  }
  EXPECT_THAT(textOf(scanned / "verification.pdf"), HasSubstr("Bones as found, from dorsal"));

  // What cannot be done is refused, and leaves nothing.
  EXPECT_EQ(run({"verify", plan, "--out", folder_ / "o"}).status, 2);
  EXPECT_EQ(run({"verify", plan, "--ct", folder_ / "nowhere", "--out", folder_ / "o"}).status, 2);
  EXPECT_EQ(run({"verify", plan, "--ct", after / "ct", "--earlier", views, "--out", folder_ / "o"}).status, 2);
  EXPECT_EQ(run({"verify", plan, "--ct", after / "ct", "--films", lateral, "--out", folder_ / "o"}).status, 2);
  EXPECT_EQ(run({"views", folder_ / "nowhere", "--out", folder_ / "o"}).status, 2);
  EXPECT_EQ(run({"views", plan, "--out", folder_ / "o", "--view", "frontal"}).status, 2);
  EXPECT_EQ(run({"verify", plan, "--films", lateral, lateral, "--out", folder_ / "o"}).status, 2);
  EXPECT_EQ(
      run({"verify", plan, "--films", dorsoplantar, lateral, "--views", "lateral", "--out", folder_ / "o"}).status, 2);
  EXPECT_FALSE(fs::exists(folder_ / "o"));
}

}  // namespace
}  // namespace rayset
