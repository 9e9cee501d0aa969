#include "dicom/dcmtk_setup.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dcdict.h>
#include <dcmtk/dcmdata/dcobject.h>
#include <dcmtk/dcmdata/dcrledrg.h>
#include <dcmtk/dcmdata/dcrleerg.h>
#include <dcmtk/dcmjpeg/djdecode.h>
#include <dcmtk/dcmjpeg/djencode.h>
#include <dcmtk/dcmjpls/djdecode.h>
#include <dcmtk/dcmjpls/djencode.h>
#include <dcmtk/oflog/oflog.h>

#include <mutex>

namespace rayset::dicom {

void prepareDcmtk() {
  static std::once_flag once;
  std::call_once(once, [] {
    OFLog::configure(OFLogger::OFF_LOG_LEVEL);
    DcmRLEDecoderRegistration::registerCodecs();
    DJDecoderRegistration::registerCodecs();
    DJLSDecoderRegistration::registerCodecs();
    DcmRLEEncoderRegistration::registerCodecs();
    DJEncoderRegistration::registerCodecs();
    // Raw encoding keeps the stored words as they are; the other way ("cooked") sign-extends 12-bit signed values and
    // then trips an assertion of the encoder.
    DJLSEncoderRegistration::registerCodecs(0, 0, 0, 0, OFFalse);
    dcmEnableUnknownVRConversion.set(OFTrue);  // archives rewrite attributes they do not know as UN
    // The dictionary loads itself on first use; do it here, before threads start.
    dcmDataDict.rdlock();
    dcmDataDict.rdunlock();
  });
}

}  // namespace rayset::dicom
