#include "films/landmarks.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <numeric>
#include <set>

#include "base/message_codec.h"
#include "geometry/side.h"

namespace rayset {
namespace {

using Json = nlohmann::json;
constexpr const char* kSeeDocs = "films.see_docs_films_md_run_rayset";

std::vector<LandmarkKind> makeKinds() {
  using enum FilmView;
  using enum EdgeWay;
  return {
      // Dorsoplantar: medial and middle columns.
      {"C1.lateral.proximal", kDorsoplantar, "films.lateral_border_medial_cuneiform_proximal_half", kToLateral,
       "C1.lateral.distal"},
      {"C1.lateral.distal", kDorsoplantar, "films.lateral_border_medial_cuneiform_distal_corner", kToLateral,
       "C1.lateral.proximal"},
      {"M1.lateral.proximal", kDorsoplantar, "films.lateral_corner_base_first_metatarsal", kToLateral, ""},
      {"M1.medial.proximal", kDorsoplantar, "films.medial_corner_base_first_metatarsal", kToMedial, ""},
      {"C2.medial.proximal", kDorsoplantar, "films.medial_border_intermediate_cuneiform_near_navicular", kToMedial,
       "C2.medial.distal"},
      {"C2.medial.distal", kDorsoplantar, "films.medial_border_intermediate_cuneiform_distal_corner", kToMedial,
       "C2.medial.proximal"},
      {"M2.medial.proximal", kDorsoplantar, "films.medial_border_second_metatarsal_proximal_corner", kToMedial,
       "M2.medial.distal"},
      {"M2.medial.distal", kDorsoplantar, "films.medial_border_second_metatarsal_10_15", kToMedial,
       "M2.medial.proximal"},
      {"Nav.medial", kDorsoplantar, "films.most_medial_point_navicular", kToMedial, ""},
      {"C1.medial", kDorsoplantar, "films.most_medial_point_medial_cuneiform", kToMedial, ""},
      {"M1.head", kDorsoplantar, "films.centre_head_first_metatarsal", kNone, ""},
      {"Tal.medial.proximal", kDorsoplantar, "films.medial_border_neck_talus", kToMedial, "Tal.medial.distal"},
      {"Tal.medial.distal", kDorsoplantar, "films.medial_border_head_talus", kToMedial, "Tal.medial.proximal"},
      {"Tal.lateral.proximal", kDorsoplantar, "films.lateral_border_neck_talus", kToLateral, "Tal.lateral.distal"},
      {"Tal.lateral.distal", kDorsoplantar, "films.lateral_border_head_talus", kToLateral, "Tal.lateral.proximal"},
      // Oblique: middle and lateral columns.
      {"C3.medial.proximal", kOblique, "films.medial_border_lateral_cuneiform_proximal_half", kToMedial,
       "C3.medial.distal"},
      {"C3.medial.distal", kOblique, "films.medial_border_lateral_cuneiform_distal_corner", kToMedial,
       "C3.medial.proximal"},
      {"M3.medial.proximal", kOblique, "films.medial_corner_base_third_metatarsal", kToMedial, ""},
      {"C3.lateral.proximal", kOblique, "films.lateral_border_lateral_cuneiform_proximal_half", kToLateral,
       "C3.lateral.distal"},
      {"C3.lateral.distal", kOblique, "films.lateral_border_lateral_cuneiform_distal_corner", kToLateral,
       "C3.lateral.proximal"},
      {"M3.lateral.proximal", kOblique, "films.lateral_corner_base_third_metatarsal", kToLateral, ""},
      {"Cub.medial.proximal", kOblique, "films.medial_border_cuboid_proximal_half", kToMedial, "Cub.medial.distal"},
      {"Cub.medial.distal", kOblique, "films.medial_border_cuboid_distal_corner", kToMedial, "Cub.medial.proximal"},
      {"M4.medial.proximal", kOblique, "films.medial_corner_base_fourth_metatarsal", kToMedial, ""},
      {"Cub.lateral.proximal", kOblique, "films.lateral_border_cuboid_proximal_half", kToLateral, "Cub.lateral.distal"},
      {"Cub.lateral.distal", kOblique, "films.lateral_border_cuboid_distal_corner", kToLateral, "Cub.lateral.proximal"},
      {"M5.lateral", kOblique, "films.most_lateral_point_base_fifth_metatarsal", kToLateral, ""},
      // Lateral.
      {"C1.dorsal.proximal", kLateral, "films.dorsal_border_medial_cuneiform_proximal_half", kToDorsal,
       "C1.dorsal.distal"},
      {"C1.dorsal.distal", kLateral, "films.dorsal_border_medial_cuneiform_distal_corner", kToDorsal,
       "C1.dorsal.proximal"},
      {"M1.dorsal.proximal", kLateral, "films.dorsal_corner_base_first_metatarsal", kToDorsal, ""},
      {"C2.dorsal.proximal", kLateral, "films.dorsal_border_intermediate_cuneiform_proximal_half", kToDorsal,
       "C2.dorsal.distal"},
      {"C2.dorsal.distal", kLateral, "films.dorsal_border_intermediate_cuneiform_distal_corner", kToDorsal,
       "C2.dorsal.proximal"},
      {"M2.dorsal.proximal", kLateral, "films.dorsal_corner_base_second_metatarsal", kToDorsal, ""},
      {"C3.dorsal.proximal", kLateral, "films.dorsal_border_lateral_cuneiform_proximal_half", kToDorsal,
       "C3.dorsal.distal"},
      {"C3.dorsal.distal", kLateral, "films.dorsal_border_lateral_cuneiform_distal_corner", kToDorsal,
       "C3.dorsal.proximal"},
      {"M3.dorsal.proximal", kLateral, "films.dorsal_corner_base_third_metatarsal", kToDorsal, ""},
      {"Cub.dorsal.proximal", kLateral, "films.dorsal_border_cuboid_proximal_half", kToDorsal, "Cub.dorsal.distal"},
      {"Cub.dorsal.distal", kLateral, "films.dorsal_border_cuboid_distal_corner", kToDorsal, "Cub.dorsal.proximal"},
      {"M4.dorsal.proximal", kLateral, "films.dorsal_corner_base_fourth_metatarsal", kToDorsal, ""},
      {"M5.dorsal.proximal", kLateral, "films.dorsal_corner_base_fifth_metatarsal", kToDorsal, ""},
      {"C1.plantar", kLateral, "films.lowest_point_plantar_cortex_medial_cuneiform", kToPlantar, ""},
      {"M5.plantar", kLateral, "films.lowest_point_plantar_cortex_base_fifth", kToPlantar, ""},
      {"M1.plantar.proximal", kLateral, "films.plantar_corner_base_first_metatarsal", kToPlantar, ""},
      {"M1.head", kLateral, "films.centre_head_first_metatarsal", kNone, ""},
      {"Tal.dorsal.proximal", kLateral, "films.dorsal_border_body_neck_talus_where", kToDorsal, "Tal.dorsal.distal"},
      {"Tal.dorsal.distal", kLateral, "films.dorsal_border_head_talus", kToDorsal, "Tal.dorsal.proximal"},
      {"Tal.plantar.proximal", kLateral, "films.plantar_border_body_talus_where_tangent", kToPlantar,
       "Tal.plantar.distal"},
      {"Tal.plantar.distal", kLateral, "films.plantar_border_head_talus", kToPlantar, "Tal.plantar.proximal"},
      {"Floor.proximal", kLateral, "films.line_floor_plate_stood_under_heel", kNone, ""},
      {"Floor.distal", kLateral, "films.line_floor_under_toes", kNone, ""},
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
  [[nodiscard]] tl::unexpected<Error> fault(Message what, Message remedy = kSeeDocs) const {
    return fail(Fault::kRequest, std::move(what), where_, std::move(remedy));
  }
  /// Keys that are not known, with a suggestion.
  [[nodiscard]] Status onlyKeys(const Json& object, const std::vector<std::string>& known) const {
    for (const auto& [key, value] : object.items()) {
      if (std::find(known.begin(), known.end(), key) != known.end()) continue;
      const std::string near = nearestWord(key, known);
      return fault(Message("films.no_key", {{"key", key}}), near.empty()
                                                                ? Message("films.known", {{"known", all(known)}})
                                                                : Message("films.did_you_mean", {{"near", near}}));
    }
    return {};
  }

 private:
  std::string where_;
};

Result<Vec2> point(const Json& value, const Place& place) {
  if (!value.is_array() || value.size() != 2 || !value[0].is_number() || !value[1].is_number() ||
      !std::isfinite(value[0].get<double>()) || !std::isfinite(value[1].get<double>()))
    return place.fault(Message("films.point_must_column_row_two_numbers"));
  return Vec2(value[0].get<double>(), value[1].get<double>());
}

Result<std::vector<Vec2>> points(const Json& value, const Place& place, std::size_t least) {
  if (!value.is_array() || value.size() < least)
    return place.fault(Message("films.here_more_points_must_stand_each", {{"least", least}}));
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
  return place.in(key).fault(Message("films.here_right_left_must_stand"), Message("films.say_foot_meant"));
}

Result<bool> flag(const Json& object, const char* key, const Place& place) {
  const auto it = object.find(key);
  if (it == object.end()) return false;
  if (!it->is_boolean()) return place.in(key).fault(Message("films.here_true_false_must_stand"));
  return it->get<bool>();
}

Result<double> positive(const Json& object, const char* key, const Place& place) {
  const auto it = object.find(key);
  if (it == object.end() || !it->is_number() || !(it->get<double>() > 0) || !std::isfinite(it->get<double>()))
    return place.in(key).fault(Message("films.here_length_millimetres_above_0_must"));
  return it->get<double>();
}

Result<FilmCalibration> calibration(const Json& value, const Place& place) {
  if (!value.is_object()) return place.fault(Message("films.calibration_must_object"));
  const bool ball = value.contains("ball_diameter_mm"), length = value.contains("length_mm");
  if (ball == length) return place.fault(Message("films.calibration_needs_either_ball_diameter_mm"));
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
      return place.fault(Message("films.ball_has_no_rim"), Message("films.give_three_more_points_rim_one"));
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
    if (!value.contains(key)) return place.fault(Message("films.length_has_no", {{"key", key}}));
    const auto p = point(value[key], place.in(key));
    if (!p) return tl::unexpected(p.error());
    c.ends.push_back(*p);
  }
  if ((c.ends[0] - c.ends[1]).norm() < 1) return place.fault(Message("films.two_ends_length_same_point"));
  return c;
}

Result<FootLandmarks> foot(const Json& value, FilmView view, const Place& above) {
  if (!value.is_object()) return above.fault(Message("films.foot_must_object_side_landmarks"));
  FootLandmarks f;
  const auto which = side(value, "side", above);
  if (!which) return tl::unexpected(which.error());
  f.side = *which;
  const Place place = above.in(sideWord(f.side) + " foot");
  if (const auto known = place.onlyKeys(value, {"side", "landmarks", "flecks", "note"}); !known)
    return tl::unexpected(known.error());
  if (!value.contains("landmarks") || !value["landmarks"].is_object())
    return place.fault(Message("films.foot_has_no_landmarks_object_names"));
  std::vector<std::string> names;
  for (const LandmarkKind& kind : landmarkKinds())
    if (kind.view == view) names.emplace_back(kind.name);
  for (const auto& [name, at] : value["landmarks"].items()) {
    if (landmarkKind(view, name) == nullptr) {
      for (const FilmView other : kFilmViews)
        if (landmarkKind(other, name) != nullptr)
          return place.in("'" + name + "'")
              .fault(Message("films.landmark_belongs_view_film_called",
                             {{"word_of", nameOfKey(wordOf(other))}, {"word_of_2", nameOfKey(wordOf(view))}}),
                     Message("films.correct_films_view_move_landmark_film"));
      const std::string near = nearestWord(name, names);
      return place.in("'" + name + "'")
          .fault(Message("films.no_such_landmark_view", {{"word_of", nameOfKey(wordOf(view))}}),
                 near.empty() ? Message("films.known_2", {{"names", all(names)}})
                              : Message("films.did_you_mean", {{"near", near}}));
    }
    if (at.is_null()) continue;  // a template's entry that was not filled in
    const auto p = point(at, place.in("'" + name + "'"));
    if (!p) return tl::unexpected(p.error());
    f.points.emplace(name, *p);
  }
  if (value.contains("flecks")) {
    const Json& list = value["flecks"];
    if (!list.is_array()) return place.in("flecks").fault(Message("films.here_list_pieces_must_stand_each"));
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
  if (!value.is_object()) return counted.fault(Message("films.film_must_object"));
  FilmLandmarks f;
  const auto name = value.find("file");
  if (name == value.end() || !name->is_string() || name->get_ref<const std::string&>().empty())
    return counted.in("file").fault(Message("films.film_has_no_file_name"));
  f.file = name->get<std::string>();
  const Place place = above.in(fmt::format("film {} ({})", number, f.file));
  if (const auto known =
          place.onlyKeys(value, {"file", "frame", "view", "weight_bearing", "mirrored", "ignore_header_view",
                                 "ignore_header_side", "calibration", "feet", "meaning", "note"});
      !known)
    return tl::unexpected(known.error());
  if (const auto it = value.find("frame"); it != value.end()) {
    if (!it->is_number_integer() || it->get<long long>() < 1 || it->get<long long>() > 1000000)
      return place.in("frame").fault(Message("films.here_frame_number_1_must_stand"));
    f.frame = it->get<int>();
  }
  const auto view = value.find("view");
  const std::string word = view != value.end() && view->is_string() ? view->get<std::string>() : "";
  const auto known = filmViewFromWord(word);
  if (!known) {
    const std::string near = nearestWord(word, {"dorsoplantar", "oblique", "lateral"});
    return place.in("view").fault(
        word.empty() ? Message("films.film_has_no_view") : Message("films.no_view", {{"word", word}}),
        near.empty() ? Message("films.give_dorsoplantar_oblique_lateral")
                     : Message("films.did_you_mean", {{"near", near}}));
  }
  f.view = *known;
  const auto load = value.find("weight_bearing");
  if (load == value.end() || !(load->is_boolean() || load->is_null()))
    return place.in("weight_bearing")
        .fault(Message("films.not_said_whether_foot_stood_under"),
               Message("films.give_true_weight_bearing_false_null"));
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
    return place.in("feet").fault(Message("films.film_has_no_list_one_two"));
  for (const Json& one : *feet) {
    auto read = foot(one, f.view, place);
    if (!read) return tl::unexpected(read.error());
    if (!f.feet.empty() && f.feet[0].side == read->side)
      return place.in("feet").fault(Message("films.both_feet_called_same_side"), Message("films.one_right_other_left"));
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
  if (!document.is_object()) return place.fault(Message("films.file_must_hold_one_json_object"));
  if (const auto known = place.onlyKeys(document, {"schema", "injured", "films", "note"}); !known)
    return tl::unexpected(known.error());
  if (document.value("schema", Json()) != "rayset.landmarks/1")
    return place.in("schema").fault(Message("films.here_rayset_landmarks_1_must_stand"));
  LandmarkFile f;
  const auto injured = side(document, "injured", place);
  if (!injured) return tl::unexpected(injured.error());
  f.injured = *injured;
  const auto films = document.find("films");
  if (films == document.end() || !films->is_array() || films->empty())
    return place.in("films").fault(Message("films.no_list_films"));
  std::set<std::pair<std::string, int>> seen;
  std::size_t number = 0;
  for (const Json& one : *films) {
    auto read = film(one, place, ++number);
    if (!read) return tl::unexpected(read.error());
    if (!seen.emplace(read->file, read->frame).second)
      return place.in(fmt::format("film {} ({})", number, read->file))
          .fault(Message("films.same_film_stands_here_twice"), Message("films.put_both_feet_one_film_into"));
    f.films.push_back(std::move(*read));
  }
  return f;
}

Result<LandmarkFile> readLandmarks(const std::filesystem::path& file) {
  std::ifstream in(file);
  if (!in)
    return fail(Fault::kRequest, "films.landmarks_file_cannot_read", file.string(),
                Message("films.check_path_given_landmarks"));
  Json document;
  try {
    document = Json::parse(in);
  } catch (const Json::parse_error& e) {
    return fail(Fault::kRequest, Message("films.landmarks_file_not_valid_json_byte", {{"byte", e.byte}}), file.string(),
                Message("films.check_commas_quotes_brackets"));
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
    if (!info.view) f["note"] = codec::message().write("films.template_view_not_told");
    f["weight_bearing"] = info.weight_bearing ? nlohmann::ordered_json(*info.weight_bearing) : nlohmann::ordered_json();
    nlohmann::ordered_json landmarks = nlohmann::ordered_json::object(), meaning = nlohmann::ordered_json::object();
    for (const LandmarkKind& kind : landmarkKinds()) {
      if (kind.view != view) continue;
      landmarks[std::string(kind.name)] = nullptr;
      meaning[std::string(kind.name)] = codec::message().write(kind.meaning);
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
          {"note", codec::message().write("films.template_how_to_fill_in")},
          {"injured", sideWord(injured)},
          {"films", list}};
}

}  // namespace rayset
