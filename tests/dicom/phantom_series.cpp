#include "dicom/phantom_series.h"

#include <dcmtk/config/osconfig.h>
#include <dcmtk/dcmdata/dctk.h>
#include <fmt/format.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cmath>

#include "english.h"

namespace rayset::test {

namespace fs = std::filesystem;

TemporaryFolder::TemporaryFolder() {
  static std::atomic<int> number = 0;
  path_ = fs::temp_directory_path() / fmt::format("rayset-dicom-test-{}-{}", getpid(), ++number);
  fs::create_directories(path_);
}
TemporaryFolder::~TemporaryFolder() {
  std::error_code ignored;
  fs::remove_all(path_, ignored);
}

Grid testGrid(int columns, int rows, int slices, const Mat3& direction) {
  Grid g;
  g.size = {columns, rows, slices};
  g.spacing = {0.6, 0.5, 0.7};
  g.direction = direction;
  g.origin = Vec3(-12.5, 31.25, -407.125);
  return g;
}

double testHu(const Vec3& p) {
  // Wavelengths of 9 to 14 mm: sampled well by 0.7 mm voxels, different along every axis.
  const double wave =
      std::sin(p.x() / 1.7) + 0.8 * std::cos(p.y() / 1.9 + 0.4) + 0.6 * std::sin(p.z() / 2.2 + 0.3 * p.x());
  return 250 + 450 * wave;
}

CtVolume testVolume(const Grid& grid) {
  CtVolume v(grid);
  for (int k = 0; k < grid.size.z(); ++k)
    for (int j = 0; j < grid.size.y(); ++j)
      for (int i = 0; i < grid.size.x(); ++i)
        v.at(i, j, k) =
            static_cast<std::int16_t>(std::lround(std::clamp(testHu(grid.toPatient(Vec3(i, j, k))), -1024.0, 3000.0)));
  return v;
}

ScanInfo testInfo() {
  ScanInfo info;
  info.patient_name = "Müller^Zoë";
  info.patient_id = "RS-17";
  info.patient_sex = std::string("F");
  info.patient_birth_date = "19800229";
  info.study_date = "20240315";
  info.study_description = "CT Fuß links";
  info.accession = "A42";
  info.series_description = "Foot 0.7 Br59";
  info.series_number = std::string("4");
  info.manufacturer = "Invented";
  info.model = "Phantom 1";
  info.kernel = "Br59";
  info.body_part = "FOOT";
  info.laterality = std::string("L");
  info.patient_position = "FFS";
  info.kvp = 120;
  return info;
}

void writeSeries(const fs::path& folder, const CtVolume& volume, const CtWriteSettings& settings,
                 const ScanInfo& info) {
  const Status done = writeCt(folder, volume, info, settings);
  ASSERT_TRUE(done) << english(done.error());
}

void edit(const fs::path& file, const std::function<void(DcmDataset&)>& change) {
  DcmFileFormat format;
  ASSERT_TRUE(format.loadFile(file.c_str()).good()) << file;
  ASSERT_TRUE(format.loadAllDataIntoMemory().good());
  DcmDataset& data = *format.getDataset();
  const E_TransferSyntax syntax = data.getOriginalXfer();
  change(data);
  const OFCondition saved = format.saveFile(file.c_str(), syntax);
  ASSERT_TRUE(saved.good()) << saved.text();
}

std::vector<fs::path> dicomFiles(const fs::path& folder) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(folder))
    if (entry.path().extension() == ".dcm") files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  return files;
}

void editAll(const fs::path& folder, const std::function<void(DcmDataset&, int)>& change) {
  int k = 0;
  for (const fs::path& file : dicomFiles(folder)) {
    edit(file, [&](DcmDataset& d) { change(d, k); });
    ++k;
  }
}

fs::path imageFile(const fs::path& folder, int number) { return folder / fmt::format("IM{:04d}.dcm", number); }

bool cautioned(const CtScan& scan, const std::string& text) {
  return std::any_of(scan.cautions.begin(), scan.cautions.end(),
                     [&](const Message& c) { return english(c).find(text) != std::string::npos; });
}

}  // namespace rayset::test
