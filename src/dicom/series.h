// Sorting CT frames into series and stacks, and choosing the one to plan from.
#pragma once

#include <string>
#include <vector>

#include "base/message.h"
#include "base/result.h"
#include "dicom/header.h"
#include "dicom/stack.h"

namespace rayset::dicom {

/// Frames of one series with the same matrix, pixel spacing and orientation, one image per position.
struct Stack {
  int series = 0;  ///< index into Scan::series
  std::vector<FrameHeader> frames;
  std::vector<std::string> names;  ///< of the frames, for messages
  Result<StackPlan> plan = tl::unexpected(Error{});
  std::string part;  ///< distinguishes it from other stacks of the series, e.g. "acquisition 2"; may be empty
  // Criteria for the choice:
  bool bone = false, soft = false, reformatted = false;
  double spacing = 0;   ///< mm between slices
  double slab = 0;      ///< mm, the larger of spacing and Slice Thickness
  double pixel = 0;     ///< mm
  double coverage = 0;  ///< mm along the normal
  std::string kernel;   ///< UTF-8
};

struct Series {
  std::string uid, number, description, body_part, patient;  ///< UTF-8
  std::vector<int> files;                                    ///< indices of its CT files
  std::vector<Error> defects;                                ///< files that spoil it
};

struct SortedScan {
  std::vector<Series> series;  ///< by number, then UID
  std::vector<Stack> stacks;   ///< in series order
};

[[nodiscard]] SortedScan sortIntoStacks(const std::vector<ScanFile>& files);

struct Choice {
  int stack = 0;
  std::vector<Message> notes;  ///< what was chosen and why, and the alternatives
};

/// `wanted`: UID, number or description (exact, else a part of one description only), if need be with "/part" as listed
/// for one stack of several in a series; empty: the thinnest bone series. Fault::kRequest for an unknown or ambiguous
/// series; Fault::kImages if nothing is suitable for planning.
[[nodiscard]] Result<Choice> chooseStack(const SortedScan& scan, const std::string& wanted);

/// Whether a convolution kernel or series description indicates a bone (sharp) or a soft-tissue reconstruction.
enum class Sharpness { kUnknown, kBone, kSoft };
[[nodiscard]] Sharpness sharpnessOf(const std::string& kernel, const std::string& kernel_group,
                                    const std::string& description);

}  // namespace rayset::dicom
