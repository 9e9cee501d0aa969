#include "bones/edits.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <fstream>
#include <initializer_list>
#include <set>
#include <sstream>

#include "base/units.h"
#include "geometry/side.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

/// Rows of a rotation may miss perpendicularity and unit length by this much: matrices copied with six decimals pass.
constexpr double kRigidTolerance = 1e-5;
constexpr double kFarMm = 5000;  ///< no scanner reaches farther from its origin
constexpr std::size_t kMostEntries = 1000;

/// The current place in the file.
class Reader {
 public:
  Reader(std::string file, std::string path) : file_(std::move(file)), path_(std::move(path)) {}

  [[nodiscard]] Reader at(std::string_view key) const {
    return {file_, path_.empty() ? std::string(key) : path_ + "." + std::string(key)};
  }
  [[nodiscard]] Reader at(std::size_t n) const { return {file_, fmt::format("{}[{}]", path_, n)}; }
  [[nodiscard]] tl::unexpected<Error> wrong(Message what, Message remedy) const {
    return fail(Fault::kRequest, std::move(what), path_.empty() ? file_ : file_ + ", " + path_, std::move(remedy));
  }

  /// An object with no other entries than `known`; "note" is always allowed.
  [[nodiscard]] Status object(const Json& j, std::initializer_list<std::string_view> known) const {
    const List names = all(known);
    if (!j.is_object()) return wrong("bones.not_object", Message("bones.write_4", {{"names", names}}));
    for (const auto& [key, value] : j.items()) {
      if (key == "note") {
        if (!value.is_string()) return at(key).wrong("bones.note_not_text", Message("bones.write_quotes"));
        continue;
      }
      if (std::find(known.begin(), known.end(), key) == known.end())
        return at(key).wrong("bones.unknown_entry", Message("bones.known_here_note", {{"names", names}}));
    }
    return {};
  }
  [[nodiscard]] Result<double> number(const Json& j, double low, double high, std::string_view unit) const {
    const auto range = Message("bones.give_number", {{"low", plain(low)}, {"high", plain(high)}, {"unit", unit}});
    if (!j.is_number()) return wrong("bones.not_number", range);
    const double v = j.get<double>();
    if (!(v >= low && v <= high)) return wrong(Message("bones.out_range", {{"v", plain(v)}}), range);
    return v;
  }
  [[nodiscard]] Result<Vec3> point(const Json& j) const {
    if (!j.is_array() || j.size() != 3)
      return wrong("bones.not_point", Message("bones.write_millimetres_patient_frame_lps"));
    Vec3 p;
    for (std::size_t a = 0; a < 3; ++a) {
      const auto v = at(a).number(j[a], -kFarMm, kFarMm, "mm");
      if (!v) return tl::unexpected(v.error());
      p[static_cast<int>(a)] = *v;
    }
    return p;
  }
  [[nodiscard]] Result<Points> points(const Json& j) const {
    if (!j.is_array() || j.empty() || j.size() > kMostEntries)
      return wrong("bones.not_list_points", Message("bones.write_least_one_point"));
    Points out;
    for (std::size_t n = 0; n < j.size(); ++n) {
      const auto p = at(n).point(j[n]);
      if (!p) return tl::unexpected(p.error());
      out.push_back(*p);
    }
    return out;
  }
  [[nodiscard]] Result<Bone> bone(const Json& j) const {
    const auto b = j.is_string() ? boneFromId(j.get<std::string>()) : std::nullopt;
    if (!b)
      return wrong(
          j.is_string() ? Message("bones.unknown_bone", {{"j", j.get<std::string>()}}) : Message("bones.not_id_bone"),
          Message("bones.known_m1_m5_c1_c3_cub"));
    return *b;
  }
  [[nodiscard]] Result<Ray> ray(const Json& j) const {
    if (!j.is_number_integer() || j.get<long long>() < 1 || j.get<long long>() > 5)
      return wrong("bones.not_number_ray", Message("bones.write_1"));
    return Ray(j.get<int>());
  }
  [[nodiscard]] Result<Rigid> rigid(const Json& j) const {
    const char* form = ("bones.write_four_rows_four_numbers_0");
    Rigid X = Rigid::Identity();
    if (!j.is_array() || j.size() != 4) return wrong("bones.not_4_4_matrix", form);
    for (std::size_t r = 0; r < 4; ++r) {
      if (!j[r].is_array() || j[r].size() != 4) return at(r).wrong("bones.not_row_four_numbers", form);
      for (std::size_t c = 0; c < 4; ++c) {
        const double limit = c == 3 && r < 3 ? kFarMm : 1.0001;
        const auto v = at(r).at(c).number(j[r][c], -limit, limit, c == 3 && r < 3 ? "mm" : "");
        if (!v) return tl::unexpected(v.error());
        X.matrix()(static_cast<int>(r), static_cast<int>(c)) = *v;
      }
    }
    if (X.matrix().row(3) != Eigen::RowVector4d(0, 0, 0, 1))
      return at(std::size_t{3}).wrong("bones.last_row_not_0_0_0", form);
    const Mat3 R = X.linear();
    const double off = (R * R.transpose() - Mat3::Identity()).cwiseAbs().maxCoeff();
    if (off > kRigidTolerance)
      return wrong(Message("bones.matrix_not_rigid_rotation_misses_unit", {{"off", rayset::number(off, -2)}}),
                   Message("bones.give_rotation_least_six_decimals_no"));
    if (R.determinant() < 0)
      return wrong("bones.matrix_mirrors_bone", Message("bones.give_rotation_without_reflection"));
    return X;
  }

 private:
  std::string file_, path_;
};

/// Hands the value over or returns the error from the enclosing function.
#define RAYSET_TAKE(target, expression)                          \
  {                                                              \
    auto taken = (expression);                                   \
    if (!taken) return tl::unexpected(std::move(taken.error())); \
    target = *std::move(taken);                                  \
  }

Result<SeedEdit> seedFrom(const Json& j, const Reader& at) {
  if (Status s = at.object(j, {"bone", "point", "radius_mm"}); !s) return tl::unexpected(s.error());
  if (!j.contains("bone") || !j.contains("point"))
    return at.wrong("bones.seed_without_bone_point", writeForm(R"({"bone": "M2", "point": [x, y, z]})"));
  SeedEdit e;
  RAYSET_TAKE(e.bone, at.at("bone").bone(j["bone"]));
  RAYSET_TAKE(e.point, at.at("point").point(j["point"]));
  if (j.contains("radius_mm")) RAYSET_TAKE(e.radius_mm, at.at("radius_mm").number(j["radius_mm"], 0.5, 10, "mm"));
  return e;
}

Result<SplitEdit> splitFrom(const Json& j, const Reader& at) {
  if (Status s = at.object(j, {"bones", "plane", "reach_mm", "seeds"}); !s) return tl::unexpected(s.error());
  SplitEdit e;
  if (!j.contains("bones") || !j["bones"].is_array() || j["bones"].size() != 2)
    return at.wrong("bones.split_without_two_bones", writeForm(R"("bones": ["M2", "M3"])"));
  RAYSET_TAKE(e.first, at.at("bones").at(std::size_t{0}).bone(j["bones"][0]));
  RAYSET_TAKE(e.second, at.at("bones").at(std::size_t{1}).bone(j["bones"][1]));
  if (e.first == e.second)
    return at.at("bones").wrong("bones.same_bone_twice", Message("bones.name_two_different_bones"));
  if (j.contains("plane") == j.contains("seeds"))
    return at.wrong(Message("bones.split_needs_plane_seeds_not_both"),
                    Message("field.write_form",
                            {{"form", any(std::vector<std::string>{R"("plane": {"point": [..], "normal": [..]})",
                                                                   R"("seeds": {"M2": [[..]], "M3": [[..]]})"})}}));
  if (j.contains("plane")) {
    const Reader plane = at.at("plane");
    if (Status s = plane.object(j["plane"], {"point", "normal"}); !s) return tl::unexpected(s.error());
    if (!j["plane"].contains("point") || !j["plane"].contains("normal"))
      return plane.wrong("bones.plane_without_point_normal", writeForm(R"({"point": [x, y, z], "normal": [x, y, z]})"));
    SplitEdit::Plane p;
    RAYSET_TAKE(p.point, plane.at("point").point(j["plane"]["point"]));
    RAYSET_TAKE(p.normal, plane.at("normal").point(j["plane"]["normal"]));
    if (p.normal.norm() < 1e-6)
      return plane.at("normal").wrong("bones.normal_without_length", Message("bones.point_first_bone_second"));
    p.normal.normalize();
    e.plane = p;
    if (j.contains("reach_mm")) {
      double reach = 0;
      RAYSET_TAKE(reach, at.at("reach_mm").number(j["reach_mm"], 1, 200, "mm"));
      e.reach_mm = reach;
    }
  } else {
    const Reader seeds = at.at("seeds");
    if (j.contains("reach_mm"))
      return at.at("reach_mm").wrong("bones.only_plane_has_reach", Message("bones.leave_out"));
    const std::string first(boneId(e.first)), second(boneId(e.second));
    if (!j["seeds"].is_object() || j["seeds"].size() != 2 || !j["seeds"].contains(first) ||
        !j["seeds"].contains(second))
      return seeds.wrong("bones.seeds_other_bones_two",
                         writeForm(fmt::format(R"({{"{}": [[x, y, z]], "{}": [[x, y, z]]}})", first, second)));
    RAYSET_TAKE(e.first_seeds, seeds.at(first).points(j["seeds"][first]));
    RAYSET_TAKE(e.second_seeds, seeds.at(second).points(j["seeds"][second]));
  }
  return e;
}

Result<MergeEdit> mergeFrom(const Json& j, const Reader& at) {
  if (Status s = at.object(j, {"into", "point", "fragment"}); !s) return tl::unexpected(s.error());
  if (!j.contains("into") || j.contains("point") == j.contains("fragment"))
    return at.wrong("bones.merge_needs_bone_either_point_fragment", Message("bones.write"));
  MergeEdit e;
  RAYSET_TAKE(e.into, at.at("into").bone(j["into"]));
  if (j.contains("point")) {
    Vec3 p;
    RAYSET_TAKE(p, at.at("point").point(j["point"]));
    e.point = p;
    return e;
  }
  const Json& id = j["fragment"];
  const std::string text = id.is_string() ? id.get<std::string>() : std::string();
  const auto dot = text.find('.');
  const bool number = dot != std::string::npos && dot + 1 < text.size() && text[dot + 1] != '0' &&
                      std::all_of(text.begin() + static_cast<std::ptrdiff_t>(dot) + 1, text.end(),
                                  [](char c) { return c >= '0' && c <= '9'; });
  if (!number || !boneFromId(text.substr(0, dot)))
    return at.at("fragment").wrong("bones.not_id_fragment", Message("bones.write_bones_id_dot_number_m2"));
  e.fragment = text;
  return e;
}

Result<LandmarkEdit> landmarkFrom(const Json& j, const Reader& at) {
  if (Status s = at.object(j, {"ray", "base_point", "axis"}); !s) return tl::unexpected(s.error());
  if (!j.contains("ray") || (!j.contains("base_point") && !j.contains("axis")))
    return at.wrong("bones.landmarks_need_ray_base_point_axis", Message("bones.write_3"));
  LandmarkEdit e;
  RAYSET_TAKE(e.ray, at.at("ray").ray(j["ray"]));
  if (j.contains("base_point")) {
    Vec3 p;
    RAYSET_TAKE(p, at.at("base_point").point(j["base_point"]));
    e.base_point = p;
  }
  if (j.contains("axis")) {
    Points ends;
    RAYSET_TAKE(ends, at.at("axis").points(j["axis"]));
    if (ends.size() != 2 || (ends[1] - ends[0]).norm() < 10)
      return at.at("axis").wrong("bones.not_two_points_least_10_mm", Message("bones.write_proximal_point_first"));
    e.distal = (ends[1] - ends[0]).normalized();
  }
  return e;
}

Result<PoseEdit> poseFrom(const Json& j, const Reader& at) {
  if (Status s = at.object(j, {"ray", "injured_to_reduced", "use", "shift_mm", "turn_deg"}); !s)
    return tl::unexpected(s.error());
  const bool step = j.contains("shift_mm") || j.contains("turn_deg");
  if (!j.contains("ray") || j.contains("injured_to_reduced") == step)
    return at.wrong("bones.pose_needs_ray_either_matrix_shift", Message("bones.write_ray_2_shift_mm_turn"));
  PoseEdit e;
  RAYSET_TAKE(e.ray, at.at("ray").ray(j["ray"]));
  if (!step) {
    Rigid X;
    RAYSET_TAKE(X, at.at("injured_to_reduced").rigid(j["injured_to_reduced"]));
    e.injured_to_reduced = X;
    if (j.contains("use")) {
      if (j["use"] != "exactly" && j["use"] != "start")
        return at.at("use").wrong(
            "bones.unknown_use",
            Message("field.write_form", {{"form", any(std::vector<std::string>{R"("exactly")", R"("start")"})}}));
      e.start_only = j["use"] == "start";
    }
    return e;
  }
  if (j.contains("use")) return at.at("use").wrong("bones.shift_always_taken_exactly", Message("bones.leave_use_out"));
  e.step.emplace();
  struct Target {
    const char* name;
    double* value;
  };
  const auto numbers = [&](const char* group, std::initializer_list<Target> targets, double limit, const char* unit,
                           double scale) -> Status {
    if (!j.contains(group)) return {};
    const Reader here = at.at(group);
    if (!j[group].is_object()) return here.wrong("bones.not_object", writeForm(R"({"name": number, ...})"));
    for (const auto& [key, value] : j[group].items()) {
      const auto* t =
          std::find_if(targets.begin(), targets.end(), [&key = key](const Target& x) { return x.name == key; });
      if (t == targets.end()) {
        std::string names;
        for (const Target& x : targets) names += (names.empty() ? "" : ", ") + std::string(x.name);
        return here.at(key).wrong("bones.unknown_component", Message("bones.known", {{"names", names}}));
      }
      const auto v = here.at(key).number(value, -limit, limit, unit);
      if (!v) return tl::unexpected(v.error());
      *t->value = *v * scale;
    }
    return {};
  };
  RayStep& s = *e.step;
  Status status = numbers("shift_mm", {{"lateral", &s.lateral_mm}, {"dorsal", &s.dorsal_mm}, {"distal", &s.distal_mm}},
                          40, "mm", 1);
  if (!status) return tl::unexpected(status.error());
  status = numbers(
      "turn_deg",
      {{"abduction", &s.abduction_rad}, {"plantarflexion", &s.plantarflexion_rad}, {"pronation", &s.pronation_rad}}, 80,
      "degrees", toRadians(1));
  if (!status) return tl::unexpected(status.error());
  return e;
}

template <class T>
Status listFrom(const Json& root, std::string_view key, const Reader& top,
                Result<T> (*read)(const Json&, const Reader&), std::vector<T>& out) {
  const auto it = root.find(key);
  if (it == root.end()) return {};
  if (!it->is_array() || it->size() > kMostEntries)
    return top.at(key).wrong("bones.not_list",
                             Message("bones.write_most_entries", {{"key", key}, {"most_entries", kMostEntries}}));
  for (std::size_t n = 0; n < it->size(); ++n) {
    auto entry = read((*it)[n], top.at(key).at(n));
    if (!entry) return tl::unexpected(entry.error());
    out.push_back(*std::move(entry));
  }
  return {};
}

/// Entries that contradict each other.
Status consistent(const Edits& e) {
  const auto clash = [&](std::string_view list, std::size_t n, Message what, Message remedy) {
    return fail(Fault::kRequest, std::move(what), editPlace(e, list, n), std::move(remedy));
  };
  std::set<Bone> from, to;
  for (std::size_t n = 0; n < e.renames.size(); ++n) {
    const RenameEdit& r = e.renames[n];
    if (r.from == r.to)
      return clash("renames", n, Message("bones.bone_renamed_itself"), Message("bones.leave_entry_out"));
    if (!from.insert(r.from).second)
      return clash("renames", n, Message("bones.renamed_twice", {{"bone", boneId(r.from)}}),
                   Message("bones.give_every_bone_one_new_name"));
    if (!to.insert(r.to).second)
      return clash("renames", n, Message("bones.two_bones_become", {{"bone", boneId(r.to)}}),
                   Message("bones.give_every_name_once"));
  }
  std::set<Bone> removed;
  for (std::size_t n = 0; n < e.removals.size(); ++n)
    if (!removed.insert(e.removals[n]).second)
      return clash("remove", n, Message("bones.removed_twice", {{"bone", boneId(e.removals[n])}}),
                   Message("bones.leave_one_out"));
  std::set<Ray> rays;
  for (std::size_t n = 0; n < e.landmarks.size(); ++n)
    if (!rays.insert(e.landmarks[n].ray).second)
      return clash("landmarks", n, Message("bones.ray_appears_twice", {{"ray", e.landmarks[n].ray.number()}}),
                   Message("bones.put_landmarks_into_one_entry"));
  rays.clear();
  for (std::size_t n = 0; n < e.poses.size(); ++n)
    if (!rays.insert(e.poses[n].ray).second)
      return clash("poses", n, Message("bones.ray_appears_twice", {{"ray", e.poses[n].ray.number()}}),
                   Message("bones.give_every_ray_one_pose"));
  return {};
}

}  // namespace

std::string editPlace(const Edits& edits, std::string_view list, std::size_t n, std::string_view field) {
  return fmt::format("{}{}{}[{}]{}{}", edits.file, edits.file.empty() ? "" : ", ", list, n, field.empty() ? "" : ".",
                     field);
}

Result<Edits> parseEdits(const std::string& text, const std::string& where) {
  const Reader top(where, {});
  Json root = Json::parse(text, nullptr, false);
  if (root.is_discarded())
    return top.wrong("bones.edits_not_valid_json", Message("bones.check_brackets_quotes_commas"));
  if (Status s =
          top.object(root, {"schema", "side", "seeds", "splits", "merges", "renames", "remove", "landmarks", "poses"});
      !s)
    return tl::unexpected(s.error());
  if (!root.contains("schema") || root["schema"] != "rayset.edits/1")
    return top.at("schema").wrong("bones.not_file_edits", writeForm(R"("schema": "rayset.edits/1")"));
  Edits e;
  e.file = where;
  if (root.contains("side")) {
    e.side = root["side"].is_string() ? sideFrom(root["side"].get<std::string>()) : std::nullopt;
    if (!e.side)
      return top.at("side").wrong(
          "bones.unknown_side",
          Message("field.write_form", {{"form", any(std::vector<std::string>{R"("right")", R"("left")"})}}));
  }
  Status s = listFrom<SeedEdit>(root, "seeds", top, seedFrom, e.seeds);
  if (s) s = listFrom<SplitEdit>(root, "splits", top, splitFrom, e.splits);
  if (s) s = listFrom<MergeEdit>(root, "merges", top, mergeFrom, e.merges);
  if (s)
    s = listFrom<RenameEdit>(
        root, "renames", top,
        [](const Json& j, const Reader& at) -> Result<RenameEdit> {
          if (Status ok = at.object(j, {"from", "to"}); !ok) return tl::unexpected(ok.error());
          if (!j.contains("from") || !j.contains("to"))
            return at.wrong("bones.rename_without_both_names", writeForm(R"({"from": "M2", "to": "M3"})"));
          RenameEdit r;
          RAYSET_TAKE(r.from, at.at("from").bone(j["from"]));
          RAYSET_TAKE(r.to, at.at("to").bone(j["to"]));
          return r;
        },
        e.renames);
  if (s)
    s = listFrom<Bone>(
        root, "remove", top, [](const Json& j, const Reader& at) { return at.bone(j); }, e.removals);
  if (s) s = listFrom<LandmarkEdit>(root, "landmarks", top, landmarkFrom, e.landmarks);
  if (s) s = listFrom<PoseEdit>(root, "poses", top, poseFrom, e.poses);
  if (s) s = consistent(e);
  if (!s) return tl::unexpected(s.error());
  e.source = std::move(root);
  return e;
}

Result<Edits> readEdits(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::ostringstream text;
  if (!in || !(text << in.rdbuf()))
    return fail(Fault::kRequest, "bones.file_edits_cannot_read", file.string(), Message("bones.check_name_after_edit"));
  return parseEdits(text.str(), file.string());
}

Status checkEdits(const Edits& e, const Grid& grid) {
  const auto inside = [&](const Vec3& p, const std::string& place) -> Status {
    const Vec3 i = grid.toIndex(p);
    if ((i.array() >= -0.5).all() && (i.array() <= grid.size.cast<double>().array() - 0.5).all()) return {};
    Box box;
    for (const Vec3& c : grid.corners()) box.extend(c);
    return fail(Fault::kRequest,
                Message("bones.point_lies_outside_image",
                        {{"x", number(p.x(), 1)}, {"y", number(p.y(), 1)}, {"z", number(p.z(), 1)}}),
                place,
                Message("bones.give_point_patient_frame_lps_mm", {{"x", number(box.min().x(), 0)},
                                                                  {"y", number(box.min().y(), 0)},
                                                                  {"z", number(box.min().z(), 0)},
                                                                  {"x_2", number(box.max().x(), 0)},
                                                                  {"y_2", number(box.max().y(), 0)},
                                                                  {"z_2", number(box.max().z(), 0)}}));
  };
  Status s;
  for (std::size_t n = 0; s && n < e.seeds.size(); ++n) s = inside(e.seeds[n].point, editPlace(e, "seeds", n, "point"));
  for (std::size_t n = 0; s && n < e.splits.size(); ++n) {
    const SplitEdit& split = e.splits[n];
    if (split.plane) s = inside(split.plane->point, editPlace(e, "splits", n, "plane.point"));
    for (const auto& [bone, seeds] :
         {std::pair{split.first, &split.first_seeds}, std::pair{split.second, &split.second_seeds}})
      for (std::size_t m = 0; s && m < seeds->size(); ++m)
        s = inside((*seeds)[m], editPlace(e, "splits", n, fmt::format("seeds.{}[{}]", boneId(bone), m)));
  }
  for (std::size_t n = 0; s && n < e.merges.size(); ++n)
    if (e.merges[n].point) s = inside(*e.merges[n].point, editPlace(e, "merges", n, "point"));
  for (std::size_t n = 0; s && n < e.landmarks.size(); ++n)
    if (e.landmarks[n].base_point) s = inside(*e.landmarks[n].base_point, editPlace(e, "landmarks", n, "base_point"));
  return s;
}

}  // namespace rayset
