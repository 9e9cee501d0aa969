#include "films/landmarks.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <numeric>
#include <set>

#include "geometry/side.h"

namespace rayset {
namespace {

using Json = nlohmann::json;
constexpr const char* kSeeDocs = "See docs/films.md, or run rayset film without --landmarks for a template.";

std::vector<LandmarkKind> makeKinds() {
  using enum FilmView;
  using enum EdgeWay;
  return {
      // Dorsoplantar: medial and middle columns.
      {"C1.lateral.proximal", kDorsoplantar,
       "lateral border of the medial cuneiform, in its proximal half, where the border is straight", kToLateral,
       "C1.lateral.distal"},
      {"C1.lateral.distal", kDorsoplantar,
       "lateral border of the medial cuneiform at its distal corner, beside the base of the second metatarsal",
       kToLateral, "C1.lateral.proximal"},
      {"M1.lateral.proximal", kDorsoplantar, "lateral corner of the base of the first metatarsal", kToLateral, ""},
      {"M1.medial.proximal", kDorsoplantar, "medial corner of the base of the first metatarsal", kToMedial, ""},
      {"C2.medial.proximal", kDorsoplantar, "medial border of the intermediate cuneiform, near the navicular",
       kToMedial, "C2.medial.distal"},
      {"C2.medial.distal", kDorsoplantar, "medial border of the intermediate cuneiform at its distal corner", kToMedial,
       "C2.medial.proximal"},
      {"M2.medial.proximal", kDorsoplantar, "medial border of the second metatarsal at the proximal corner of its base",
       kToMedial, "M2.medial.distal"},
      {"M2.medial.distal", kDorsoplantar,
       "medial border of the second metatarsal 10 to 15 mm distal to its base, level with the base of the first",
       kToMedial, "M2.medial.proximal"},
      {"Nav.medial", kDorsoplantar, "most medial point of the navicular", kToMedial, ""},
      {"C1.medial", kDorsoplantar, "most medial point of the medial cuneiform", kToMedial, ""},
      {"M1.head", kDorsoplantar, "centre of the head of the first metatarsal", kNone, ""},
      {"Tal.medial.proximal", kDorsoplantar, "medial border of the neck of the talus", kToMedial, "Tal.medial.distal"},
      {"Tal.medial.distal", kDorsoplantar, "medial border of the head of the talus", kToMedial, "Tal.medial.proximal"},
      {"Tal.lateral.proximal", kDorsoplantar, "lateral border of the neck of the talus", kToLateral,
       "Tal.lateral.distal"},
      {"Tal.lateral.distal", kDorsoplantar, "lateral border of the head of the talus", kToLateral,
       "Tal.lateral.proximal"},
      // Oblique: middle and lateral columns.
      {"C3.medial.proximal", kOblique, "medial border of the lateral cuneiform, in its proximal half", kToMedial,
       "C3.medial.distal"},
      {"C3.medial.distal", kOblique, "medial border of the lateral cuneiform at its distal corner", kToMedial,
       "C3.medial.proximal"},
      {"M3.medial.proximal", kOblique, "medial corner of the base of the third metatarsal", kToMedial, ""},
      {"C3.lateral.proximal", kOblique, "lateral border of the lateral cuneiform, in its proximal half", kToLateral,
       "C3.lateral.distal"},
      {"C3.lateral.distal", kOblique, "lateral border of the lateral cuneiform at its distal corner", kToLateral,
       "C3.lateral.proximal"},
      {"M3.lateral.proximal", kOblique, "lateral corner of the base of the third metatarsal", kToLateral, ""},
      {"Cub.medial.proximal", kOblique, "medial border of the cuboid, in its proximal half", kToMedial,
       "Cub.medial.distal"},
      {"Cub.medial.distal", kOblique, "medial border of the cuboid at its distal corner", kToMedial,
       "Cub.medial.proximal"},
      {"M4.medial.proximal", kOblique, "medial corner of the base of the fourth metatarsal", kToMedial, ""},
      {"Cub.lateral.proximal", kOblique, "lateral border of the cuboid, in its proximal half", kToLateral,
       "Cub.lateral.distal"},
      {"Cub.lateral.distal", kOblique, "lateral border of the cuboid at its distal corner", kToLateral,
       "Cub.lateral.proximal"},
      {"M5.lateral", kOblique, "most lateral point of the base of the fifth metatarsal (tip of the tuberosity)",
       kToLateral, ""},
      // Lateral.
      {"C1.dorsal.proximal", kLateral, "dorsal border of the medial cuneiform, in its proximal half", kToDorsal,
       "C1.dorsal.distal"},
      {"C1.dorsal.distal", kLateral, "dorsal border of the medial cuneiform at its distal corner", kToDorsal,
       "C1.dorsal.proximal"},
      {"M1.dorsal.proximal", kLateral, "dorsal corner of the base of the first metatarsal", kToDorsal, ""},
      {"C2.dorsal.proximal", kLateral, "dorsal border of the intermediate cuneiform, in its proximal half", kToDorsal,
       "C2.dorsal.distal"},
      {"C2.dorsal.distal", kLateral, "dorsal border of the intermediate cuneiform at its distal corner", kToDorsal,
       "C2.dorsal.proximal"},
      {"M2.dorsal.proximal", kLateral, "dorsal corner of the base of the second metatarsal", kToDorsal, ""},
      {"C3.dorsal.proximal", kLateral, "dorsal border of the lateral cuneiform, in its proximal half", kToDorsal,
       "C3.dorsal.distal"},
      {"C3.dorsal.distal", kLateral, "dorsal border of the lateral cuneiform at its distal corner", kToDorsal,
       "C3.dorsal.proximal"},
      {"M3.dorsal.proximal", kLateral, "dorsal corner of the base of the third metatarsal", kToDorsal, ""},
      {"Cub.dorsal.proximal", kLateral, "dorsal border of the cuboid, in its proximal half", kToDorsal,
       "Cub.dorsal.distal"},
      {"Cub.dorsal.distal", kLateral, "dorsal border of the cuboid at its distal corner", kToDorsal,
       "Cub.dorsal.proximal"},
      {"M4.dorsal.proximal", kLateral, "dorsal corner of the base of the fourth metatarsal", kToDorsal, ""},
      {"M5.dorsal.proximal", kLateral, "dorsal corner of the base of the fifth metatarsal", kToDorsal, ""},
      {"C1.plantar", kLateral, "lowest point of the plantar cortex of the medial cuneiform", kToPlantar, ""},
      {"M5.plantar", kLateral, "lowest point of the plantar cortex of the base of the fifth metatarsal", kToPlantar,
       ""},
      {"M1.plantar.proximal", kLateral, "plantar corner of the base of the first metatarsal", kToPlantar, ""},
      {"M1.head", kLateral, "centre of the head of the first metatarsal", kNone, ""},
      {"Tal.dorsal.proximal", kLateral, "dorsal border of the body or neck of the talus, where the tangent starts",
       kToDorsal, "Tal.dorsal.distal"},
      {"Tal.dorsal.distal", kLateral, "dorsal border of the head of the talus", kToDorsal, "Tal.dorsal.proximal"},
      {"Tal.plantar.proximal", kLateral, "plantar border of the body of the talus, where the tangent starts",
       kToPlantar, "Tal.plantar.distal"},
      {"Tal.plantar.distal", kLateral, "plantar border of the head of the talus", kToPlantar, "Tal.plantar.proximal"},
      {"Floor.proximal", kLateral, "on the line of the floor (or of the plate stood on), under the heel", kNone, ""},
      {"Floor.distal", kLateral, "on the line of the floor, under the toes", kNone, ""},
  };
}

std::size_t edits(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t next = std::min({row[j] + 1, row[j - 1] + 1, diagonal + (a[i - 1] == b[j - 1] ? 0 : 1)});
      diagonal = row[j];
      row[j] = next;
    }
  }
  return row.back();
}

std::string lowered(std::string_view text) {
  std::string out(text);
  for (char& c : out)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return out;
}

/// The path of the element being read, and errors that name it.
class Place {
 public:
  explicit Place(std::string where) : where_(std::move(where)) {}
  [[nodiscard]] Place in(const std::string& more) const { return Place(where_ + ", " + more); }
  [[nodiscard]] tl::unexpected<Error> fault(std::string what, std::string remedy = kSeeDocs) const {
    return fail(Fault::kRequest, std::move(what), where_, std::move(remedy));
  }
  /// Keys that are not known, with a suggestion.
  [[nodiscard]] Status onlyKeys(const Json& object, const std::vector<std::string>& known) const {
    for (const auto& [key, value] : object.items()) {
      if (std::find(known.begin(), known.end(), key) != known.end()) continue;
      const std::string near = nearestWord(key, known);
      return fault(fmt::format("there is no key '{}'", key), near.empty()
                                                                 ? fmt::format("Known are: {}.", fmt::join(known, ", "))
                                                                 : fmt::format("Did you mean '{}'?", near));
    }
    return {};
  }

 private:
  std::string where_;
};

Result<Vec2> point(const Json& value, const Place& place) {
  if (!value.is_array() || value.size() != 2 || !value[0].is_number() || !value[1].is_number() ||
      !std::isfinite(value[0].get<double>()) || !std::isfinite(value[1].get<double>()))
    return place.fault("a point must be [column, row], two numbers in pixels");
  return Vec2(value[0].get<double>(), value[1].get<double>());
}

Result<std::vector<Vec2>> points(const Json& value, const Place& place, std::size_t least) {
  if (!value.is_array() || value.size() < least)
    return place.fault(fmt::format("here {} or more points must stand, each [column, row]", least));
  std::vector<Vec2> out;
  for (std::size_t i = 0; i < value.size(); ++i) {
    const auto p = point(value[i], place.in(fmt::format("point {}", i + 1)));
    if (!p) return tl::unexpected(p.error());
    out.push_back(*p);
  }
  return out;
}

Result<Side> side(const Json& object, const char* key, const Place& place) {
  const auto it = object.find(key);
  if (it != object.end() && it->is_string())
    if (const auto known = sideFrom(it->get<std::string>())) return *known;
  return place.in(key).fault("here \"right\" or \"left\" must stand", "Say which foot is meant.");
}

Result<bool> flag(const Json& object, const char* key, const Place& place) {
  const auto it = object.find(key);
  if (it == object.end()) return false;
  if (!it->is_boolean()) return place.in(key).fault("here true or false must stand");
  return it->get<bool>();
}

Result<double> positive(const Json& object, const char* key, const Place& place) {
  const auto it = object.find(key);
  if (it == object.end() || !it->is_number() || !(it->get<double>() > 0) || !std::isfinite(it->get<double>()))
    return place.in(key).fault("here a length in millimetres above 0 must stand");
  return it->get<double>();
}

Result<FilmCalibration> calibration(const Json& value, const Place& place) {
  if (!value.is_object()) return place.fault("a calibration must be an object");
  const bool ball = value.contains("ball_diameter_mm"), length = value.contains("length_mm");
  if (ball == length) return place.fault("a calibration needs either 'ball_diameter_mm' or 'length_mm'");
  FilmCalibration c;
  if (ball) {
    if (const auto known = place.onlyKeys(value, {"ball_diameter_mm", "rim", "centre", "note"}); !known)
      return tl::unexpected(known.error());
    const auto mm = positive(value, "ball_diameter_mm", place);
    if (!mm) return tl::unexpected(mm.error());
    c.kind = FilmCalibration::Kind::kBall;
    c.mm = *mm;
    if (value.contains("centre")) {
      const auto centre = point(value["centre"], place.in("centre"));
      if (!centre) return tl::unexpected(centre.error());
      c.centre = *centre;
    }
    if (!value.contains("rim"))
      return place.fault("the ball has no 'rim'",
                         "Give three or more points on its rim, or one together with its centre.");
    const auto rim = points(value["rim"], place.in("rim"), c.centre ? 1 : 3);
    if (!rim) return tl::unexpected(rim.error());
    c.rim = *rim;
    return c;
  }
  if (const auto known = place.onlyKeys(value, {"length_mm", "from", "to", "note"}); !known)
    return tl::unexpected(known.error());
  const auto mm = positive(value, "length_mm", place);
  if (!mm) return tl::unexpected(mm.error());
  c.kind = FilmCalibration::Kind::kLength;
  c.mm = *mm;
  for (const char* key : {"from", "to"}) {
    if (!value.contains(key)) return place.fault(fmt::format("the length has no '{}'", key));
    const auto p = point(value[key], place.in(key));
    if (!p) return tl::unexpected(p.error());
    c.ends.push_back(*p);
  }
  if ((c.ends[0] - c.ends[1]).norm() < 1) return place.fault("the two ends of the length are the same point");
  return c;
}

Result<FootLandmarks> foot(const Json& value, FilmView view, const Place& above) {
  if (!value.is_object()) return above.fault("a foot must be an object with 'side' and 'landmarks'");
  FootLandmarks f;
  const auto which = side(value, "side", above);
  if (!which) return tl::unexpected(which.error());
  f.side = *which;
  const Place place = above.in(sideWord(f.side) + " foot");
  if (const auto known = place.onlyKeys(value, {"side", "landmarks", "flecks", "note"}); !known)
    return tl::unexpected(known.error());
  if (!value.contains("landmarks") || !value["landmarks"].is_object())
    return place.fault("the foot has no 'landmarks' (an object of names and points)");
  std::vector<std::string> names;
  for (const LandmarkKind& kind : landmarkKinds())
    if (kind.view == view) names.emplace_back(kind.name);
  for (const auto& [name, at] : value["landmarks"].items()) {
    if (landmarkKind(view, name) == nullptr) {
      for (const FilmView other : kFilmViews)
        if (landmarkKind(other, name) != nullptr)
          return place.in("'" + name + "'")
              .fault(fmt::format("this landmark belongs to the {} view, the film is called {}", wordOf(other),
                                 wordOf(view)),
                     "Correct the film's 'view', or move the landmark to the film it was placed on.");
      const std::string near = nearestWord(name, names);
      return place.in("'" + name + "'")
          .fault(fmt::format("there is no such landmark on a {} view", wordOf(view)),
                 near.empty() ? fmt::format("Known are: {}.", fmt::join(names, ", "))
                              : fmt::format("Did you mean '{}'?", near));
    }
    if (at.is_null()) continue;  // a template's entry that was not filled in
    const auto p = point(at, place.in("'" + name + "'"));
    if (!p) return tl::unexpected(p.error());
    f.points.emplace(name, *p);
  }
  if (value.contains("flecks")) {
    const Json& list = value["flecks"];
    if (!list.is_array()) return place.in("flecks").fault("here a list of pieces must stand, each a list of points");
    for (std::size_t i = 0; i < list.size(); ++i) {
      const auto outline = points(list[i], place.in(fmt::format("fleck {}", i + 1)), 1);
      if (!outline) return tl::unexpected(outline.error());
      f.flecks.push_back(*outline);
    }
  }
  return f;
}

Result<FilmLandmarks> film(const Json& value, const Place& above, std::size_t number) {
  const Place counted = above.in(fmt::format("film {}", number));
  if (!value.is_object()) return counted.fault("a film must be an object");
  FilmLandmarks f;
  const auto name = value.find("file");
  if (name == value.end() || !name->is_string() || name->get_ref<const std::string&>().empty())
    return counted.in("file").fault("the film has no file name");
  f.file = name->get<std::string>();
  const Place place = above.in(fmt::format("film {} ({})", number, f.file));
  if (const auto known =
          place.onlyKeys(value, {"file", "frame", "view", "weight_bearing", "mirrored", "ignore_header_view",
                                 "ignore_header_side", "calibration", "feet", "meaning", "note"});
      !known)
    return tl::unexpected(known.error());
  if (const auto it = value.find("frame"); it != value.end()) {
    if (!it->is_number_integer() || it->get<long long>() < 1 || it->get<long long>() > 1000000)
      return place.in("frame").fault("here a frame number from 1 on must stand");
    f.frame = it->get<int>();
  }
  const auto view = value.find("view");
  const std::string word = view != value.end() && view->is_string() ? view->get<std::string>() : "";
  const auto known = filmViewFromWord(word);
  if (!known) {
    const std::string near = nearestWord(word, {"dorsoplantar", "oblique", "lateral"});
    return place.in("view").fault(
        word.empty() ? "the film has no view" : fmt::format("there is no view '{}'", word),
        near.empty() ? "Give dorsoplantar, oblique or lateral." : fmt::format("Did you mean '{}'?", near));
  }
  f.view = *known;
  const auto load = value.find("weight_bearing");
  if (load == value.end() || !(load->is_boolean() || load->is_null()))
    return place.in("weight_bearing")
        .fault("it is not said whether the foot stood under load",
               "Give true (weight-bearing), false, or null where it is not known: limits differ.");
  if (load->is_boolean()) f.weight_bearing = load->get<bool>();
  for (const auto& [key, target] : {std::pair{"mirrored", &f.mirrored},
                                    {"ignore_header_view", &f.ignore_header_view},
                                    {"ignore_header_side", &f.ignore_header_side}}) {
    const auto on = flag(value, key, place);
    if (!on) return tl::unexpected(on.error());
    *target = *on;
  }
  if (const auto it = value.find("calibration"); it != value.end() && !it->is_null()) {
    auto c = calibration(*it, place.in("calibration"));
    if (!c) return tl::unexpected(c.error());
    f.calibration = std::move(*c);
  }
  const auto feet = value.find("feet");
  if (feet == value.end() || !feet->is_array() || feet->empty() || feet->size() > 2)
    return place.in("feet").fault("the film has no list of one or two feet");
  for (const Json& one : *feet) {
    auto read = foot(one, f.view, place);
    if (!read) return tl::unexpected(read.error());
    if (!f.feet.empty() && f.feet[0].side == read->side)
      return place.in("feet").fault("both feet are called the same side", "One is right, the other left.");
    f.feet.push_back(std::move(*read));
  }
  return f;
}

}  // namespace

const std::vector<LandmarkKind>& landmarkKinds() {
  static const std::vector<LandmarkKind> kinds = makeKinds();
  return kinds;
}

const LandmarkKind* landmarkKind(FilmView view, std::string_view name) {
  for (const LandmarkKind& kind : landmarkKinds())
    if (kind.view == view && kind.name == name) return &kind;
  return nullptr;
}

std::string nearestWord(std::string_view word, const std::vector<std::string>& known) {
  std::string best;
  std::size_t least = word.size() / 3 + 1;  // ours: one slip in three letters at most
  for (const std::string& k : known) {
    const std::size_t n = edits(lowered(word), lowered(k));
    if (n < least || (n == least && best.empty())) {
      least = n;
      best = k;
    }
  }
  return best;
}

Result<LandmarkFile> parseLandmarks(const Json& document, const std::string& name) {
  const Place place(name);
  if (!document.is_object()) return place.fault("the file must hold one JSON object");
  if (const auto known = place.onlyKeys(document, {"schema", "injured", "films", "note"}); !known)
    return tl::unexpected(known.error());
  if (document.value("schema", Json()) != "rayset.landmarks/1")
    return place.in("schema").fault("here \"rayset.landmarks/1\" must stand");
  LandmarkFile f;
  const auto injured = side(document, "injured", place);
  if (!injured) return tl::unexpected(injured.error());
  f.injured = *injured;
  const auto films = document.find("films");
  if (films == document.end() || !films->is_array() || films->empty())
    return place.in("films").fault("there is no list of films");
  std::set<std::pair<std::string, int>> seen;
  std::size_t number = 0;
  for (const Json& one : *films) {
    auto read = film(one, place, ++number);
    if (!read) return tl::unexpected(read.error());
    if (!seen.emplace(read->file, read->frame).second)
      return place.in(fmt::format("film {} ({})", number, read->file))
          .fault("the same film stands here twice", "Put both feet of one film into its list 'feet'.");
    f.films.push_back(std::move(*read));
  }
  return f;
}

Result<LandmarkFile> readLandmarks(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "the landmarks file cannot be read", file.string(),
                "Check the path given to --landmarks.");
  Json document;
  try {
    document = Json::parse(in);
  } catch (const Json::parse_error& e) {
    return fail(Fault::kRequest, fmt::format("the landmarks file is not valid JSON (at byte {})", e.byte),
                file.string(), "Check commas, quotes and brackets there.");
  }
  return parseLandmarks(document, file.filename().string());
}

nlohmann::ordered_json landmarkTemplate(const std::vector<FilmInfo>& films) {
  nlohmann::ordered_json list = nlohmann::ordered_json::array();
  Side injured = Side::kRight;
  for (const FilmInfo& info : films)
    if (info.side) injured = *info.side;
  for (const FilmInfo& info : films) {
    nlohmann::ordered_json f{{"file", info.file}};
    if (info.frames > 1) f["frame"] = info.frame;
    const FilmView view = info.view.value_or(FilmView::kDorsoplantar);
    f["view"] = wordOf(view);
    if (!info.view)
      f["note"] =
          "The header does not tell the view: correct it if this is no dorsoplantar view (then take the landmarks "
          "of that view, docs/films.md).";
    f["weight_bearing"] = info.weight_bearing ? nlohmann::ordered_json(*info.weight_bearing) : nlohmann::ordered_json();
    nlohmann::ordered_json landmarks = nlohmann::ordered_json::object(), meaning = nlohmann::ordered_json::object();
    for (const LandmarkKind& kind : landmarkKinds()) {
      if (kind.view != view) continue;
      landmarks[std::string(kind.name)] = nullptr;
      meaning[std::string(kind.name)] = kind.meaning;
    }
    f["calibration"] = nullptr;
    std::vector<Side> sides{info.side.value_or(injured)};
    if (info.both_sides) sides = {Side::kRight, Side::kLeft};
    for (const Side s : sides)
      f["feet"].push_back(
          {{"side", sideWord(s)}, {"landmarks", landmarks}, {"flecks", nlohmann::ordered_json::array()}});
    f["meaning"] = meaning;
    list.push_back(f);
  }
  return {{"schema", "rayset.landmarks/1"},
          {"note",
           "Points are [column, row] in pixels, from the centre of the top left pixel; null: not placed. Check "
           "'injured', 'side', 'view' and 'weight_bearing' of every film."},
          {"injured", sideWord(injured)},
          {"films", list}};
}

}  // namespace rayset
