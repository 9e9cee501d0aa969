#include "image/filters.h"

#include <fmt/format.h>
#include <itkBinaryFillholeImageFilter.h>
#include <itkConnectedComponentImageFilter.h>
#include <itkImageFileReader.h>
#include <itkImageFileWriter.h>
#include <itkMorphologicalWatershedFromMarkersImageFilter.h>
#include <itkNrrdImageIO.h>
#include <itkRelabelComponentImageFilter.h>
#include <itkSignedMaurerDistanceMapImageFilter.h>
#include <itkSmoothingRecursiveGaussianImageFilter.h>
#include <tbb/blocked_range.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "image/itk_bridge.h"

namespace rayset {
namespace {

using itk_bridge::borrow;
using itk_bridge::Image;
using itk_bridge::take;

template <class T>
FloatVolume gaussian(const Volume<T>& in, double sigma_mm) {
  if (in.grid.size.minCoeff() < 4) {  // the recursive filter needs four samples per line
    FloatVolume copy;
    copy.grid = in.grid;
    copy.voxels.assign(in.voxels.begin(), in.voxels.end());
    return copy;
  }
  auto filter = itk::SmoothingRecursiveGaussianImageFilter<Image<T>, Image<float>>::New();
  filter->SetInput(borrow(in));
  filter->SetSigma(sigma_mm);
  filter->Update();
  return take<float>(filter->GetOutput(), in.grid);
}

/// Distance to the nearest voxel of the mask: a ball dilation or erosion is a threshold of it, at any radius.
FloatVolume distanceTo(const LabelVolume& mask) {
  auto filter = itk::SignedMaurerDistanceMapImageFilter<Image<std::uint8_t>, Image<float>>::New();
  filter->SetInput(borrow(mask));
  filter->SetBackgroundValue(0);
  filter->SetInsideIsPositive(false);
  filter->SetSquaredDistance(false);
  filter->SetUseImageSpacing(true);
  filter->Update();
  return take<float>(filter->GetOutput(), mask.grid);
}

bool anySet(const LabelVolume& mask) {
  return std::any_of(mask.voxels.begin(), mask.voxels.end(), [](std::uint8_t v) { return v != 0; });
}

LabelVolume inverted(const LabelVolume& mask) {
  LabelVolume out(mask.grid);
  std::transform(mask.voxels.begin(), mask.voxels.end(), out.voxels.begin(),
                 [](std::uint8_t v) { return static_cast<std::uint8_t>(v == 0 ? 1 : 0); });
  return out;
}

/// A rim of empty voxels, so that closing and erosion treat the border of the grid as outside without losing anything
/// there.
template <class T>
Volume<T> padded(const Volume<T>& in, int rim, T fill) {
  Grid grid = in.grid;
  grid.size += Eigen::Vector3i::Constant(2 * rim);
  grid.origin = in.grid.toPatient(Vec3::Constant(-rim));
  Volume<T> out(grid, fill);
  for (int k = 0; k < in.grid.size.z(); ++k) {
    for (int j = 0; j < in.grid.size.y(); ++j) {
      const T* from = &in.at(0, j, k);
      std::copy(from, from + in.grid.size.x(), &out.at(rim, j + rim, k + rim));
    }
  }
  return out;
}

template <class T>
Volume<T> resampleLinear(const Volume<T>& in, const Grid& grid, T outside) {
  Volume<T> out(grid);
  tbb::parallel_for(tbb::blocked_range<int>(0, grid.size.z()), [&](const tbb::blocked_range<int>& range) {
    for (int k = range.begin(); k < range.end(); ++k) {
      for (int j = 0; j < grid.size.y(); ++j) {
        for (int i = 0; i < grid.size.x(); ++i) {
          const double v = sampleLinear(in, grid.toPatient(Vec3(i, j, k)), static_cast<double>(outside));
          if constexpr (std::is_integral_v<T>) {
            out.at(i, j, k) = static_cast<T>(std::lround(v));
          } else {
            out.at(i, j, k) = static_cast<T>(v);
          }
        }
      }
    }
  });
  return out;
}

template <class T>
Status writeAny(const std::filesystem::path& file, const Volume<T>& volume, bool compressed) {
  try {
    auto io = itk::NrrdImageIO::New();
    auto writer = itk::ImageFileWriter<Image<T>>::New();
    writer->SetImageIO(io);
    writer->SetFileName(file.string());
    writer->SetUseCompression(compressed);
    writer->SetInput(borrow(volume, true));
    writer->Update();
  } catch (const itk::ExceptionObject& e) {
    return fail(Fault::kInternal, Message("image.volume_could_not_written", {{"get_description", e.GetDescription()}}),
                file.string(), Message("image.check_free_space_permissions"));
  }
  return {};
}

template <class T>
Result<Volume<T>> readAny(const std::filesystem::path& file, const Message& what, const Message& wanted) {
  try {
    auto reader = itk::ImageFileReader<Image<T>>::New();
    reader->SetImageIO(itk::NrrdImageIO::New());
    reader->SetFileName(file.string());
    reader->Update();
    const Image<T>* image = reader->GetOutput();
    Grid grid;
    const auto size = image->GetLargestPossibleRegion().GetSize();
    for (unsigned k = 0; k < 3; ++k) {
      const int i = static_cast<int>(k);
      grid.size[i] = static_cast<int>(size[k]);
      grid.spacing[i] = image->GetSpacing()[k];
      grid.origin[i] = image->GetOrigin()[k];
      for (unsigned c = 0; c < 3; ++c) grid.direction(i, static_cast<int>(c)) = image->GetDirection()[k][c];
    }
    return take<T>(image, grid);
  } catch (const itk::ExceptionObject& e) {
    return fail(Fault::kRequest,
                Message("image.cannot_read", {{"what", what}, {"get_description", e.GetDescription()}}), file.string(),
                Message("image.give_nrrd_file", {{"wanted", wanted}}));
  }
}

}  // namespace

FloatVolume smoothGaussian(const FloatVolume& in, double sigma_mm) { return gaussian(in, sigma_mm); }
FloatVolume smoothGaussian(const CtVolume& in, double sigma_mm) { return gaussian(in, sigma_mm); }

FloatVolume signedDistance(const LabelVolume& mask) { return distanceTo(mask); }

LabelVolume watershed(const Volume<std::int16_t>& landscape, const LabelVolume& markers) {
  auto filter = itk::MorphologicalWatershedFromMarkersImageFilter<Image<std::int16_t>, Image<std::uint8_t>>::New();
  filter->SetInput1(borrow(landscape));
  filter->SetInput2(borrow(markers));
  filter->SetMarkWatershedLine(false);
  filter->SetFullyConnected(false);
  filter->Update();
  return take<std::uint8_t>(filter->GetOutput(), landscape.grid);
}

Volume<std::uint32_t> components(const LabelVolume& mask, std::size_t least_voxels, bool full) {
  auto connect = itk::ConnectedComponentImageFilter<Image<std::uint8_t>, Image<std::uint32_t>>::New();
  connect->SetInput(borrow(mask));
  connect->SetFullyConnected(full);
  connect->SetBackgroundValue(0);
  auto relabel = itk::RelabelComponentImageFilter<Image<std::uint32_t>, Image<std::uint32_t>>::New();
  relabel->SetInput(connect->GetOutput());
  relabel->SetMinimumObjectSize(least_voxels);
  relabel->Update();
  return take<std::uint32_t>(relabel->GetOutput(), mask.grid);
}

LabelVolume dilate(const LabelVolume& mask, double radius_mm) {
  LabelVolume out(mask.grid);
  if (!anySet(mask)) return out;
  const FloatVolume d = distanceTo(mask);
  for (std::size_t i = 0; i < out.voxels.size(); ++i) {
    out.voxels[i] = mask.voxels[i] != 0 || static_cast<double>(d.voxels[i]) <= radius_mm ? 1 : 0;
  }
  return out;
}

LabelVolume erode(const LabelVolume& mask, double radius_mm) {
  const LabelVolume background = padded(inverted(mask), 1, std::uint8_t{1});
  const LabelVolume grown = dilate(background, radius_mm);
  return inverted(crop(grown, Eigen::Vector3i::Ones(), mask.grid.size));
}

LabelVolume closing(const LabelVolume& mask, double radius_mm) {
  const int rim = static_cast<int>(std::ceil(radius_mm / mask.grid.spacing.minCoeff())) + 1;
  const LabelVolume wide = padded(mask, rim, std::uint8_t{0});
  const LabelVolume closed = erode(dilate(wide, radius_mm), radius_mm);
  LabelVolume out = crop(closed, Eigen::Vector3i::Constant(rim), mask.grid.size + Eigen::Vector3i::Constant(rim - 1));
  out.grid = mask.grid;
  return out;
}

LabelVolume opening(const LabelVolume& mask, double radius_mm) {
  LabelVolume out = dilate(erode(mask, radius_mm), radius_mm);
  for (std::size_t i = 0; i < out.voxels.size(); ++i) out.voxels[i] = out.voxels[i] != 0 && mask.voxels[i] != 0 ? 1 : 0;
  return out;
}

LabelVolume fillHoles(const LabelVolume& mask) {
  auto filter = itk::BinaryFillholeImageFilter<Image<std::uint8_t>>::New();
  filter->SetInput(borrow(mask));
  filter->SetForegroundValue(1);
  filter->SetFullyConnected(false);
  filter->Update();
  return take<std::uint8_t>(filter->GetOutput(), mask.grid);
}

CtVolume resample(const CtVolume& in, const Grid& grid, std::int16_t outside) {
  return resampleLinear(in, grid, outside);
}
FloatVolume resample(const FloatVolume& in, const Grid& grid, float outside) {
  return resampleLinear(in, grid, outside);
}

template <class T>
Volume<T> crop(const Volume<T>& in, const Eigen::Vector3i& low, const Eigen::Vector3i& high) {
  Grid grid = in.grid;
  grid.size = high - low + Eigen::Vector3i::Ones();
  grid.origin = in.grid.toPatient(low.cast<double>());
  Volume<T> out(grid);
  for (int k = 0; k < grid.size.z(); ++k) {
    for (int j = 0; j < grid.size.y(); ++j) {
      const T* from = &in.at(low.x(), low.y() + j, low.z() + k);
      std::copy(from, from + grid.size.x(), &out.at(0, j, k));
    }
  }
  return out;
}
template CtVolume crop(const CtVolume&, const Eigen::Vector3i&, const Eigen::Vector3i&);
template LabelVolume crop(const LabelVolume&, const Eigen::Vector3i&, const Eigen::Vector3i&);
template FloatVolume crop(const FloatVolume&, const Eigen::Vector3i&, const Eigen::Vector3i&);

Status writeNrrd(const std::filesystem::path& file, const LabelVolume& volume) { return writeAny(file, volume, true); }
Status writeNrrd(const std::filesystem::path& file, const CtVolume& volume, bool compressed) {
  return writeAny(file, volume, compressed);
}

Result<LabelVolume> readNrrdLabels(const std::filesystem::path& file) {
  return readAny<std::uint8_t>(file, Message("image.label_volume"), Message("image.8_bit_labels"));
}
Result<CtVolume> readNrrdCt(const std::filesystem::path& file) {
  return readAny<std::int16_t>(file, "image.volume", Message("image.16_bit_values"));
}

}  // namespace rayset
