// Putting attributes into DICOM objects, shared by the writers of CT and films. Includes DCMTK: only for sources of
// this stage.
#pragma once

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>

#include <filesystem>
#include <initializer_list>
#include <string>

#include "dicom/ct_writer.h"
#include "dicom/uid.h"

namespace rayset::dicom {

/// A decimal string of at most 16 characters (PS3.5 6.2), as exact as that allows.
[[nodiscard]] std::string ds(double value);
[[nodiscard]] std::string dsList(std::initializer_list<double> values);
/// At most `most` characters (not bytes) of UTF-8, without backslashes.
[[nodiscard]] std::string cut(const std::string& text, std::size_t most);
/// Only complete dates are written (DA: YYYYMMDD).
[[nodiscard]] std::string date(const std::string& text);

/// What an identifier in this role is made of: the study, for images of scans and films alike.
template <class Info>
[[nodiscard]] Hash studyHash(const char* role, std::uint64_t seed, const Info& info) {
  return Hash()
      .add(role)
      .add(seed)
      .add(info.patient_name)
      .add(info.patient_id)
      .add(info.study_date)
      .add(info.accession)
      .add(info.study_description);
}

/// Puts values and remembers the first refusal.
class Writer {
 public:
  explicit Writer(DcmItem& item, OFCondition& status) : item_(item), status_(status) {}
  Writer& text(const DcmTagKey& tag, const std::string& value) {
    return keep(item_.putAndInsertString(tag, value.c_str()));
  }
  Writer& us(const DcmTagKey& tag, int value) {
    return keep(item_.putAndInsertUint16(tag, static_cast<Uint16>(value)));
  }
  Writer& ul(const DcmTagKey& tag, unsigned value) { return keep(item_.putAndInsertUint32(tag, value)); }
  Writer& fd2(const DcmTagKey& tag, double a, double b) {
    const Float64 values[] = {a, b};
    return keep(item_.putAndInsertFloat64Array(tag, values, 2));
  }
  Writer& at(const DcmTagKey& tag, const DcmTagKey& value) { return keep(item_.putAndInsertTagKey(tag, value)); }
  Writer& fd(const DcmTagKey& tag, double value) { return keep(item_.putAndInsertFloat64(tag, value)); }
  /// A new item at the end of a sequence.
  Writer item(const DcmTagKey& sequence) {
    DcmItem* made = nullptr;
    keep(item_.findOrCreateSequenceItem(sequence, made, -2));
    return Writer(made ? *made : item_, status_);
  }
  Writer& empty(const DcmTagKey& sequence) { return keep(item_.insertEmptyElement(sequence)); }
  Writer& code(const DcmTagKey& sequence, const char* value, const char* scheme, const char* meaning) {
    item(sequence).text(DCM_CodeValue, value).text(DCM_CodingSchemeDesignator, scheme).text(DCM_CodeMeaning, meaning);
    return *this;
  }

 private:
  Writer& keep(const OFCondition& c) {
    if (status_.good() && c.bad()) status_ = c;
    return *this;
  }
  DcmItem& item_;
  OFCondition& status_;
};

/// Compresses and saves; DCMTK's own message if it refuses.
[[nodiscard]] OFCondition saveObject(DcmFileFormat& format, CtWriteSettings::Compression compression,
                                     const std::filesystem::path& file);

}  // namespace rayset::dicom
