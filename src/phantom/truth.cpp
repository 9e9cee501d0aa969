#include "phantom/truth.h"

#include <fstream>

#include "base/units.h"
#include "geometry/json.h"
#include "geometry/side.h"
#include "injury/displacement.h"

namespace rayset {
namespace {

using Json = nlohmann::ordered_json;

Json bonesJson(const BoneSurfaces& measured, const BoneSurfaces& scanned, const Grid& grid) {
  Json list = Json::array();
  for (const auto& [bone, surface] : measured) {
    bool complete = true;
    for (const Vec3& v : scanned.at(bone).vertices) {
      const Vec3 q = grid.toIndex(v);
      for (int a = 0; a < 3; ++a) complete = complete && q[a] >= -0.5 && q[a] <= grid.size[a] - 0.5;
    }
    list.push_back({{"id", boneId(bone)}, {"volume_mm3", rounded(volume(surface), 1)}, {"complete", complete}});
  }
  return list;
}

Json gridJson(const Grid& grid) {
  Json direction = Json::array();
  for (int r = 0; r < 3; ++r)
    direction.push_back(Json::array(
        {rounded(grid.direction(r, 0), 12), rounded(grid.direction(r, 1), 12), rounded(grid.direction(r, 2), 12)}));
  return {{"size", {grid.size.x(), grid.size.y(), grid.size.z()}},
          {"spacing_mm", pointJson(grid.spacing, 6)},
          {"origin", pointJson(grid.origin, 6)},
          {"direction", direction}};
}

Status writeSurfaces(const std::filesystem::path& folder, const BoneSurfaces& bones) {
  std::error_code problem;
  std::filesystem::create_directories(folder, problem);
  for (const auto& [bone, surface] : bones)
    if (Status done = writeStl(folder / (std::string(boneId(bone)) + ".stl"), surface); !done) return done;
  return {};
}

}  // namespace

nlohmann::ordered_json truthJson(const Patient& patient, bool with_surfaces) {
  const InjuredFoot& foot = patient.foot;
  Json j;
  j["schema"] = "rayset.truth/1";
  j["invented"] = true;
  j["side"] = sideWord(foot.side);
  j["source"] = patient.source;
  j["injury"] = patient.injury;
  j["frame"] = {{"origin", pointJson(foot.frame.origin, 5)},
                {"distal", pointJson(foot.frame.distal, 9)},
                {"medial", pointJson(foot.frame.medial, 9)},
                {"dorsal", pointJson(foot.frame.dorsal, 9)}};
  j["rays"] = Json::array();
  for (const Ray ray : kRays) {
    if (!foot.intact.contains(metatarsal(ray))) continue;
    const RayDisplacement d = displacement(ray, foot.intact_to_injured[ray], foot.base_points.at(ray), foot.frame);
    j["rays"].push_back({{"ray", ray},
                         {"displaced", d.displaced},
                         {"shift_mm",
                          {{"lateral", rounded(d.lateral_mm, 4)},
                           {"dorsal", rounded(d.dorsal_mm, 4)},
                           {"distal", rounded(d.distal_mm, 4)}}},
                         {"turn_deg",
                          {{"abduction", rounded(toDegrees(d.abduction_rad), 4)},
                           {"plantarflexion", rounded(toDegrees(d.plantarflexion_rad), 4)},
                           {"pronation", rounded(toDegrees(d.pronation_rad), 4)}}},
                         {"eased_mm", rounded(foot.eased_mm[ray], 3)},
                         {"base_point", pointJson(foot.base_points.at(ray), 5)},
                         {"injured_to_reduced", rigidJson(foot.intact_to_injured[ray].inverse())}});
  }
  j["contacts"] = Json::array();
  for (const auto& pair : patient.contacts) j["contacts"].push_back(wordsOf({pair}));
  j["fragments"] = Json::array();
  for (const auto& [id, surface] : foot.fragments)
    j["fragments"].push_back({{"id", id},
                              {"kind", wordOf(patient.fragment)},
                              {"volume_mm3", rounded(volume(surface), 1)},
                              {"injured_to_reduced", rigidJson(foot.fragment_injured_to_reduced.at(id))}});
  const ExpectedPatterns expected = patient.named ? expectedPatterns(*patient.named) : ExpectedPatterns{};
  const auto name = [](const std::string& text) { return text.empty() ? Json(nullptr) : Json(text); };
  j["patterns"] = {{"quenu_kuss", name(expected.quenu_kuss)},
                   {"hardcastle", name(expected.hardcastle)},
                   {"myerson", name(expected.myerson)}};
  j["bones"] = bonesJson(foot.intact, foot.injured, patient.ct.grid);
  const ScanSettings& s = patient.scan;
  Json staples = Json::array();
  for (const Staple& staple : s.staples)
    staples.push_back({{"a", pointJson(staple.a, 3)},
                       {"b", pointJson(staple.b, 3)},
                       {"into", pointJson(staple.into, 6)},
                       {"leg_mm", staple.leg_mm},
                       {"wire_mm", staple.wire_mm}});
  j["scan"] = {{"pixel_mm", s.pixel_mm},
               {"slice_mm", s.slice_mm},
               {"kernel", wordOf(s.kernel)},
               {"bone_hardening", s.bone_hardening},
               {"noise_hu", s.noise_hu},
               {"blur_fwhm_mm", s.blur_fwhm_mm},
               {"density", s.density},
               {"cortex_mm", s.cortex_mm},
               {"proximal_crop_mm", s.proximal_crop_mm},
               {"cast_mm", s.cast.thickness_mm},
               {"cast_hu", s.cast.hu},
               {"staples", staples},
               {"seed", s.seed},
               {"grid", gridJson(patient.ct.grid)}};
  if (patient.other == OtherFoot::kNone) {
    j["other"] = nullptr;
  } else {
    const bool own = patient.other == OtherFoot::kOwnScan;
    j["other"] = {{"side", sideWord(opposite(foot.side))},
                  {"scan", own ? "own" : "same"},
                  {"mirror_image", patient.other_is_mirror_image},
                  {"bones", bonesJson(patient.other_bones, patient.other_bones,
                                      own && patient.other_ct ? patient.other_ct->grid : patient.ct.grid)}};
  }
  if (with_surfaces) {
    j["surfaces"] = {{"intact", "surfaces/intact"}, {"injured", "surfaces/injured"}};
    if (patient.other != OtherFoot::kNone) j["surfaces"]["other"] = "surfaces/other";
  } else {
    j["surfaces"] = nullptr;
  }
  return j;
}

Status writeTruth(const std::filesystem::path& folder, const Patient& patient, bool surfaces) {
  const std::filesystem::path file = folder / "truth.json";
  std::ofstream out(file);
  out << truthJson(patient, surfaces).dump(2) << '\n';
  out.close();
  if (!out)
    return fail(Fault::kInternal, "phantom.truth_could_not_written", file.string(),
                Message("phantom.check_free_space_permissions"));
  if (!surfaces) return {};
  const std::filesystem::path root = folder / "surfaces";
  if (Status done = writeSurfaces(root / "intact", patient.foot.intact); !done) return done;
  if (Status done = writeSurfaces(root / "injured", patient.foot.injured); !done) return done;
  for (const auto& [id, surface] : patient.foot.fragments)
    if (Status done = writeStl(root / "injured" / (id + ".stl"), surface); !done) return done;
  if (patient.other != OtherFoot::kNone) return writeSurfaces(root / "other", patient.other_bones);
  return {};
}

}  // namespace rayset
