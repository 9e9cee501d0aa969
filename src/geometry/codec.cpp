#include "geometry/codec.h"

#include <array>
#include <cmath>

#include "geometry/json.h"
#include "geometry/side.h"

namespace rayset::codec {
namespace {

Vec3 three(const Json& j, const std::string& where) {
  if (!j.is_array() || j.size() != 3) throw BadField{where, "geometry.not_point_three_numbers"};
  Vec3 out;
  for (std::size_t a = 0; a < 3; ++a) {
    if (!j[a].is_number()) throw BadField{where, "geometry.not_number"};
    out[static_cast<int>(a)] = j[a].get<double>();
  }
  return out;
}

Json arrayOf(const Json& items, int size) {
  return {{"type", "array"}, {"items", items}, {"minItems", size}, {"maxItems", size}};
}

const Json kCosine{{"type", "number"}, {"minimum", -1}, {"maximum", 1}};

}  // namespace

Codec<Vec3> point(int digits) {
  return named<Vec3>("Vec",
                     {.write =
                          [digits](const Vec3& v) {
                            return digits < 0 ? Json::array({v.x(), v.y(), v.z()}) : pointJson(v, digits);
                          },
                      .read = [](const Json& j, const std::string& where, Vec3& into) { into = three(j, where); },
                      .schema = arrayOf({{"type", "number"}}, 3),
                      .type = "[number, number, number]",
                      .help = {"[x, y, z]", Message("geometry.write_millimetres_patient_frame_lps")}});
}

Codec<Vec3> direction(int digits) {
  return named<Vec3>("Direction", {.write = [digits](const Vec3& v) { return pointJson(v, digits); },
                                   .read =
                                       [](const Json& j, const std::string& where, Vec3& into) {
                                         into = three(j, where);
                                         if (std::abs(into.norm() - 1) > 1e-4)
                                           throw BadField{where, "geometry.not_unit_length"};
                                       },
                                   .schema = arrayOf(kCosine, 3),
                                   .type = "[number, number, number]"});
}

Codec<Rigid> transform() {
  const Json row{{"type", "array"},
                 {"prefixItems", {kCosine, kCosine, kCosine, {{"type", "number"}}}},
                 {"minItems", 4},
                 {"maxItems", 4}};
  return named<Rigid>("Mat", {.write = [](const Rigid& X) { return rigidJson(X); },
                              .read =
                                  [](const Json& j, const std::string& where, Rigid& into) {
                                    if (!j.is_array() || j.size() != 4)
                                      throw BadField{where, "geometry.not_4_4_matrix"};
                                    Rigid X = Rigid::Identity();
                                    for (std::size_t r = 0; r < 4; ++r) {
                                      if (!j[r].is_array() || j[r].size() != 4)
                                        throw BadField{where, "geometry.not_4_4_matrix"};
                                      for (std::size_t c = 0; c < 4; ++c) {
                                        if (!j[r][c].is_number()) throw BadField{where, "geometry.not_number"};
                                        X.matrix()(static_cast<int>(r), static_cast<int>(c)) = j[r][c].get<double>();
                                      }
                                    }
                                    const Mat3 R = X.linear();
                                    if (!(R * R.transpose()).isIdentity(1e-4) || R.determinant() < 0)
                                      throw BadField{where, "geometry.no_rigid_transform"};
                                    into = X;
                                  },
                              .schema = {{"description", "4 x 4, row major, acting on column vectors; rigid"},
                                         {"type", "array"},
                                         {"prefixItems", {row, row, row, {{"const", {0, 0, 0, 1}}}}},
                                         {"minItems", 4},
                                         {"maxItems", 4}},
                              .type = "number[][]",
                              .help = {"4 x 4", Message("geometry.write_four_rows_four_numbers_last")}});
}

Codec<Side> side() { return choiceOf(std::array{Side::kRight, Side::kLeft}, sideWord); }

}  // namespace rayset::codec
