// Small made-up CT volumes and edited series for the DICOM tests.
#pragma once

#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "dicom/ct_reader.h"
#include "dicom/ct_writer.h"

class DcmDataset;
class DcmFileFormat;

namespace rayset::test {

/// A folder of its own, removed at the end of the test.
class TemporaryFolder {
 public:
  TemporaryFolder();
  ~TemporaryFolder();
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  [[nodiscard]] std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

 private:
  std::filesystem::path path_;
};

/// A grid with the given normal directions; 0.6 x 0.5 mm pixels, 0.7 mm slices unless changed.
[[nodiscard]] Grid testGrid(int columns, int rows, int slices, const Mat3& direction = Mat3::Identity());
/// Air with a smooth bone-like blob off centre, so that no mirror image or wrong order of it looks the same.
[[nodiscard]] CtVolume testVolume(const Grid& grid);
/// The HU of testVolume at a patient point (smooth, so it can be compared after resampling).
[[nodiscard]] double testHu(const Vec3& p);
[[nodiscard]] ScanInfo testInfo();

/// Writes a series and expects success.
void writeSeries(const std::filesystem::path& folder, const CtVolume& volume, const CtWriteSettings& settings = {},
                 const ScanInfo& info = testInfo());

/// Loads the file with plain DCMTK, lets `change` edit it, saves it with its transfer syntax.
void edit(const std::filesystem::path& file, const std::function<void(DcmDataset&)>& change);
/// The same for every .dcm file of a folder, in order of name.
void editAll(const std::filesystem::path& folder, const std::function<void(DcmDataset&, int)>& change);
[[nodiscard]] std::vector<std::filesystem::path> dicomFiles(const std::filesystem::path& folder);
[[nodiscard]] std::filesystem::path imageFile(const std::filesystem::path& folder, int number);

/// Any caution that holds `text`.
[[nodiscard]] bool cautioned(const CtScan& scan, const std::string& text);

}  // namespace rayset::test
