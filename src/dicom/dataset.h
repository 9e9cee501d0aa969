// Reading attributes of one DICOM data set with checks, shared by CT and films. Includes DCMTK: only for sources of
// this stage.
#pragma once

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "base/message.h"
#include "base/result.h"
#include "dicom/attributes.h"
#include "dicom/header.h"

namespace rayset::dicom {

inline constexpr const char* kExportAgain = "dicom.export_images_again";
inline constexpr const char* kUncompressed = "dicom.export_uncompressed";
inline constexpr const char* kAskScanner = "dicom.ask_original_series_scanner_archive_copy";

[[nodiscard]] inline DcmTagKey key(const Attribute& a) { return {a.group, a.element}; }
/// The value as text, trimmed; empty if the attribute is missing or has no value.
[[nodiscard]] std::string text(DcmItem& item, const Attribute& a);
/// The first item of a sequence, or null.
[[nodiscard]] DcmItem* firstItem(DcmItem& item, const Attribute& sequence);

/// Records the first thing wrong with a file.
struct Checker {
  const std::string& file;
  Message image = "dicom.ct_image";  ///< what the file should be
  Message ask = kAskScanner;
  std::optional<Error> defect = {};

  void fault(const Attribute& a, Message what, Message remedy, const std::string& frame = {});
  /// `count` decimal numbers, or a defect.
  std::optional<std::vector<double>> decimals(DcmItem* item, const Attribute& a, std::size_t count,
                                              const std::string& frame = {});
  /// A whole number in [low, high], or a defect.
  std::optional<long long> integer(DcmItem& item, const Attribute& a, long long low, long long high);
};

/// A quick look at the first bytes, so that text files, pictures and PDFs are never parsed as DICOM.
enum class Look { kUnreadable, kForeign, kDicom, kMaybeDicom };
[[nodiscard]] Look lookAt(const std::filesystem::path& path);

[[nodiscard]] bool supportedSyntax(E_TransferSyntax syntax);
[[nodiscard]] bool lossySyntax(E_TransferSyntax syntax);
/// "MRImageStorage" (the dictionary's keyword) as people write it: "MR Image Storage".
[[nodiscard]] std::string spaced(const std::string& keyword);
/// What DICOM calls objects of this class; its UID if it is not known.
[[nodiscard]] Message nameOfClass(const std::string& sop_class);
[[nodiscard]] Message syntaxText(const DcmXfer& syntax, const std::string& uid);

/// Image Pixel module (C.7.6.3) of a grey-scale image, and Number of Frames; defects go to `check`. The transfer syntax
/// is not examined.
void readPixelFormat(DcmDataset& data, Checker& check, PixelFormat& pixels);

}  // namespace rayset::dicom
