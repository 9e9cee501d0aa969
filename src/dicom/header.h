// Reads the header of one file: which kind of file it is, and the geometry and grey scale of each of its CT frames.
// Classic CT Image (PS3.3 A.3: Image Plane C.7.6.2, Image Pixel C.7.6.3, CT Image C.8.2.1) and Enhanced CT Image (A.38:
// Multi-frame Functional Groups C.7.6.16, Enhanced CT C.8.15) end in the same structures.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "base/result.h"
#include "geometry/types.h"

namespace rayset::dicom {

/// How stored values lie in Pixel Data (C.7.6.3), the same for all frames of a file.
struct PixelFormat {
  int rows = 0, columns = 0;
  int bits_allocated = 0, bits_stored = 0, high_bit = 0;
  bool is_signed = false;
  long long frames = 1;
  bool has_padding = false;
  int padding_low = 0, padding_high = 0;  ///< C.7.5.1.1.2: stored values in this range are not image
  std::string transfer_syntax;            ///< UID
  bool encapsulated = false;              ///< compressed, in fragments
  bool deflated = false;

  [[nodiscard]] std::size_t bytesPerFrame() const {
    return static_cast<std::size_t>(rows) * static_cast<std::size_t>(columns) *
           static_cast<std::size_t>(bits_allocated / 8);
  }
};

/// One cross-section (a classic file, or one frame of an enhanced one).
struct FrameHeader {
  int file = 0;   ///< index of its ScanFile
  int frame = 0;  ///< 0-based number in the file
  int rows = 0, columns = 0;
  Vec3 position = Vec3::Zero();           ///< centre of the first pixel
  Vec3 row_direction = Vec3::UnitX();     ///< of increasing column index
  Vec3 column_direction = Vec3::UnitY();  ///< of increasing row index
  double column_spacing = 0;              ///< between columns, along row_direction
  double row_spacing = 0;                 ///< between rows, along column_direction
  double thickness = 0;                   ///< 0: not stated
  double slope = 1, intercept = 0;
  std::string image_type;  ///< Image Type or Frame Type, values separated by backslashes
  std::string kernel, kernel_group;
  std::string acquisition, stack, phase;  ///< Acquisition Number; Stack ID; temporal position
};

struct ScanFile {
  enum class Kind {
    kForeign,    ///< not DICOM
    kDamaged,    ///< DICOM that cannot be read
    kOther,      ///< DICOM, but not a CT image (kind_name says what)
    kLocalizer,  ///< CT scout, or a projection made from CT (maximum intensity...)
    kCt
  };
  std::filesystem::path path;
  std::string name;  ///< path as shown in messages, relative to the folder searched
  Kind kind = Kind::kForeign;
  Message kind_name;  ///< "MR Image Storage", "text or other file"...

  PixelFormat pixels;
  std::vector<FrameHeader> frames;
  std::optional<Error> defect;  ///< a CT image that cannot be used, and why

  bool enhanced = false;
  bool lossy = false;
  bool monochrome1 = false;
  std::string rescale_type;
  std::string character_set;
  // Raw text, decoded with toUtf8() where it is shown.
  std::string patient_name, patient_id, patient_sex, patient_birth_date;
  std::string study_uid, study_date, study_description, accession;
  std::string series_uid, series_description, series_number, frame_of_reference_uid, sop_instance_uid;
  std::string manufacturer, model, body_part, laterality, patient_position;
  double kvp = 0;
};

/// Reads the header of one file, never its pixels. Never fails: kind and defect say what is wrong.
[[nodiscard]] ScanFile readHeader(const std::filesystem::path& path, const std::string& name);

/// "IM0003.dcm" or "scan.dcm, frame 12"
[[nodiscard]] std::string frameName(const ScanFile& file, const FrameHeader& frame);

}  // namespace rayset::dicom
