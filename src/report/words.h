// What the report says, in words made from the Case. Pure functions of the Case; no drawing. Plain UTF-8, no markup.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "anatomy/frames.h"
#include "base/message.h"
#include "case/case.h"

namespace rayset::words {

/// Of an angle in radians.
[[nodiscard]] Quantity degrees(double radians, int decimals = 0);
[[nodiscard]] Message capitals(Side side);  ///< "RIGHT"
/// DICOM person name "Family^Given^Middle^Prefix^Suffix" as "Family, Prefix Given Middle Suffix".
[[nodiscard]] std::string personName(const std::string& dicom);

/// kUntold: the images do not show whether it is displaced; kUnknown: it could not be assessed at all.
enum class RayState { kDisplaced, kInPlace, kUntold, kUnknown };
[[nodiscard]] RayState state(const Case& c, Ray ray);
[[nodiscard]] RayState state(const RayDisplacement& d);
[[nodiscard]] std::string_view valueOf(RayState s);  ///< the value in JSON
[[nodiscard]] Message word(RayState s);              ///< "displaced", "in place", "cannot be told", "not judged"
[[nodiscard]] Message marked(RayState s);            ///< the word behind its sign: "▲ displaced"
/// "in place", with the state's sign or another one in front.
[[nodiscard]] Message marked(const char* sign, Message state);
[[nodiscard]] std::vector<Ray> raysIn(const Case& c, RayState wanted);

/// "6.1 mm lateral and 3.9 mm dorsal"; components below `least_mm` are left out; "" when none is left.
[[nodiscard]] Message shift(const RayDisplacement& d, double least_mm = 0.5);
/// "turned 10° outward (abduction) and 3° downward (plantarflexion)"; components below `least_rad` are left out.
[[nodiscard]] Message turn(const RayDisplacement& d, double least_rad = 0.0175);

/// Whether the plan moves the ray.
[[nodiscard]] bool putBack(const Case& c, Ray ray);
/// The columns involved: "medial and middle; of the lateral it cannot be told".
[[nodiscard]] Message columns(const Case& c);

/// Of a limit, as in data/limits.json.
[[nodiscard]] Message certaintyName(const std::string& certainty);

/// One or two sentences on what was found, and one per displaced ray.
struct Finding {
  Message headline;
  std::vector<Message> rays;
  std::vector<Message> unknown;  ///< a sentence for each ray that could not be judged
};
[[nodiscard]] Finding finding(const Case& c);
/// How the rays' places were found and how certain they are.
[[nodiscard]] std::vector<Message> method(const Case& c);
/// Name of the image set used for the other foot, or "none".
[[nodiscard]] Message otherFoot(const Case& c);

/// Axes of the reduced metatarsals; missing ones are computed from the surfaces, at about 50 ms each.
using KnownAxes = std::map<Bone, MetatarsalAxis>;
/// The axes of every reduced metatarsal, found on all threads.
[[nodiscard]] KnownAxes axesOf(const Case& c);
/// The axis of one reduced metatarsal.
[[nodiscard]] MetatarsalAxis axisOf(const Case& c, Bone metatarsal, const KnownAxes& known);
/// "dorsal M2, 16 mm distal to the joint".
[[nodiscard]] Message entry(const Case& c, const Device& device, const KnownAxes& known = {});
/// "19° to the shaft; 24° down towards the sole, 5° medially".
[[nodiscard]] Message direction(const Case& c, const Device& device);
/// "M2 → C2"
[[nodiscard]] std::string through(const Device& device);
/// The implant's name in the catalogue, or "3.5 mm screw" if it is not listed.
[[nodiscard]] Message implantName(const Case& c, const Device& device);
/// "640 (410–900)" newtons, "–" if it was not estimated.
[[nodiscard]] Message pullout(const Device& device);
/// "3.5 mm cortex screw, 36 mm" / "1.6 mm wire with threaded tip, 31 mm deep"
[[nodiscard]] Message implant(const Case& c, const Device& device);

struct Step {
  Message title;
  std::vector<Message> lines;
  std::string id{};  ///< "before", "screws", "ray2" (reduce and hold), "S2" (a device), "finish"
  std::optional<Ray> ray = {};
  std::string device{};  ///< id of the device inserted; may be empty
  /// What speaks against doing it as planned: failed checks of its device, bones that may be drawn wrong.
  std::vector<Message> alarms{};
};
/// The order of work in theatre, from the reduction's order and the devices.
[[nodiscard]] std::vector<Step> steps(const Case& c, const KnownAxes& known = {});
/// What has to be on the table, from the devices and the catalogue.
[[nodiscard]] std::vector<Message> instruments(const Case& c);

/// A caution, with where it comes from ("" for those of this case).
struct Caution {
  Message text;
  std::string source;
};
/// What this run found: the case's, the reduction's, the construct's, each device's and each bone's, without repeats
/// and without the open questions, which come before everything else.
[[nodiscard]] std::vector<Caution> caseCautions(const Case& c);
/// Where harm is possible in this operation, with the planned distances where they can be computed.
[[nodiscard]] std::vector<Caution> standingCautions(const Case& c);
[[nodiscard]] std::vector<Message> uncertainty(const Case& c);
[[nodiscard]] std::vector<Message> notDone(const Case& c);

/// Numbered sources in order of first mention.
class Sources {
 public:
  /// "[3]"; "" for an empty source. Citations are shown as they are.
  std::string cite(const std::string& source);
  /// With its certainty in brackets.
  std::string cite(const std::string& source, const std::string& certainty);
  [[nodiscard]] const std::vector<Message>& all() const { return sources_; }

 private:
  std::string number(const Message& source);
  std::vector<Message> sources_;
};

}  // namespace rayset::words
