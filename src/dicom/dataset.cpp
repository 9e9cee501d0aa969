#include "dicom/dataset.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <fstream>
#include <limits>

#include "dicom/text.h"

namespace rayset::dicom {

std::string text(DcmItem& item, const Attribute& a) {
  OFString value;
  if (item.findAndGetOFStringArray(key(a), value).bad()) return {};
  return trimmed(std::string_view(value.data(), value.size()));
}

DcmItem* firstItem(DcmItem& item, const Attribute& sequence) {
  DcmItem* found = nullptr;
  if (item.findAndGetSequenceItem(key(sequence), found, 0).bad()) return nullptr;
  return found;
}

void Checker::fault(const Attribute& a, Message what, Message remedy, const std::string& frame) {
  if (!defect) defect = Error{Fault::kImages, std::move(what), file + frame + ", " + label(a), std::move(remedy)};
}

std::optional<std::vector<double>> Checker::decimals(DcmItem* item, const Attribute& a, std::size_t count,
                                                     const std::string& frame) {
  const std::string value = item ? text(*item, a) : std::string();
  if (value.empty()) {
    fault(a, Message("dicom.has_no", {{"image", image}, {"name", a.name}}), ask, frame);
    return std::nullopt;
  }
  std::vector<double> numbers;
  for (const std::string& part : splitValues(value)) {
    const auto number = parseDecimal(part);
    if (!number) break;
    numbers.push_back(*number);
  }
  if (numbers.size() != count) {
    fault(a,
          Message("dicom.where_number_should_stand",
                  {{"name", a.name}, {"to_utf8", toUtf8(value.substr(0, 80), "")}, {"count", count}}),
          ask, frame);
    return std::nullopt;
  }
  return numbers;
}

std::optional<long long> Checker::integer(DcmItem& item, const Attribute& a, long long low, long long high) {
  const std::string value = text(item, a);
  if (value.empty()) {
    fault(a, Message("dicom.has_no", {{"image", image}, {"name", a.name}}), ask);
    return std::nullopt;
  }
  const auto number = parseInteger(value);
  if (!number || *number < low || *number > high) {
    fault(a, Message("dicom.cannot", {{"name", a.name}, {"to_utf8", toUtf8(value.substr(0, 80), "")}}), kExportAgain);
    return std::nullopt;
  }
  return number;
}

Look lookAt(const std::filesystem::path& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in) return Look::kUnreadable;
  std::array<char, 132> head{};
  in.read(head.data(), head.size());
  const auto got = in.gcount();
  if (got >= 132 && std::equal(head.begin() + 128, head.end(), "DICM")) return Look::kDicom;
  if (got < 16) return Look::kForeign;
  // Without the Part 10 preamble: a data set starts with group 0002 or 0008, in one byte order or the other.
  const auto byte = [&](int i) { return static_cast<unsigned char>(head[static_cast<std::size_t>(i)]); };
  const bool little = (byte(0) == 2 || byte(0) == 8) && byte(1) == 0 && byte(3) <= 0x90;
  const bool big = byte(0) == 0 && (byte(1) == 2 || byte(1) == 8);
  return little || big ? Look::kMaybeDicom : Look::kForeign;
}

bool supportedSyntax(E_TransferSyntax syntax) {
  switch (syntax) {
    case EXS_LittleEndianImplicit:
    case EXS_LittleEndianExplicit:
    case EXS_BigEndianExplicit:
    case EXS_DeflatedLittleEndianExplicit:
    case EXS_RLELossless:
    case EXS_JPEGProcess1:
    case EXS_JPEGProcess2_4:
    case EXS_JPEGProcess14:
    case EXS_JPEGProcess14SV1:
    case EXS_JPEGLSLossless:
    case EXS_JPEGLSLossy:
      return true;
    default:
      return false;
  }
}

bool lossySyntax(E_TransferSyntax syntax) {
  return syntax == EXS_JPEGProcess1 || syntax == EXS_JPEGProcess2_4 || syntax == EXS_JPEGLSLossy;
}

std::string spaced(const std::string& keyword) {
  std::string out;
  const auto upper = [](char c) { return c >= 'A' && c <= 'Z'; };
  for (std::size_t i = 0; i < keyword.size(); ++i) {
    const bool word = i > 0 && upper(keyword[i]) && keyword[i - 1] != ' ' &&
                      (!upper(keyword[i - 1]) ||
                       (i + 1 < keyword.size() && std::islower(static_cast<unsigned char>(keyword[i + 1]))));
    if (word) out += ' ';
    out += keyword[i];
  }
  return out;
}

Message nameOfClass(const std::string& sop_class) {
  const char* name = dcmFindNameOfUID(sop_class.c_str());
  return name != nullptr ? Message::quoted(spaced(name))
                         : Message("dicom.sop_class", {{"to_utf8", toUtf8(sop_class, "")}});
}

Message syntaxText(const DcmXfer& syntax, const std::string& uid) {
  if (syntax.getXfer() != EXS_Unknown) return Message::quoted(syntax.getXferName());
  return uid.empty() ? Message("dicom.unnamed_transfer_syntax")
                     : Message("dicom.transfer_syntax", {{"to_utf8", toUtf8(uid, "")}});
}

void readPixelFormat(DcmDataset& data, Checker& check, PixelFormat& p) {
  const auto rows = check.integer(data, attr::kRows, 1, 65535);
  const auto columns = check.integer(data, attr::kColumns, 1, 65535);
  const auto allocated = check.integer(data, attr::kBitsAllocated, 1, 64);
  const auto stored = check.integer(data, attr::kBitsStored, 1, 64);
  const auto representation = check.integer(data, attr::kPixelRepresentation, 0, 1);
  if (!rows || !columns || !allocated || !stored || !representation) return;
  if (*allocated != 8 && *allocated != 16) {
    check.fault(attr::kBitsAllocated,
                Message("dicom.bits_allocated_has_16", {{"allocated", *allocated}, {"image", check.image}}), check.ask);
    return;
  }
  long long high = *stored - 1;
  if (const auto given = parseInteger(text(data, attr::kHighBit))) high = *given;
  if (*stored > *allocated || high >= *allocated || high < *stored - 1) {
    check.fault(attr::kBitsStored,
                Message("dicom.bits_allocated_bits_stored_high_bit",
                        {{"allocated", *allocated}, {"stored", *stored}, {"high", high}}),
                check.ask);
    return;
  }
  p.rows = static_cast<int>(*rows);
  p.columns = static_cast<int>(*columns);
  p.bits_allocated = static_cast<int>(*allocated);
  p.bits_stored = static_cast<int>(*stored);
  p.high_bit = static_cast<int>(high);
  p.is_signed = *representation == 1;
  if (text(data, attr::kNumberOfFrames).empty()) {
    p.frames = 1;
  } else if (const auto frames =
                 check.integer(data, attr::kNumberOfFrames, 1, std::numeric_limits<std::int32_t>::max())) {
    p.frames = *frames;
  }
  // US or SS by Pixel Representation; writers mix them up, so only the 16 bits count.
  if (const auto padding = parseInteger(text(data, attr::kPadding))) {
    const auto word = [&](long long v) {
      const auto bits = static_cast<std::uint16_t>(v & 0xffff);
      return p.is_signed ? static_cast<int>(static_cast<std::int16_t>(bits)) : static_cast<int>(bits);
    };
    p.has_padding = true;
    p.padding_low = p.padding_high = word(*padding);
    if (const auto limit = parseInteger(text(data, attr::kPaddingLimit))) {
      p.padding_low = std::min(p.padding_low, word(*limit));
      p.padding_high = std::max(p.padding_high, word(*limit));
    }
  }
}

}  // namespace rayset::dicom
