#include "base/utf8.h"

#include <gtest/gtest.h>

namespace rayset {
namespace {

TEST(Utf8, IsToldFromOtherBytes) {
  EXPECT_TRUE(isUtf8(""));
  EXPECT_TRUE(isUtf8("Zoë 王 \U0001F9B6"));
  for (const char* bad :
       {"\xff", "\xc0\x80", "\xed\xa0\x80", "\xf5\x80\x80\x80", "\xf4\x90\x80\x80", "\xe7\x8e", "\x80"})
    EXPECT_FALSE(isUtf8(bad)) << bad;
}

TEST(Utf8, CharactersAreCountedAndNotCutInTwo) {
  const std::string text = "aé王\U0001F9B6z";  // of 1, 2, 3, 4 and 1 bytes
  EXPECT_EQ(characterCount(text), 5U);
  EXPECT_EQ(firstCharacters(text, 0), "");
  EXPECT_EQ(firstCharacters(text, 3), "aé王");
  EXPECT_EQ(firstCharacters(text, 4), "aé王\U0001F9B6");
  EXPECT_EQ(firstCharacters(text, 99), text);
  EXPECT_EQ(codePoints(text), U"aé王\U0001F9B6z");
  EXPECT_EQ(utf8From(codePoints(text)), text);
}

TEST(Utf8, WhatIsNotWellFormedIsReplaced) {
  EXPECT_EQ(codePoints("a\xff"
                       "b"),
            U"a\uFFFDb");
  EXPECT_EQ(codePoints("a\xe7\x8e"), U"a\uFFFD") << "cut off at the end";
  EXPECT_EQ(codePoints("\xed\xa0\x80z"), U"\uFFFDz") << "half of a surrogate pair";
  EXPECT_EQ(characterCount("\xff\xfe"), 2U);
  EXPECT_TRUE(
      isUtf8(firstCharacters("ab\xff"
                             "cd",
                             3)));
}

TEST(Utf8, ControlCharactersAreFound) {
  EXPECT_FALSE(hasControls("Zoë 王"));
  for (const std::string& bad :
       {std::string("a\nb"), std::string("a\0b", 3), std::string("\x7f"), std::string("\xc2\x85")})
    EXPECT_TRUE(hasControls(bad));
}

}  // namespace
}  // namespace rayset
