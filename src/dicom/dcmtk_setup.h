// One-time preparation of DCMTK: codecs registered, its own log silenced (errors reach the user as values).
#pragma once

namespace rayset::dicom {

/// Safe to call from any thread, any number of times. Registers RLE, JPEG and JPEG-LS decoders and encoders and loads
/// the data dictionary, so that parallel reading never initialises shared state.
void prepareDcmtk();

}  // namespace rayset::dicom
