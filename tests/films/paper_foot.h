// A foot cut from paper: polygons on a plane with known distances, rendered as a film with blur and noise. The right
// foot is drawn toes up, lateral to the right, in millimetres about the second tarsometatarsal joint (x lateral, y
// proximal, that is down the picture).
#pragma once

#include <filesystem>
#include <map>
#include <string>
#include <vector>

#include "dicom/film_reader.h"
#include "dicom/film_writer.h"
#include "films/film_reading.h"

namespace rayset::test {

/// What the paper foot of one film is to show; zero is anatomical.
struct PaperFoot {
  Side side = Side::kRight;
  double c1_m2_gap = 4;  ///< C1 distal lateral corner to the M2 medial border
  double m2_shift = 0;   ///< lateral, of the second metatarsal (widens the gap as well)
  double m1_shift = 0;   ///< lateral, of the first metatarsal
  double m4_shift = 0;   ///< oblique film: of the fourth
  double m5_shift = 0;
  double m1_step = 0;  ///< lateral film: dorsal, of the first metatarsal
  double arch = 16;    ///< lateral film: C1 above M5
  double sag_deg = 0;  ///< lateral film: talo-first-metatarsal angle
};

struct Scene {
  double column_mm = 0.2, row_mm = 0.2;
  double blur_mm = 0.25, noise = 120;
  int margin_px = 0;  ///< an unexposed collimator band all round
  bool mirrored = false;
  unsigned seed = 1;
};

/// The film and where its landmarks are exactly (pixels).
struct PaperFilm {
  Film film;
  std::map<std::string, Vec2, std::less<>> landmarks;
};
[[nodiscard]] PaperFilm paperFilm(FilmView view, const PaperFoot& foot, const Scene& scene = {});

/// A folder of its own, removed at the end of the test.
class Folder {
 public:
  Folder();
  ~Folder();
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::filesystem::path operator/(const std::string& name) const { return path_ / name; }
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

/// Header of a paper film: an invented patient, spacing at the object unless taken away.
[[nodiscard]] FilmWriteInfo paperInfo(FilmView view, Side side, const Scene& scene = {});

/// One entry of a landmarks file.
[[nodiscard]] nlohmann::ordered_json landmarkEntry(const std::string& file, FilmView view, Side side,
                                                   const PaperFilm& film,
                                                   const nlohmann::ordered_json& weight_bearing = true);
[[nodiscard]] nlohmann::ordered_json landmarkDocument(const nlohmann::ordered_json& films, Side injured = Side::kRight);

}  // namespace rayset::test
