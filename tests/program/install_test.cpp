// What `cmake --install` puts in place works by itself, and the papers made by the build say what is so.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
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
  for (const char* file :
       {"bin/rayset", "share/rayset/data/limits.json", "share/rayset/data/implants.json",
        "share/rayset/data/joints.json", "share/rayset/data/followup.json", "share/rayset/data/schema",
        "share/rayset/web/index.html", "share/rayset/web/page.js", "share/doc/rayset/copyright",
        "share/doc/rayset/CHANGELOG.md", "share/doc/rayset/rayset.spdx.json", "share/doc/rayset/NOTICES",
        "share/man/man1/rayset.1", "share/applications/rayset.desktop", "share/icons/hicolor/scalable/apps/rayset.svg"})
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
