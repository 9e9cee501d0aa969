#include "dicom/writing.h"

#include <dcmtk/dcmdata/dcrlerp.h>
#include <dcmtk/dcmjpeg/djrplol.h>
#include <dcmtk/dcmjpls/djrparam.h>
#include <fmt/format.h>

#include <algorithm>
#include <vector>

#include "base/utf8.h"

namespace rayset::dicom {

std::string ds(double value) {
  if (value == 0) return "0";  // never "-0"
  for (int digits = 15; digits > 1; --digits) {
    std::string text = fmt::format("{:.{}g}", value, digits);
    if (text.size() <= 16) return text;
  }
  return fmt::format("{:.1g}", value);
}

std::string dsList(std::initializer_list<double> values) {
  std::vector<std::string> texts;
  for (const double v : values) texts.push_back(ds(v));
  return fmt::format("{}", fmt::join(texts, "\\"));
}

std::string cut(const std::string& text, std::size_t most) {
  std::string out = firstCharacters(text, most);
  std::replace(out.begin(), out.end(), '\\', '/');
  return out;
}

std::string date(const std::string& text) {
  return text.size() == 8 && std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; })
             ? text
             : std::string();
}

OFCondition saveObject(DcmFileFormat& format, CtWriteSettings::Compression compression,
                       const std::filesystem::path& file) {
  using Compression = CtWriteSettings::Compression;
  DcmDataset& data = *format.getDataset();
  OFCondition status = EC_Normal;
  E_TransferSyntax syntax = EXS_LittleEndianExplicit;
  switch (compression) {
    case Compression::kNone:
      break;
    case Compression::kRle: {
      syntax = EXS_RLELossless;
      const DcmRLERepresentationParameter parameters;
      status = data.chooseRepresentation(syntax, &parameters);
      break;
    }
    case Compression::kJpegLossless: {
      syntax = EXS_JPEGProcess14SV1;
      const DJ_RPLossless parameters;  // predictor 1
      status = data.chooseRepresentation(syntax, &parameters);
      break;
    }
    case Compression::kJpegLs: {
      syntax = EXS_JPEGLSLossless;
      const DJLSRepresentationParameter parameters(0, OFTrue);
      status = data.chooseRepresentation(syntax, &parameters);
      break;
    }
  }
  if (status.bad()) return status;
  return format.saveFile(file.c_str(), syntax, EET_ExplicitLength, EGL_recalcGL, EPD_withoutPadding);
}

}  // namespace rayset::dicom
