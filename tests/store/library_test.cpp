#include "store/library.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sqlite3.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <fstream>
#include <random>
#include <thread>

#include "english.h"

namespace rayset {
namespace {
namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

/// A folder of this test alone, removed with it.
struct Folder {
  fs::path path;
  Folder() {
    std::string name = (fs::temp_directory_path() / "rayset-library-XXXXXX").string();
    path = mkdtemp(name.data());
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path, ignored);
  }
};

std::unique_ptr<Library> opened(const fs::path& folder) {
  auto library = Library::open(folder);
  EXPECT_TRUE(library) << english(library.error());
  return library ? std::move(*library) : nullptr;
}

std::vector<std::string> active(const Library& library, const std::string& id) {
  const auto rows = library.activeEdits(id);
  EXPECT_TRUE(rows);
  std::vector<std::string> out;
  for (const auto& row : *rows) out.push_back(row.payload.at("text").get<std::string>());
  return out;
}

void append(Library& library, const std::string& id, const std::string& text, bool undoable = true) {
  const auto row = library.append(id, undoable ? "case.notes" : "plan", {{"text", text}}, undoable);
  ASSERT_TRUE(row) << english(row.error());
}

void write(const fs::path& file, const std::string& text) {
  fs::create_directories(file.parent_path());
  std::ofstream(file) << text;
}
std::string read(const fs::path& file) {
  std::ifstream in(file);
  return {std::istreambuf_iterator<char>(in), {}};
}

/// Runs SQL on the library's file from outside; the message of what went wrong, or "".
std::string sql(const fs::path& folder, const std::string& text) {
  sqlite3* db = nullptr;
  EXPECT_EQ(sqlite3_open((folder / "library.sqlite").c_str(), &db), SQLITE_OK);
  const bool fine = sqlite3_exec(db, text.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK;
  std::string message = fine ? "" : sqlite3_errmsg(db);
  sqlite3_close(db);
  return message;
}

std::string integrity(const fs::path& folder) {
  sqlite3* db = nullptr;
  EXPECT_EQ(sqlite3_open((folder / "library.sqlite").c_str(), &db), SQLITE_OK);
  std::string out;
  sqlite3_exec(
      db, "PRAGMA integrity_check",
      [](void* to, int, char** values, char**) {
        *static_cast<std::string*>(to) += values[0];
        return 0;
      },
      &out, nullptr);
  sqlite3_close(db);
  return out;
}

TEST(Library, UndoAndRedoFollowTheOrderOfEdits) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string id = library->create("A")->id;
  for (const char* text : {"a", "b", "c"}) append(*library, id, text);
  EXPECT_THAT(active(*library, id), ElementsAre("a", "b", "c"));
  ASSERT_TRUE(library->undo(id).value());
  ASSERT_TRUE(library->undo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a"));
  ASSERT_TRUE(library->redo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a", "b"));
  ASSERT_TRUE(library->redo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a", "b", "c"));
  EXPECT_FALSE(library->redo(id).value());
  for (int n = 0; n < 3; ++n) ASSERT_TRUE(library->undo(id).value());
  EXPECT_FALSE(library->undo(id).value());
  EXPECT_THAT(active(*library, id), IsEmpty());
  EXPECT_EQ(library->history(id)->size(), 3U + 2 + 2 + 3);  // undo and redo are rows too
}

TEST(Library, ANewEditDropsWhatCouldBeRedone) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string id = library->create("A")->id;
  append(*library, id, "a");
  append(*library, id, "b");
  ASSERT_TRUE(library->undo(id).value());
  append(*library, id, "c");
  EXPECT_FALSE(library->redo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a", "c"));
  ASSERT_TRUE(library->undo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a"));
  EXPECT_EQ(library->turns(id)->undo->payload["text"], "a");
  EXPECT_EQ(library->turns(id)->redo->payload["text"], "c");
  ASSERT_TRUE(library->undo(id).value());
  EXPECT_FALSE(library->turns(id)->undo);
  EXPECT_THAT(active(*library, id), IsEmpty()) << "b was taken back before and stays so";
  ASSERT_TRUE(library->redo(id).value());
  ASSERT_TRUE(library->redo(id).value());
  EXPECT_FALSE(library->redo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a", "c"));
}

TEST(Library, WhatIsSentTwiceUnderOneNameIsStoredOnce) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string a = library->create("A")->id, b = library->create("B")->id;
  const auto first = library->append(a, "case.notes", {{"text", "a"}}, true, "t1");
  ASSERT_TRUE(first);
  // The second time it need not even be the same: the name decides.
  const auto again = library->append(a, "case.notes", {{"text", "other"}}, true, "t1");
  ASSERT_TRUE(again);
  EXPECT_EQ(again->seq, first->seq);
  EXPECT_EQ(again->payload.at("text"), "a");
  EXPECT_THAT(active(*library, a), ElementsAre("a"));
  ASSERT_TRUE(library->append(a, "case.notes", {{"text", "b"}}, true, "t2"));
  const auto back = library->undo(a, "t3");
  ASSERT_TRUE(back.value());
  EXPECT_EQ(library->undo(a, "t3").value()->seq, back.value()->seq);
  EXPECT_THAT(active(*library, a), ElementsAre("a"));
  ASSERT_TRUE(library->redo(a, "t4").value());
  ASSERT_TRUE(library->redo(a, "t4").value());
  EXPECT_THAT(active(*library, a), ElementsAre("a", "b"));
  // Names are each case's own, and what has none is never taken for another.
  ASSERT_TRUE(library->append(b, "case.notes", {{"text", "c"}}, true, "t1"));
  append(*library, b, "d");
  append(*library, b, "d");
  EXPECT_THAT(active(*library, b), ElementsAre("c", "d", "d"));
  EXPECT_TRUE(library->known(a, "t2").value());
  EXPECT_FALSE(library->known(b, "t2").value());
  EXPECT_FALSE(library->known(b, "").value());
  EXPECT_FALSE(library->known("none", "t1"));
}

TEST(Library, ALibraryOfTheFirstVersionIsBroughtUpToDate) {
  const Folder folder;
  std::string id;
  {
    const auto library = opened(folder.path);
    id = library->create("A")->id;
    append(*library, id, "a");
  }
  ASSERT_EQ(
      sql(folder.path, "DROP INDEX history_by_token; ALTER TABLE history DROP COLUMN token; PRAGMA user_version = 1"),
      "");
  for (int n = 0; n < 2; ++n) {
    const auto library = opened(folder.path);
    ASSERT_TRUE(library->append(id, "case.notes", {{"text", "b"}}, true, "t"));
    EXPECT_THAT(active(*library, id), ElementsAre("a", "b"));
  }
  EXPECT_THAT(sql(folder.path, "DELETE FROM history"), HasSubstr("never removed"));
  EXPECT_EQ(integrity(folder.path), "ok");
}

TEST(Library, RowsOfLongWorkStand) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string id = library->create("A")->id;
  append(*library, id, "a");
  append(*library, id, "planned", false);
  const auto undone = library->undo(id);
  ASSERT_TRUE(undone.value());
  EXPECT_EQ((*undone)->target, library->history(id)->front().seq);
  EXPECT_THAT(active(*library, id), ElementsAre("planned"));
  EXPECT_FALSE(library->undo(id).value());
}

TEST(Library, CasesDoNotMeddle) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string a = library->create("A")->id, b = library->create("B")->id;
  EXPECT_NE(a, b);
  append(*library, a, "a");
  append(*library, b, "b");
  ASSERT_TRUE(library->undo(a).value());
  EXPECT_THAT(active(*library, a), IsEmpty());
  EXPECT_THAT(active(*library, b), ElementsAre("b"));
}

TEST(Library, UnknownCasesAndKindsAreRefused) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string id = library->create("A")->id;
  EXPECT_EQ(library->find("none").error().fault, Fault::kRequest);
  EXPECT_EQ(library->append("none", "case.notes", {}).error().fault, Fault::kRequest);
  EXPECT_EQ(library->undo("none").error().fault, Fault::kRequest);
  EXPECT_EQ(library->redo("none").error().fault, Fault::kRequest);
  EXPECT_EQ(library->history("none").error().fault, Fault::kRequest);
  EXPECT_EQ(library->setSummary("none", "", "", false, {}).error().fault, Fault::kRequest);
  EXPECT_EQ(library->append(id, "undo", {}).error().fault, Fault::kRequest);
  EXPECT_EQ(library->append(id, "", {}).error().fault, Fault::kRequest);
}

TEST(Library, WhatWasWrittenIsThereAfterReopening) {
  const Folder folder;
  std::string id;
  {
    const auto library = opened(folder.path);
    id = library->create("Foot of M\xC3\xBCller")->id;
    append(*library, id, "a");
    append(*library, id, "b");
    ASSERT_TRUE(library->undo(id).value());
  }
  const auto library = opened(folder.path);
  EXPECT_EQ(library->find(id)->name, "Foot of M\xC3\xBCller");
  EXPECT_EQ(library->find(id)->seq, 3);
  EXPECT_THAT(active(*library, id), ElementsAre("a"));
  ASSERT_TRUE(library->redo(id).value());
  EXPECT_THAT(active(*library, id), ElementsAre("a", "b"));
}

TEST(Library, IsHeldByOneAtATime) {
  const Folder folder;
  auto first = opened(folder.path);
  const auto second = Library::open(folder.path);
  ASSERT_FALSE(second);
  EXPECT_EQ(second.error().fault, Fault::kRequest);
  EXPECT_THAT(english(second.error()), HasSubstr(std::to_string(getpid())));
  first.reset();
  EXPECT_TRUE(Library::open(folder.path));
}

TEST(Library, SearchesNameNotesAndSummary) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string a = library->create("Anna")->id, b = library->create("Bert")->id;
  ASSERT_TRUE(library->setSummary(a, "M\xC3\x9CLLER", "fell from a ladder", false, {{"pattern", "homolateral"}}));
  ASSERT_TRUE(library->setSummary(b, "Bert", "", true, {{"pattern", "divergent"}, {"deep", {"x", {{"y", "Zeta"}}}}}));
  const auto ids = [&](const std::string& search, bool hidden = false) {
    std::vector<std::string> out;
    const auto rows = library->list(search, hidden);
    for (const auto& row : *rows) out.push_back(row.id);
    return out;
  };
  EXPECT_THAT(ids(""), ElementsAre(a));
  EXPECT_EQ(library->find(a)->name, "M\xC3\x9CLLER");
  EXPECT_EQ(library->find(a)->first_name, "Anna");
  EXPECT_THAT(ids("", true), ElementsAre(b, a)) << "newest change first";
  EXPECT_THAT(ids("m\xC3\xBCller"), ElementsAre(a)) << "umlauts, small for capital";
  EXPECT_THAT(ids("LADDER"), ElementsAre(a));
  EXPECT_THAT(ids("homolat"), ElementsAre(a));
  EXPECT_THAT(ids("pattern", true), IsEmpty()) << "names of fields are no content";
  EXPECT_THAT(ids("zeta", true), ElementsAre(b));
  EXPECT_THAT(ids("%", true), IsEmpty()) << "no wild cards";
  append(*library, a, "later");
  EXPECT_THAT(ids("", true), ElementsAre(a, b));
}

TEST(Library, HistoryCannotBeChangedOrRemoved) {
  const Folder folder;
  {
    const auto library = opened(folder.path);
    append(*library, library->create("A")->id, "a");
  }
  EXPECT_THAT(sql(folder.path, "UPDATE history SET payload = '{}'"), HasSubstr("never changed"));
  EXPECT_THAT(sql(folder.path, "DELETE FROM history"), HasSubstr("never removed"));
}

TEST(Library, RefusesFilesThatAreNoLibrary) {
  const Folder text, other, newer;
  write(text.path / "library.sqlite", std::string(4096, 'x'));
  const auto of_text = Library::open(text.path);
  ASSERT_FALSE(of_text);
  EXPECT_EQ(of_text.error().fault, Fault::kRequest);
  EXPECT_EQ(read(text.path / "library.sqlite"), std::string(4096, 'x')) << "left as it was";

  ASSERT_EQ(sql(other.path, "CREATE TABLE x(y)"), "");
  const auto of_other = Library::open(other.path);
  ASSERT_FALSE(of_other);
  EXPECT_EQ(of_other.error().fault, Fault::kRequest);
  EXPECT_THAT(english(of_other.error().what), HasSubstr("no case library"));

  opened(newer.path).reset();
  ASSERT_EQ(sql(newer.path, "PRAGMA user_version = 99"), "");
  const auto of_newer = Library::open(newer.path);
  ASSERT_FALSE(of_newer);
  EXPECT_THAT(english(of_newer.error().what), HasSubstr("99"));
}

TEST(Library, AdoptPutsAFolderInPlaceWithItsRow) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string id = library->create("A")->id;
  const fs::path made = library->folder(id) / ".made";
  write(made / "plan.json", "one");
  const auto row = library->adopt(id, "plan", made, "plan", {{"n", 1}});
  ASSERT_TRUE(row) << english(row.error());
  EXPECT_FALSE(row->undoable);
  EXPECT_EQ(read(library->folder(id) / "plan/plan.json"), "one");
  EXPECT_FALSE(fs::exists(made));
  write(made / "plan.json", "two");
  ASSERT_TRUE(library->adopt(id, "plan", made, "plan", {{"n", 2}}));
  EXPECT_EQ(read(library->folder(id) / "plan/plan.json"), "two");
  EXPECT_FALSE(fs::exists(made)) << "what stood there is removed";
  write(made / "verification.json", "v");
  ASSERT_TRUE(library->adopt(id, "followup/1", made, "verify", {}));
  EXPECT_EQ(read(library->folder(id) / "followup/1/verification.json"), "v");
  EXPECT_EQ(library->activeEdits(id)->size(), 3U);

  EXPECT_FALSE(library->adopt(id, "plan", made, "plan", {})) << "nothing was made";
  EXPECT_EQ(read(library->folder(id) / "plan/plan.json"), "two");
  write(made / "x", "x");
  for (const char* part : {"", "../plan", "/tmp/x", "a/../../x", "."})
    EXPECT_FALSE(library->adopt(id, part, made, "plan", {})) << part;
  EXPECT_FALSE(library->adopt("none", "plan", made, "plan", {}));
  EXPECT_EQ(library->activeEdits(id)->size(), 3U);
}

TEST(Library, ManyThreadsAppendAtOnce) {
  const Folder folder;
  const auto library = opened(folder.path);
  const std::string id = library->create("A")->id;
  {
    std::vector<std::jthread> threads;
    for (int t = 0; t < 4; ++t)
      threads.emplace_back([&] {
        for (int n = 0; n < 25; ++n) EXPECT_TRUE(library->append(id, "case.notes", {{"text", "x"}}));
      });
  }
  const auto rows = library->history(id);
  ASSERT_EQ(rows->size(), 100U);
  for (std::size_t n = 1; n < rows->size(); ++n) EXPECT_LT((*rows)[n - 1].seq, (*rows)[n].seq);
}

/// A child process that is killed without warning; what it wrote to its pipe.
template <class Work>
std::vector<std::int64_t> killedAfter(std::chrono::microseconds time, Work work) {
  int ends[2];
  EXPECT_EQ(pipe(ends), 0);
  const pid_t child = fork();
  if (child == 0) {
    close(ends[0]);
    work(ends[1]);
    _exit(1);
  }
  close(ends[1]);
  std::this_thread::sleep_for(time);
  kill(child, SIGKILL);
  std::vector<std::int64_t> told;
  std::int64_t value = 0;
  while (::read(ends[0], &value, sizeof value) == sizeof value) told.push_back(value);
  close(ends[0]);
  int status = 0;
  waitpid(child, &status, 0);
  EXPECT_TRUE(WIFSIGNALED(status)) << "the child ended by itself, status " << status;
  return told;
}
void tell(int fd, std::int64_t value) {
  if (::write(fd, &value, sizeof value) != sizeof value) _exit(2);
}

TEST(LibraryCrash, EveryAcknowledgedEditIsThere) {
  const Folder folder;
  std::string id = opened(folder.path)->create("A")->id;
  std::mt19937 random(20240611);
  std::uniform_int_distribution<int> pause(2000, 60000);
  std::vector<std::int64_t> acknowledged;
  for (int round = 0; round < 50; ++round) {
    const auto told = killedAfter(std::chrono::microseconds(pause(random)), [&](int fd) {
      const auto library = Library::open(folder.path);
      if (!library) _exit(3);
      for (int n = 0;; ++n) {
        const auto row = n % 7 == 6 ? (*library)->undo(id)->value()
                                    : *(*library)->append(id, "case.notes", {{"text", std::string(200, 'n')}});
        tell(fd, row.seq);
      }
    });
    acknowledged.insert(acknowledged.end(), told.begin(), told.end());
    const auto library = opened(folder.path);
    ASSERT_TRUE(library);
    const auto rows = library->history(id);
    ASSERT_TRUE(rows);
    std::vector<std::int64_t> found;
    for (const auto& row : *rows) {
      found.push_back(row.seq);
      if (row.kind == "case.notes") {
        ASSERT_EQ(row.payload.at("text").get<std::string>().size(), 200U);
      }
    }
    ASSERT_TRUE(std::is_sorted(found.begin(), found.end()));
    ASSERT_TRUE(std::includes(found.begin(), found.end(), acknowledged.begin(), acknowledged.end()));
    // At most the one that was being written when the kill came may be there unannounced.
    ASSERT_LE(found.size(), acknowledged.size() + static_cast<std::size_t>(round) + 1);
  }
  EXPECT_GT(acknowledged.size(), 100U) << "the kills came too early to show anything";
  EXPECT_EQ(integrity(folder.path), "ok");
}

TEST(LibraryCrash, AFolderAndItsRowComeTogether) {
  const Folder folder;
  std::string id = opened(folder.path)->create("A")->id;
  std::mt19937 random(7);
  std::uniform_int_distribution<int> pause(2000, 40000);
  std::int64_t newest = 0;
  for (int round = 0; round < 40; ++round) {
    const auto told = killedAfter(std::chrono::microseconds(pause(random)), [&](int fd) {
      const auto library = Library::open(folder.path);
      if (!library) _exit(3);
      for (std::int64_t n = newest + 1;; ++n) {
        const fs::path made = (*library)->folder(id) / ".made";
        std::error_code ignored;
        fs::remove_all(made, ignored);
        write(made / "n", std::to_string(n));
        if (!(*library)->adopt(id, "plan", made, "plan", {{"n", n}})) _exit(4);
        tell(fd, n);
      }
    });
    const auto library = opened(folder.path);
    ASSERT_TRUE(library);
    const auto rows = library->activeEdits(id);
    ASSERT_TRUE(told.empty() || !rows->empty());
    if (rows->empty()) continue;
    const auto last = rows->back().payload.at("n").get<std::int64_t>();
    ASSERT_EQ(read(library->folder(id) / "plan/n"), std::to_string(last)) << "row and folder say the same";
    ASSERT_GE(last, told.empty() ? 0 : told.back());
    for (std::size_t n = 1; n < rows->size(); ++n)
      ASSERT_LT((*rows)[n - 1].payload["n"].get<int>(), (*rows)[n].payload["n"].get<int>()) << "no row twice";
    newest = last;
  }
  EXPECT_GT(newest, 5);
}

}  // namespace
}  // namespace rayset
