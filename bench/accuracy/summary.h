// From the records of runs to figures, and from figures to Markdown.
#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

namespace rayset::accuracy {

using Record = nlohmann::ordered_json;

/// Mean and worst of a quantity, with the key of the worst run and what of it (bone, ray).
struct Spread {
  double sum = 0, worst = 0;
  int count = 0;
  std::string worst_key, worst_part;

  void add(double value, const std::string& key, const std::string& part);
  [[nodiscard]] double mean() const { return count > 0 ? sum / count : 0; }
};

/// Share of true errors inside the stated 95 % interval.
struct Coverage {
  int inside = 0, count = 0;
  void add(double error, double stated) {
    inside += error <= stated ? 1 : 0;
    ++count;
  }
  [[nodiscard]] double share() const { return count > 0 ? static_cast<double>(inside) / count : 1; }
};

/// What the marks of the accuracy issue are about, over a set of runs. Distances are over bones (in view by half or
/// more) and rays of all runs that ended with a plan; a failed run counts as one with no bone found.
struct Figures {
  int runs = 0, failed = 0, partial = 0;
  int bones_right = 0, bones_all = 0;
  Spread surface, p95, dice_loss, label_dice_loss, volume_error;  ///< mm, mm, 1 - Dice twice, share (absolute)
  Spread piece_p95;                                               ///< pieces of a broken second base, mm
  Spread shift, turn;                                             ///< displacement: mm, degrees
  std::map<std::string, Spread> base, pose;                       ///< reduction by method: mm, degrees
  std::map<std::string, Coverage> inside_mm, inside_deg;          ///< by method
  /// The same of the rays that truly moved, by 0.1 mm or more: a ray that is left where it stands errs by nothing.
  std::map<std::string, Spread> moved_base, moved_pose;
  std::map<std::string, Coverage> moved_inside_mm, moved_inside_deg;
  int rays_missing = 0;
  int patterns_right = 0, patterns_withheld = 0, patterns_all = 0;  ///< right: those that are withheld too
  /// Rays that truly moved by 3 mm or more and how they were called; rays that did not move and those moved all the
  /// same.
  int displaced_all = 0, displaced_called = 0, displaced_untold = 0;
  int still_all = 0, still_called = 0, still_untold = 0;
  int overlapping = 0;                              ///< runs in which bones overlap by more than 0.2 mm
  Spread overlap;                                   ///< deepest place of one found bone in another, mm
  int uninjured = 0, uninjured_called_injured = 0;  ///< feet whose rays all stand within the bound
  int devices_sound = 0, devices_all = 0;
  int pieces_missed = 0;  ///< of a broken second base
  double seconds = 0;
};
[[nodiscard]] Figures figuresOf(const std::vector<const Record*>& records);

/// One line a run, for the terminal and the table of all runs; kRowHeader goes above.
extern const char* const kRowHeader;
[[nodiscard]] std::string rowOf(const Record& record);

/// The whole document: marks, levels of every factor, worst cases, failures, every run.
/// What stands in the file above the line that markdown() begins with; a title where there is no such line or file.
[[nodiscard]] std::string prefaceOf(const std::string& report);
[[nodiscard]] std::string markdown(const std::vector<Record>& records);

}  // namespace rayset::accuracy
