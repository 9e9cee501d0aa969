#include "paper_foot.h"

#include <fmt/format.h>
#include <unistd.h>

#include <atomic>
#include <cmath>
#include <random>

#include "base/units.h"
#include "image/film.h"

namespace rayset::test {
namespace {

using Polygon = std::vector<Vec2>;

bool inside(const Polygon& p, const Vec2& at) {
  bool in = false;
  for (std::size_t i = 0, j = p.size() - 1; i < p.size(); j = i++)
    if ((p[i].y() > at.y()) != (p[j].y() > at.y()) &&
        at.x() < (p[j].x() - p[i].x()) * (at.y() - p[i].y()) / (p[j].y() - p[i].y()) + p[i].x())
      in = !in;
  return in;
}

struct Drawing {
  std::vector<Polygon> bones;
  std::map<std::string, Vec2, std::less<>> landmarks;

  void box(double left, double top, double right, double bottom) {
    bones.push_back({{left, top}, {right, top}, {right, bottom}, {left, bottom}});
  }
};

Drawing dorsoplantar(const PaperFoot& f) {
  Drawing d;
  // Medial cuneiform x -25 .. -g, so that its lateral border is the gap away from M2's medial border at x = 0.
  const double g = -f.c1_m2_gap;
  d.box(-25, 2, g, 26);
  d.landmarks["C1.lateral.proximal"] = {g, 20};
  d.landmarks["C1.lateral.distal"] = {g, 4};
  d.landmarks["C1.medial"] = {-25, 10};
  // First metatarsal: its lateral corner in line with that of C1.
  d.box(-25 + f.m1_shift, -52, g + f.m1_shift, -1);
  d.landmarks["M1.lateral.proximal"] = {g + f.m1_shift, -3};
  d.landmarks["M1.medial.proximal"] = {-25 + f.m1_shift, -3};
  d.landmarks["M1.head"] = {0.5 * (g - 25) + f.m1_shift, -45};
  // Intermediate cuneiform and second metatarsal, medial borders at x = 0; its joint lies proximal, in the recess.
  d.box(0, 14, 14, 30);
  d.landmarks["C2.medial.proximal"] = {0, 26};
  d.landmarks["C2.medial.distal"] = {0, 16};
  d.box(f.m2_shift, -55, 14 + f.m2_shift, 11);
  d.landmarks["M2.medial.proximal"] = {f.m2_shift, 8};
  d.landmarks["M2.medial.distal"] = {f.m2_shift, -10};
  // Navicular and talus, whose axis runs along the first metatarsal's.
  d.box(-28, 33, 12, 42);
  d.landmarks["Nav.medial"] = {-28, 38};
  d.box(-22, 46, 2, 80);
  d.landmarks["Tal.medial.proximal"] = {-22, 74};
  d.landmarks["Tal.medial.distal"] = {-22, 52};
  d.landmarks["Tal.lateral.proximal"] = {2, 74};
  d.landmarks["Tal.lateral.distal"] = {2, 52};
  return d;
}

Drawing oblique(const PaperFoot& f) {
  Drawing d;
  d.box(-18, 2, -4, 24);
  d.landmarks["C3.medial.proximal"] = {-18, 20};
  d.landmarks["C3.medial.distal"] = {-18, 5};
  d.landmarks["C3.lateral.proximal"] = {-4, 20};
  d.landmarks["C3.lateral.distal"] = {-4, 5};
  d.box(-18, -50, -4, -1);
  d.landmarks["M3.medial.proximal"] = {-18, -4};
  d.landmarks["M3.lateral.proximal"] = {-4, -4};
  d.box(0, 4, 24, 32);
  d.landmarks["Cub.medial.proximal"] = {0, 26};
  d.landmarks["Cub.medial.distal"] = {0, 8};
  d.landmarks["Cub.lateral.proximal"] = {24, 26};
  d.landmarks["Cub.lateral.distal"] = {24, 8};
  d.box(f.m4_shift, -48, 11 + f.m4_shift, 1);
  d.landmarks["M4.medial.proximal"] = {f.m4_shift, -3};
  d.box(15 + f.m5_shift, -46, 30 + f.m5_shift, 1);
  d.landmarks["M5.lateral"] = {30 + f.m5_shift, -4};
  return d;
}

/// Toes to the left, dorsal up; the floor at y = 40.
Drawing lateral(const PaperFoot& f) {
  Drawing d;
  const double plantar = 32 - f.arch;  // C1 above M5, whose plantar border lies at 32
  d.box(0, -10, 24, plantar);
  d.landmarks["C1.dorsal.proximal"] = {20, -10};
  d.landmarks["C1.dorsal.distal"] = {4, -10};
  d.landmarks["C1.plantar"] = {12, plantar};
  // First metatarsal with its axis turned down by nothing, so that the talus alone makes the angle.
  d.box(-55, -10 - f.m1_step, -3, 8 - f.m1_step);
  d.landmarks["M1.dorsal.proximal"] = {-5, -10 - f.m1_step};
  d.landmarks["M1.plantar.proximal"] = {-5, 8 - f.m1_step};
  d.landmarks["M1.head"] = {-47, -1 - f.m1_step};
  d.box(-8, 23, 8, 32);  // fifth metatarsal
  d.landmarks["M5.plantar"] = {-4, 32};
  // Talus: a bar that runs down distally by the sag. Distal is to the left.
  const double a = toRadians(f.sag_deg);
  const Vec2 way(-std::cos(a), std::sin(a)), up(-std::sin(a), -std::cos(a));
  const Vec2 middle(55, 0);
  d.bones.push_back({middle - 18 * way - 11 * up, middle + 18 * way - 11 * up, middle + 18 * way + 11 * up,
                     middle - 18 * way + 11 * up});
  d.landmarks["Tal.dorsal.proximal"] = middle - 12 * way + 11 * up;
  d.landmarks["Tal.dorsal.distal"] = middle + 12 * way + 11 * up;
  d.landmarks["Tal.plantar.proximal"] = middle - 12 * way - 11 * up;
  d.landmarks["Tal.plantar.distal"] = middle + 12 * way - 11 * up;
  d.landmarks["Floor.proximal"] = {70, 44};
  d.landmarks["Floor.distal"] = {-55, 44};
  return d;
}

/// Separable Gaussian.
void blur(Film& film, double sigma_x, double sigma_y) {
  for (const bool along_x : {true, false}) {
    const double sigma = along_x ? sigma_x : sigma_y;
    if (sigma < 0.05) continue;
    const int half = static_cast<int>(std::ceil(4 * sigma));
    std::vector<double> kernel;
    double sum = 0;
    for (int k = -half; k <= half; ++k) {
      kernel.push_back(std::exp(-0.5 * k * k / (sigma * sigma)));
      sum += kernel.back();
    }
    const Film from = film;
    for (int r = 0; r < film.rows; ++r)
      for (int c = 0; c < film.columns; ++c) {
        double v = 0;
        for (int k = -half; k <= half; ++k) {
          const int cc = along_x ? std::clamp(c + k, 0, film.columns - 1) : c;
          const int rr = along_x ? r : std::clamp(r + k, 0, film.rows - 1);
          v += kernel[static_cast<std::size_t>(k + half)] * static_cast<double>(from.at(cc, rr));
        }
        film.at(c, r) = static_cast<float>(v / sum);
      }
  }
}

}  // namespace

PaperFilm paperFilm(FilmView view, const PaperFoot& foot, const Scene& s) {
  const Drawing d = view == FilmView::kDorsoplantar ? dorsoplantar(foot)
                    : view == FilmView::kOblique    ? oblique(foot)
                                                    : lateral(foot);
  constexpr double kWidth = 150, kHeight = 160;
  PaperFilm out;
  out.film = Film(static_cast<int>(kWidth / s.column_mm) + 2 * s.margin_px,
                  static_cast<int>(kHeight / s.row_mm) + 2 * s.margin_px);
  // A left foot is the mirror image; so is a right foot seen from the sole. The lateral view is the same for both.
  const double flip = view != FilmView::kLateral && (foot.side == Side::kLeft) != s.mirrored ? -1 : 1;
  const auto toPixel = [&](const Vec2& mm) {
    return Vec2((flip * mm.x() + kWidth / 2) / s.column_mm + s.margin_px,
                (mm.y() + kHeight / 2) / s.row_mm + s.margin_px);
  };
  // Which polygons hold a corner of a pixel: where its four corners agree the whole pixel does (sides are long and
  // nearly straight), and only the others are sampled finely.
  const auto bits = [&](double x, double y) {
    const Vec2 mm(flip * ((x - s.margin_px) * s.column_mm - kWidth / 2), (y - s.margin_px) * s.row_mm - kHeight / 2);
    unsigned mask = std::abs(mm.x()) < 66 && std::abs(mm.y()) < 74 ? 1 : 0;
    for (std::size_t k = 0; k < d.bones.size(); ++k)
      if (inside(d.bones[k], mm)) mask |= 2U << k;
    return mask;
  };
  std::vector<unsigned> above, below;
  constexpr int kSub = 4;
  for (int r = 0; r < out.film.rows; ++r) {
    above = std::move(below);
    below.clear();
    for (int c = 0; c <= out.film.columns; ++c) {
      if (r == 0) above.push_back(bits(c - 0.5, -0.5));
      below.push_back(bits(c - 0.5, r + 0.5));
    }
    for (int c = 0; c < out.film.columns; ++c) {
      double bone = 0, soft = 0;
      const auto at = static_cast<std::size_t>(c);
      if (above[at] == above[at + 1] && above[at] == below[at] && above[at] == below[at + 1]) {
        out.film.at(c, r) =
            static_cast<float>(2500 + ((above[at] & 1U) != 0 ? 12000 : 0) + (above[at] > 1 ? 18000 : 0));
        continue;
      }
      for (int j = 0; j < kSub; ++j)
        for (int i = 0; i < kSub; ++i) {
          const double x = c + (i + 0.5) / kSub - 0.5, y = r + (j + 0.5) / kSub - 0.5;
          const Vec2 mm(flip * ((x - s.margin_px) * s.column_mm - kWidth / 2),
                        (y - s.margin_px) * s.row_mm - kHeight / 2);
          for (const Polygon& p : d.bones)
            if (inside(p, mm)) {
              bone += 1;
              break;
            }
          soft += std::abs(mm.x()) < 66 && std::abs(mm.y()) < 74 ? 1 : 0;
        }
      out.film.at(c, r) = static_cast<float>(2500 + 12000 * soft / (kSub * kSub) + 18000 * bone / (kSub * kSub));
    }
  }
  blur(out.film, s.blur_mm / s.column_mm, s.blur_mm / s.row_mm);
  std::mt19937 random(s.seed);
  std::normal_distribution<double> noise(0, s.noise);
  for (float& v : out.film.values)
    v = static_cast<float>(
        std::clamp(std::round(static_cast<double>(v) + (s.noise > 0 ? noise(random) : 0.0)), 0.0, 65535.0));
  if (s.margin_px > 0)
    for (int r = 0; r < out.film.rows; ++r)
      for (int c = 0; c < out.film.columns; ++c)
        if (c < s.margin_px || r < s.margin_px || c >= out.film.columns - s.margin_px ||
            r >= out.film.rows - s.margin_px)
          out.film.at(c, r) = 0;
  for (const auto& [name, mm] : d.landmarks) out.landmarks[name] = toPixel(mm);
  return out;
}

Folder::Folder() {
  static std::atomic<int> number = 0;
  path_ = std::filesystem::temp_directory_path() / fmt::format("rayset-films-test-{}-{}", getpid(), ++number);
  std::filesystem::create_directories(path_);
}
Folder::~Folder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

FilmWriteInfo paperInfo(FilmView view, Side side, const Scene& s) {
  FilmWriteInfo i;
  i.patient_name = "INVENTED^PAPER";
  i.patient_id = "PAPER-1";
  i.patient_birth_date = "19900101";
  i.study_date = "20260105";
  i.study_description = "Foot";
  i.side = side;
  i.view = view;
  i.column_mm = s.column_mm * 1.05;
  i.row_mm = s.row_mm * 1.05;
  i.object_column_mm = s.column_mm;
  i.object_row_mm = s.row_mm;
  i.calibration = FilmWriteInfo::Calibration::kFiducial;
  i.simulated = true;
  i.derivation = "polygons";
  i.value_low = 0;
  i.value_high = 65535;
  i.window_low = 0;
  i.window_high = 40000;
  return i;
}

nlohmann::ordered_json landmarkEntry(const std::string& file, FilmView view, Side side, const PaperFilm& film,
                                     const nlohmann::ordered_json& weight_bearing) {
  nlohmann::ordered_json points = nlohmann::ordered_json::object();
  for (const auto& [name, p] : film.landmarks) points[name] = {p.x(), p.y()};
  return {{"file", file},
          {"view", wordOf(view)},
          {"weight_bearing", weight_bearing},
          {"feet", {{{"side", side == Side::kRight ? "right" : "left"}, {"landmarks", points}}}}};
}

nlohmann::ordered_json landmarkDocument(const nlohmann::ordered_json& films, Side injured) {
  return {{"schema", "rayset.landmarks/1"}, {"injured", injured == Side::kRight ? "right" : "left"}, {"films", films}};
}

}  // namespace rayset::test
