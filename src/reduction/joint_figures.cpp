#include "reduction/joint_figures.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numeric>
#include <set>

#include "anatomy/frames.h"
#include "base/units.h"
#include "geometry/side.h"
#include "reduction/borders.h"
#include "reduction/shafts.h"

namespace rayset::reduction {
namespace {

using Json = nlohmann::ordered_json;

constexpr double kFacingMm = 4;  // surfaces farther apart than this do not make a joint
constexpr double kNearByMm = 1.5;
constexpr double kFacing = 0.7;      // cosine between the normal and the direction to the other bone
constexpr std::size_t kFewest = 30;  // points that make a face
constexpr double kUsualSpreadMm = 0.45, kUsualSpreadRad = 0.05, kUsualPeople = 2;
constexpr double kUsualShaftRad = toRadians(2.5);
constexpr std::size_t kFewestPeople = 3;  // fewer do not show a spread

// Of a foot about its other side: three real pairs differ by 0.51 mm and 1.9 degrees (root mean square over all
// figures).
constexpr double kTwinSpreadMm = 0.5, kTwinSpreadRad = 0.035;

struct Face {
  Points places;
  std::vector<double> gaps;
};
/// Points of `skin` that face the other bone within reach.
Face faceOf(const std::vector<OrientedPoint>& skin, const DistanceField& onto, double reach_mm) {
  Face face;
  for (const OrientedPoint& s : skin) {
    const auto at = onto.sample(s.position);
    if (at.distance > reach_mm || -at.gradient.dot(s.normal) < kFacing) continue;
    face.places.push_back(s.position);
    face.gaps.push_back(at.distance);
  }
  return face;
}

JointPlane planeOf(const Face& face, const Vec3& across) {
  return jointPlane(face.places, std::vector<double>(face.places.size(), 1), across);
}

double quantile(std::vector<double> values, double q) {
  const auto n = static_cast<std::ptrdiff_t>(q * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), values.begin() + n, values.end());
  return values[static_cast<std::size_t>(n)];
}

}  // namespace

std::optional<double> cuneonavicularGap(const BoneSurfaces& bones, const DistanceField& navicular) {
  std::vector<double> gaps;
  for (const Bone b : {Bone::kC1, Bone::kC2, Bone::kC3}) {
    const auto bone = bones.find(b);
    if (bone == bones.end()) continue;
    const Face face = faceOf(sampleEvenly(bone->second, 4000), navicular, 3);
    if (face.gaps.size() >= kFewest) gaps.push_back(quantile(face.gaps, 0.5));
  }
  if (gaps.empty()) return std::nullopt;
  return quantile(gaps, 0.5);
}

FootFigures measureJoints(const BoneSurfaces& bones, const std::map<Bone, DistanceField>& fields, Side side) {
  FootFigures out;
  const Frame frame = coarseFootFrame(bones, side);
  const auto there = [&](Bone b) { return bones.contains(b) && fields.contains(b); };
  std::map<Bone, std::vector<OrientedPoint>> skins;
  for (const auto& [bone, field] : fields)
    if (there(bone)) skins[bone] = sampleEvenly(bones.at(bone), 6000);
  if (there(Bone::kNav)) out.cuneonavicular_mm = cuneonavicularGap(bones, fields.at(Bone::kNav));
  std::map<std::pair<Bone, Bone>, Face> faces;  // many borders share a joint
  const auto faceFrom = [&](Bone from, Bone onto) -> const Face& {
    const auto [at, fresh] = faces.try_emplace({from, onto});
    if (fresh) at->second = faceOf(skins.at(from), fields.at(onto), kFacingMm);
    return at->second;
  };
  for (const Ray ray : kRays) {
    const Bone m = metatarsal(ray), t = tarsalPartner(ray);
    if (!there(m) || !there(t)) continue;
    const Face& face = faceFrom(t, m);
    if (face.places.size() < kFewest) continue;
    const JointPlane joint = planeOf(face, frame.distal);
    JointFigures& f = out.joints[ray];
    f.gap_mm = quantile(face.gaps, 0.5);
    const double limit = out.usualGap() + kNearByMm;
    const auto near = std::count_if(face.gaps.begin(), face.gaps.end(), [&](double g) { return g < limit; });
    f.near_mm2 = area(bones.at(t)) * static_cast<double>(near) / static_cast<double>(skins.at(t).size());
    Eigen::MatrixXd across(static_cast<int>(face.gaps.size()), 3);
    for (int i = 0; i < across.rows(); ++i) {
      const Vec3 r = face.places[static_cast<std::size_t>(i)] - joint.middle;
      across.row(i) << 1, r.dot(frame.dorsal), r.dot(frame.medial);
    }
    const Eigen::Vector3d plane =
        across.colPivHouseholderQr().solve(Eigen::Map<const Eigen::VectorXd>(face.gaps.data(), across.rows()));
    f.dorsal_tilt_rad = std::atan(plane[1]);
    f.medial_tilt_rad = std::atan(plane[2]);
  }
  for (const BorderSite& site : borderSites(frame)) {
    if (!there(site.from) || !there(site.onto)) continue;
    const DistanceField& onto = fields.at(site.onto);
    Points places;
    if (site.outward.isZero()) {
      places = closenessPlaces(bones.at(site.from), rayOf(site.from).has_value(), frame.distal);
    } else {
      const Face& face = faceFrom(site.from, site.onto);
      if (face.places.size() < kFewest) continue;
      places = carriedWall(skins.at(site.from), planeOf(face, site.across), site);
    }
    std::vector<double> apart;
    for (const Vec3& p : places) apart.push_back(onto.value(p));
    if (site.outward.isZero()) {
      if (apart.size() < kClosePlaces) continue;
      std::nth_element(apart.begin(), apart.begin() + kClosePlaces, apart.end());
      apart.resize(kClosePlaces);
    }
    if (apart.empty()) continue;
    const double mean = std::accumulate(apart.begin(), apart.end(), 0.0) / static_cast<double>(apart.size());
    if (mean < onto.band() - 0.5) out.borders_mm[site.name] = mean;
  }
  return out;
}

FootFigures measureFoot(const BoneSurfaces& bones, const std::map<Bone, DistanceField>& fields, Side side) {
  FootFigures out = measureJoints(bones, fields, side);
  out.shafts_rad = shaftAngles(bones, coarseFootFrame(bones, side));
  return out;
}

std::string figuresJson(const FootFigures& figures, Side side) {
  const auto rounded = [](double x, double step) { return std::round(x / step) * step; };
  const auto orNull = [&](const std::optional<double>& x) { return x ? Json(rounded(*x, 0.01)) : Json(nullptr); };
  Json joints = Json::array();
  for (const auto& [ray, f] : figures.joints)
    joints.push_back({{"ray", ray},
                      {"gap_mm", rounded(f.gap_mm, 0.01)},
                      {"dorsal_tilt_deg", rounded(toDegrees(f.dorsal_tilt_rad), 0.1)},
                      {"medial_tilt_deg", rounded(toDegrees(f.medial_tilt_rad), 0.1)}});
  Json shafts = Json::object(), borders = Json::object();
  for (const auto& [name, x] : figures.shafts_rad) shafts[name] = rounded(toDegrees(x), 0.1);
  for (const auto& [name, x] : figures.borders_mm) borders[name] = rounded(x, 0.01);
  return Json{{"side", sideWord(side)},
              {"joints", joints},
              {"borders_mm", borders},
              {"shafts_deg", shafts},
              {"cuneonavicular_mm", orNull(figures.cuneonavicular_mm)}}
      .dump();
}

namespace {

/// Borders that are as close as the foot's joints are narrow.
std::set<std::string> closenessNames() {
  std::set<std::string> names;
  for (const BorderSite& site : borderSites({}))
    if (site.outward.isZero()) names.insert(site.name);
  return names;
}

/// Figures of one kind, person by person.
struct Sample {
  std::map<std::string, std::vector<double>> of;  // by person
  void add(const std::string& person, const Json& value) {
    if (value.is_number()) of[person].push_back(value.get<double>());
  }
  [[nodiscard]] std::optional<Norm> norm(double usual, double scale = 1) const {
    if (of.size() < kFewestPeople) return std::nullopt;
    Norm n;
    for (const auto& [person, values] : of) {
      double sum = 0;
      for (const double v : values) sum += v;
      n.mean += sum / static_cast<double>(values.size()) / static_cast<double>(of.size());
    }
    double squares = 0;
    for (const auto& [person, values] : of) {
      double sum = 0;
      for (const double v : values) sum += (v - n.mean) * (v - n.mean);
      squares += sum / static_cast<double>(values.size());
    }
    const double people = static_cast<double>(of.size());
    const double variance = (squares * scale * scale + kUsualPeople * usual * usual) / (people - 1 + kUsualPeople);
    n.mean *= scale;
    n.spread = std::sqrt(variance * (1 + 1 / people));  // for a person not among them
    return n;
  }
};

}  // namespace

Result<JointNorms> readJointNorms(const std::filesystem::path& file, const std::string& leave_out) {
  const auto refuse = [&](const Message& what) {
    return fail(Fault::kInternal, what, file.string(), Message("reduction.restore_file_came_program"));
  };
  std::ifstream in(file);
  const Json root = in ? Json::parse(in, nullptr, false) : Json();
  if (!root.is_object() || !root.contains("people") || !root["people"].is_array())
    return refuse("reduction.figures_healthy_joints_cannot_read");
  const std::set<std::string> closeness = closenessNames();
  std::map<std::string, Sample> borders, shafts;
  EachRay<Sample> gaps, dorsal_tilts, medial_tilts;
  JointNorms norms;
  try {
    for (const Json& person : root["people"]) {
      const std::string name = person.at("person").get<std::string>();
      if (name == leave_out) continue;
      ++norms.people;
      for (const Json& foot : person.at("feet")) {
        const Json& usual = foot.at("cuneonavicular_mm");
        for (const Json& joint : foot.at("joints")) {
          const auto ray = Ray::from(joint.at("ray").get<int>());
          if (!ray) return refuse("reduction.joint_has_ray_no_foot_has");
          if (usual.is_number()) gaps[*ray].add(name, joint.at("gap_mm").get<double>() - usual.get<double>());
          dorsal_tilts[*ray].add(name, joint.at("dorsal_tilt_deg"));
          medial_tilts[*ray].add(name, joint.at("medial_tilt_deg"));
        }
        for (const auto& [shaft, value] : foot.at("shafts_deg").items()) shafts[shaft].add(name, value);
        for (const auto& [border, value] : foot.at("borders_mm").items()) {
          if (!closeness.contains(border))
            borders[border].add(name, value);
          else if (usual.is_number())
            borders[border].add(name, value.get<double>() - usual.get<double>());
        }
      }
    }
  } catch (const Json::exception& e) {
    return refuse(Message("reduction.figures_healthy_joints_not_they_should", {{"what", e.what()}}));
  }
  const auto put = [](PerRay<Norm>& into, Ray ray, const std::optional<Norm>& norm) {
    if (norm) into.emplace(ray, *norm);
  };
  for (const Ray ray : kRays) {
    put(norms.gap_mm, ray, gaps[ray].norm(kUsualSpreadMm));
    put(norms.dorsal_tilt_rad, ray, dorsal_tilts[ray].norm(kUsualSpreadRad, toRadians(1)));
    put(norms.medial_tilt_rad, ray, medial_tilts[ray].norm(kUsualSpreadRad, toRadians(1)));
  }
  for (const auto& [name, sample] : borders)
    if (const auto norm = sample.norm(kUsualSpreadMm)) norms.borders_mm.emplace(name, *norm);
  for (const auto& [name, sample] : shafts)
    if (const auto norm = sample.norm(kUsualShaftRad, toRadians(1))) norms.shafts_rad.emplace(name, *norm);
  return norms;
}

JointNorms personalNorms(const JointNorms& people, const FootFigures& twin) {
  JointNorms out = people;
  const auto combine = [](Norm& norm, double value, double spread) {
    const double of_people = 1 / (norm.spread * norm.spread), of_twin = 1 / (spread * spread);
    norm.mean = (of_people * norm.mean + of_twin * value) / (of_people + of_twin);
    norm.spread = 1 / std::sqrt(of_people + of_twin);
  };
  const std::set<std::string> closeness = closenessNames();
  for (const auto& [name, value] : twin.borders_mm) {
    const double mm = closeness.contains(name) ? value - twin.usualGap() : value;
    const auto [norm, fresh] = out.borders_mm.try_emplace(name, Norm{mm, kTwinSpreadMm});
    if (!fresh) combine(norm->second, mm, kTwinSpreadMm);
  }
  for (const auto& [name, value] : twin.shafts_rad) {
    const auto [norm, fresh] = out.shafts_rad.try_emplace(name, Norm{value, kTwinSpreadRad});
    if (!fresh) combine(norm->second, value, kTwinSpreadRad);
  }
  const auto combineAt = [&](PerRay<Norm>& norms, Ray ray, double value, double spread) {
    if (const auto norm = norms.find(ray); norm != norms.end()) combine(norm->second, value, spread);
  };
  for (const auto& [ray, joint] : twin.joints) {
    if (twin.cuneonavicular_mm) combineAt(out.gap_mm, ray, joint.gap_mm - *twin.cuneonavicular_mm, kTwinSpreadMm);
    combineAt(out.dorsal_tilt_rad, ray, joint.dorsal_tilt_rad, kTwinSpreadRad);
    combineAt(out.medial_tilt_rad, ray, joint.medial_tilt_rad, kTwinSpreadRad);
  }
  return out;
}

}  // namespace rayset::reduction
