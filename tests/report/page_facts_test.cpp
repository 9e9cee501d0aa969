// What the page has in common with the report and the program is written for it by this test.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include "fixation/device_kind.h"
#include "geometry/side.h"
#include "report/board.h"
#include "report/palette.h"
#include "text_file.h"

namespace rayset {
namespace {

struct PageColour {
  const char* name;
  pdf::Colour colour;
  bool drawn = true;  ///< in the page's three-dimensional views too
};
constexpr std::array kPageColours{PageColour{"found", palette::kFound},
                                  PageColour{"place", palette::kPlace},
                                  PageColour{"place-on-black", palette::kSkyBlue, false},
                                  PageColour{"stay", palette::kScrew},
                                  PageColour{"out", palette::kWire},
                                  PageColour{"alarm", palette::kVermilion}};

constexpr const char* kMadeFrom = "Made from {}; the test PageFacts.AreCurrent renews it.";

std::string coloursText() {
  std::string out = "/* " + fmt::format(kMadeFrom, "src/report/palette.h") + " */\n:root {\n";
  for (const PageColour& c : kPageColours) out += fmt::format("  --{}: #{:06x};\n", c.name, c.colour);
  return out + "}\n";
}

template <std::size_t N>
std::string corners(const std::array<board_marks::Corner, N>& all) {
  std::vector<std::string> out;
  for (const auto& [right, up] : all) out.push_back(fmt::format("[{}, {}]", right, up));
  return fmt::format("[{}]", fmt::join(out, ", "));
}

std::string factsText() {
  namespace marks = board_marks;
  std::string out =
      "// " +
      fmt::format(kMadeFrom,
                  "src/anatomy/bones.h, src/report/palette.h, src/report/board.h and src/fixation/device_kinds/") +
      "\n\n";
  std::string partners;
  for (const Ray ray : kRays) {
    partners += fmt::format(", '{}'", boneId(tarsalPartner(ray)));
  }
  out += fmt::format("// By ray.\nexport const kPartner = [''{}];\n\n", partners);
  out += "export const kColours = {\n";
  for (const PageColour& c : kPageColours)
    if (c.drawn) out += fmt::format("  {}: 0x{:06x},\n", c.name, c.colour);
  out += "};\n\n// The ray board.\n";
  std::string orders, senses;
  for (const Side side : {Side::kRight, Side::kLeft}) {
    orders += fmt::format("{}{}: [{}]", orders.empty() ? "" : ", ", sideWord(side), fmt::join(boardOrder(side), ", "));
    const BoardSense s = boardSense(side);
    senses += fmt::format("{}{}: {{ lateral: {}, distal: {} }}", senses.empty() ? "" : ", ", sideWord(side), s.lateral,
                          s.distal);
  }
  out += fmt::format("export const kBoardOrder = {{ {} }};\n", orders);
  out += fmt::format("export const kBoardSense = {{ {} }};\n", senses);
  out += fmt::format("export const kBoardLeastMm = {};\n", kBoardLeastMm);
  constexpr const char* kCorners = "export const {}: [number, number][] = {};\n";
  out += fmt::format(kCorners, "kDisplacedMark", corners(marks::kDisplaced));
  out += fmt::format(kCorners, "kUntoldMark", corners(marks::kUntold));
  out += fmt::format("export const kInPlaceRadius = {};\nexport const kBelongsRadius = {};\n", marks::kInPlaceRadius,
                     marks::kBelongsRadius);
  out += fmt::format("export const kArrow = {{ head: {}, headShare: {}, headHalfWidth: {}, shaftInHead: {} }};\n",
                     marks::kHead, marks::kHeadShare, marks::kHeadHalfWidth, marks::kShaftInHead);
  out += "\n// The signs of devices by kind: SVG paths in a square of 16.\n";
  out += "export const kDeviceMarks: Record<string, { path: string; filled: boolean }> = {\n";
  for (const DeviceKind kind : kDeviceKinds)
    out += fmt::format("  {}: {{ path: '{}', filled: {} }},\n", traits(kind).word, traits(kind).mark,
                       traits(kind).mark_filled);
  out += "};\n";
  return out;
}

/// RAYSET_WRITE_DOCS=1 writes them anew.
TEST(PageFacts, AreCurrent) {
  const std::filesystem::path web = std::filesystem::path(RAYSET_DATA_DIR) / "../web/src";
  test::expectCurrent(web / "palette.css", coloursText());
  test::expectCurrent(web / "facts.ts", factsText());
}

}  // namespace
}  // namespace rayset
