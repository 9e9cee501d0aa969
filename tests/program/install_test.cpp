// GCC 12 sees overlaps in "text" + std::string() that are not there (GCC bug 105651).
#ifndef __clang__
#pragma GCC diagnostic ignored "-Wrestrict"
#endif

// What `cmake --install` puts in place works by itself, and the papers made by the build say what is so.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <iomanip>
#include <map>
#include <nlohmann/json.hpp>
#include <regex>
#include <set>
#include <sstream>

#include "shell.h"
#include "text_file.h"

namespace rayset {
namespace {

namespace fs = std::filesystem;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;
using Json = nlohmann::json;

using test::readAll;

class Installed : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    prefix_ = fs::path(RAYSET_BUILD_DIR) / ("test-install-" + std::to_string(getpid()));
    fs::remove_all(prefix_);
    const test::Ended e = test::shell("cmake --install '" RAYSET_BUILD_DIR "' --prefix '" + prefix_.string() + "'");
    ASSERT_EQ(e.status, 0) << e.said;
  }
  static void TearDownTestSuite() { fs::remove_all(prefix_); }

  /// The installed program, with nothing in its environment that names the data.
  static test::Ended run(const std::string& words) {
    return test::shell("env -u RAYSET_DATA '" + (prefix_ / "bin/rayset").string() + "' " + words);
  }
  static std::string bash(const std::string& script) {
    return test::shell("bash -c \"source '" + (prefix_ / "share/bash-completion/completions/rayset").string() + "'; " +
                       script + "\"")
        .said;
  }

  static fs::path prefix_;
};
fs::path Installed::prefix_;

TEST_F(Installed, EverythingIsInItsPlace) {
  for (const char* file : {"bin/rayset", "share/rayset/data/limits.json", "share/rayset/data/implants.json",
                           "share/rayset/data/joints.json", "share/rayset/data/followup.json",
                           "share/rayset/data/schema", "share/rayset/web/index.html", "share/rayset/web/page.js",
                           "share/doc/rayset/copyright", "share/doc/rayset/CHANGELOG.md", "share/doc/rayset/library.md",
                           "include/rayset/plan.h", "include/rayset/version.h", "lib/cmake/rayset/raysetConfig.cmake",
                           "share/doc/rayset/rayset.spdx.json", "share/doc/rayset/NOTICES", "share/man/man1/rayset.1",
                           "share/applications/rayset.desktop", "share/icons/hicolor/scalable/apps/rayset.svg"})
    EXPECT_TRUE(fs::exists(prefix_ / file)) << file;
  EXPECT_EQ(run("--version").said, "rayset " RAYSET_VERSION "\n");
}

TEST_F(Installed, WhatIsInTheProgramAndItsPageHasItsLicenceWithIt) {
  const fs::path papers = prefix_ / "share/doc/rayset";
  EXPECT_THAT(readAll(papers / "NOTICES"), AllOf(HasSubstr("== libcli11-dev "), HasSubstr("== nlohmann-json3-dev ")));
  const Json bill = Json::parse(readAll(papers / "rayset.spdx.json"));
  int in_page = 0;
  for (const Json& r : bill.at("relationships")) {
    if (r.at("relationshipType") != "CONTAINS") continue;
    for (const Json& package : bill.at("packages"))
      if (package.at("SPDXID") == r.at("relatedSpdxElement")) {
        const std::string name = package.at("name");
        EXPECT_TRUE(fs::exists(papers / (name + "-LICENSE"))) << name;
        ++in_page;
      }
  }
  EXPECT_GE(in_page, 1);
}

// With one of its data files gone it says so: the source tree, where the file is, is not looked into.
TEST_F(Installed, ItsOwnDataAreUsedAndNoOthers) {
  const fs::path limits = prefix_ / "share/rayset/data/limits.json", out = prefix_ / "views";
  const std::string views = "views '" RAYSET_PLAN_DIR
                            "' --view lateral --state metal --pixel 0.8 --quiet --force --out '" +
                            out.string() + "'";
  const test::Ended whole = run(views);
  EXPECT_EQ(whole.status, 0) << whole.said;
  EXPECT_TRUE(fs::exists(out / "lateral_metal.png"));
  fs::rename(limits, prefix_ / "limits.json");
  const test::Ended without = run(views);
  EXPECT_EQ(without.status, 2);
  EXPECT_THAT(without.said, HasSubstr(fs::canonical(limits.parent_path()) / "limits.json"));
  fs::rename(prefix_ / "limits.json", limits);
}

TEST_F(Installed, TheManualTellsEveryVerbAndOption) {
  const std::string page = (prefix_ / "share/man/man1/rayset.1").string();
  const test::Ended set = test::shell("groff -man -Tascii -P-cbou -ww '" + page + "'");  // plain, warnings told
  EXPECT_EQ(set.status, 0);
  EXPECT_EQ(set.said.find("warning"), std::string::npos) << set.said;
  std::string all = run("--help").said;
  for (const char* verb : {"film", "phantom", "plan", "replay", "serve", "verify", "views"}) {
    EXPECT_THAT(set.said, HasSubstr(std::string("\n       rayset ") + verb)) << "the synopsis";
    all += run(std::string(verb) + " --help").said;
  }
  const std::string text = readAll(page);
  const std::regex option("--[a-z][a-z-]+");
  int told = 0;
  for (std::sregex_iterator it(all.begin(), all.end(), option), end; it != end; ++it, ++told)
    EXPECT_THAT(text, HasSubstr(std::regex_replace(it->str(), std::regex("-"), "\\-"))) << it->str();
  EXPECT_GT(told, 60);
  EXPECT_THAT(text, AllOf(HasSubstr("RAYSET_DATA"), HasSubstr(".SH EXIT STATUS")));
}

TEST_F(Installed, BashCompletesVerbsOptionsAndTheirWords) {
  const auto completed = [&](const std::string& words, int at) {
    return bash("COMP_WORDS=(" + words + "); COMP_CWORD=" + std::to_string(at) +
                "; _rayset; printf '%s ' \\\"\\${COMPREPLY[@]}\\\"");
  };
  EXPECT_EQ(completed("rayset v", 1), "views verify ");
  EXPECT_EQ(completed("rayset plan images --si", 3), "--side ");
  EXPECT_EQ(completed("rayset plan images --side ''", 4), "left right ");
  EXPECT_EQ(completed("rayset plan --out ''", 3), " ") << "files, which bash offers by itself";
  EXPECT_EQ(completed("rayset serve --op", 2), "--open ");
  EXPECT_EQ(completed("rayset serve --side ''", 3), " ");
}

// --- the library

// With a relative of theirs and the standard library: nothing of what Rayset is made of.
TEST_F(Installed, HeadersNeedNothingButTheStandardLibrary) {
  const fs::path headers = prefix_ / "include/rayset", rule = prefix_ / "made-of.d";
  const std::regex standard(
      "/usr/include/(c\\+\\+|[^/]+-linux-gnu|bits|sys|asm|asm-generic|linux)/.*|/usr/include/[a-z0-9_-]+\\.h|"
      "/usr/lib/(gcc|llvm-?[0-9]*)/.*");
  int compiled = 0;
  for (const auto& header : fs::directory_iterator(headers)) {
    const test::Ended e =
        test::shell("'" RAYSET_CXX "' -std=c++20 -Wall -Wextra -Wpedantic -Wshadow -Werror -fsyntax-only -MD -MF '" +
                    rule.string() + "' -I'" + (prefix_ / "include").string() + "' -x c++ -include '" +
                    header.path().string() + "' /dev/null");
    EXPECT_EQ(e.status, 0) << e.said;
    std::istringstream words(readAll(rule));
    int used = 0;
    for (std::string word; words >> word;) {
      if (word.front() != '/' || word == "/dev/null") continue;
      const std::string file = fs::weakly_canonical(word);
      ++used;
      EXPECT_TRUE(fs::path(file).parent_path() == fs::canonical(headers) || std::regex_match(file, standard))
          << header.path().filename() << " includes " << file;
    }
    EXPECT_GE(used, 1) << header;
    ++compiled;
  }
  EXPECT_GE(compiled, 6);
}

TEST_F(Installed, TheLibraryShowsItsInterfaceOnly) {
  const fs::path library = prefix_ / "lib/librayset.so";
  std::istringstream symbols(test::shell("nm -DC --defined-only '" + library.string() + "'").said);
  int shown = 0;
  for (std::string line; std::getline(symbols, line); ++shown)
    EXPECT_TRUE(std::regex_match(line, std::regex("[0-9a-f]+ T rayset::api::.*"))) << line;
  EXPECT_GT(shown, 20);
  const test::Ended dynamic = test::shell("readelf -d '" + library.string() + "'");
  EXPECT_THAT(dynamic.said, HasSubstr("soname: [librayset.so."));
  EXPECT_THAT(dynamic.said, Not(HasSubstr("RUNPATH"))) << "no path of the machine it was built on";
  EXPECT_THAT(dynamic.said, Not(HasSubstr("RPATH")));
}

/// A number as `printf("%.*f")` gives it.
std::string fixed(const Json& number, int digits) {
  std::ostringstream text;
  text << std::fixed << std::setprecision(digits) << number.get<double>();
  return text.str();
}

/// What examples/plan_and_measure prints of a plan.
std::string measured(const Json& plan) {
  std::string text = plan["side"].get<std::string>() + " foot, Quenu and Kuss " +
                     plan["injury"]["patterns"]["quenu_kuss"].get<std::string>() + "\n";
  for (const Json& ray : plan["injury"]["rays"]) {
    text += "ray " + ray["ray"].dump() + " shift";
    for (const char* way : {"lateral", "dorsal", "distal"}) text += " " + fixed(ray["shift_mm"][way], 3);
    text += " mm turn";
    for (const char* way : {"abduction", "plantarflexion", "pronation"}) text += " " + fixed(ray["turn_deg"][way], 3);
    for (const Json& reduced : plan["reduction"]["rays"])
      if (reduced["ray"] == ray["ray"])
        text += " deg within " + fixed(reduced["uncertainty"]["mm"], 2) + " mm " +
                fixed(reduced["uncertainty"]["deg"], 2) + " deg, ";
    text += ray["displaced"].is_null() ? "cannot be told\n" : ray["displaced"] ? "displaced\n" : "in place\n";
  }
  for (const Json& d : plan["fixation"]["devices"]) {
    std::string through;
    for (const Json& bone : d["through"]) through += (through.empty() ? "" : "-") + bone.get<std::string>();
    text += "device " + d["id"].get<std::string>() + " " + d["kind"].get<std::string>() + " " +
            fixed(d["diameter_mm"], 1) + " x " + fixed(d["length_mm"], 0) + " mm " + through + " entry";
    for (const Json& x : d["entry"]) text += " " + fixed(x, 3);
    text += ", " + std::to_string(d["warnings"].size()) + " warnings\n";
  }
  return text;
}

// As somebody else would: with the prefix and nothing of this tree.
TEST_F(Installed, AProgramOfOthersIsBuiltAndRuns) {
  const fs::path source = prefix_ / "share/doc/rayset/examples/plan_and_measure", build = prefix_ / "example";
  const test::Ended configured = test::shell(
      "cmake -S '" + source.string() + "' -B '" + build.string() + "' -DCMAKE_PREFIX_PATH='" + prefix_.string() +
      "' -DCMAKE_CXX_COMPILER='" RAYSET_CXX "' -DCMAKE_CXX_FLAGS='-Wall -Wextra -Werror'");
  ASSERT_EQ(configured.status, 0) << configured.said;
  const test::Ended built = test::shell("cmake --build '" + build.string() + "'");
  ASSERT_EQ(built.status, 0) << built.said;
  const std::string program = "env -u RAYSET_DATA -u LD_LIBRARY_PATH '" + (build / "plan_and_measure").string() + "' ";

  const Json plan = Json::parse(readAll(fs::path(RAYSET_PLAN_DIR) / "plan.json"));
  ASSERT_EQ(plan["injury"]["rays"].size(), 5U);
  ASSERT_GE(plan["fixation"]["devices"].size(), 5U);
  const test::Ended opened = test::shell(program + "'" RAYSET_PLAN_DIR "'");
  EXPECT_EQ(opened.status, plan["partial"] ? 4 : 0);
  EXPECT_EQ(opened.said, measured(plan));

  const test::Ended nothing = test::shell(program + "'" + (prefix_ / "none").string() + "'");
  EXPECT_EQ(nothing.status, 2);
  EXPECT_THAT(nothing.said, HasSubstr((prefix_ / "none").string()));
  const test::Ended no_images = test::shell(program + "'" + (prefix_ / "include").string() + "'");
  EXPECT_EQ(no_images.status, 3) << no_images.said;
}

// --- what it is made of (SPDX 2.3)

class Materials : public testing::Test {
 protected:
  void SetUp() override {
    document_ = Json::parse(readAll(fs::path(RAYSET_BUILD_DIR) / "rayset.spdx.json"), nullptr, false);
    ASSERT_TRUE(document_.is_object());
    for (const Json& package : document_.at("packages"))
      versions_[package.at("name").get<std::string>()].insert(package.at("versionInfo").get<std::string>());
  }
  Json document_;
  std::map<std::string, std::set<std::string>> versions_;  ///< by name of the package
};

TEST_F(Materials, AreWellFormed) {
  EXPECT_EQ(document_.at("spdxVersion"), "SPDX-2.3");
  EXPECT_EQ(document_.at("dataLicense"), "CC0-1.0");
  EXPECT_EQ(document_.at("SPDXID"), "SPDXRef-DOCUMENT");
  EXPECT_TRUE(std::regex_match(document_.at("creationInfo").at("created").get<std::string>(),
                               std::regex(R"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ)")));
  EXPECT_TRUE(std::regex_match(document_.at("documentNamespace").get<std::string>(), std::regex("https://[^#]+")));
  std::set<std::string> ids{"SPDXRef-DOCUMENT"};
  for (const Json& package : document_.at("packages")) {
    const auto id = package.at("SPDXID").get<std::string>();
    EXPECT_TRUE(std::regex_match(id, std::regex("SPDXRef-[A-Za-z0-9.-]+"))) << id;
    EXPECT_TRUE(ids.insert(id).second) << id << " is there twice";
    for (const char* key : {"name", "versionInfo", "downloadLocation", "licenseDeclared", "licenseConcluded"})
      EXPECT_FALSE(package.at(key).get<std::string>().empty()) << id << ", " << key;
    EXPECT_EQ(package.at("filesAnalyzed"), false) << id;
  }
  std::set<std::string> related;
  for (const Json& r : document_.at("relationships")) {
    EXPECT_TRUE(ids.contains(r.at("spdxElementId"))) << r;
    EXPECT_TRUE(ids.contains(r.at("relatedSpdxElement"))) << r;
    EXPECT_TRUE(
        (std::set<std::string>{"DESCRIBES", "DYNAMIC_LINK", "BUILD_DEPENDENCY_OF", "CONTAINS", "DEV_DEPENDENCY_OF"})
            .contains(r.at("relationshipType")))
        << r;
    related.insert(r.at("spdxElementId"));
    related.insert(r.at("relatedSpdxElement"));
  }
  EXPECT_EQ(related, ids) << "nothing stands by itself";
  EXPECT_EQ(versions_.at("rayset"), std::set<std::string>{RAYSET_VERSION});
}

TEST_F(Materials, ListEveryLibraryThatTheProgramLoads) {
  std::istringstream lines(test::shell("ldd '" RAYSET_PROGRAM "'").said);
  std::set<std::string> libraries;
  for (std::string line; std::getline(lines, line);)
    if (std::smatch path; std::regex_search(line, path, std::regex(R"((/\S+) \(0x)"))) libraries.insert(path[1]);
  EXPECT_GT(libraries.size(), 30U);
  // dpkg knows a file in /lib by that name or by the one in /usr/lib, links apart from what they lead to.
  const auto names = [](const std::string& library) {
    const std::string real = fs::canonical(library);
    return std::vector<std::string>{library, "/usr" + library, real, std::regex_replace(real, std::regex("^/usr"), "")};
  };
  std::string asked;
  for (const std::string& library : libraries)
    for (const std::string& name : names(library)) asked += " '" + name + "'";
  std::map<std::string, std::string> owner;  // by file
  std::istringstream owners(test::shell("dpkg-query -S" + asked + " 2>/dev/null").said);
  for (std::string line; std::getline(owners, line);)
    if (const auto end = line.rfind(": "); end != std::string::npos)
      owner[line.substr(end + 2)] = line.substr(0, line.find(':'));
  std::map<std::string, std::string> version;  // by package
  std::istringstream versions(test::shell("dpkg-query -W -f '${Package} ${Version}\n'").said);
  for (std::string name, number; versions >> name >> number;) version[name] = number;
  for (const std::string& library : libraries) {
    std::string package;
    for (const std::string& name : names(library))
      if (owner.contains(name)) package = owner[name];
    ASSERT_TRUE(versions_.contains(package)) << library << " of '" << package << "'";
    EXPECT_TRUE(versions_.at(package).contains(version[package])) << package;
  }
}

TEST_F(Materials, ListEveryPackageOfThePage) {
  const Json lock = Json::parse(readAll(fs::path(RAYSET_DATA_DIR) / "../web/package-lock.json"));
  int packages = 0;
  for (const auto& [path, package] : lock.at("packages").items()) {
    if (path.empty()) continue;
    ++packages;
    const std::string name = path.substr(path.rfind("node_modules/") + 13);
    ASSERT_TRUE(versions_.contains(name)) << name;
    EXPECT_TRUE(versions_.at(name).contains(package.at("version"))) << name;
  }
  EXPECT_GT(packages, 5);
}

// Headers alone leave no trace in ldd.
TEST_F(Materials, ListWhatIsCompiledIn) {
  for (const char* name :
       {"libeigen3-dev", "nlohmann-json3-dev", "libboost1.74-dev", "libnanoflann-dev", "libcli11-dev"})
    EXPECT_TRUE(versions_.contains(name)) << name;
}

}  // namespace
}  // namespace rayset
