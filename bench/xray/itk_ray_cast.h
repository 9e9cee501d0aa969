// ITK's ray casting of the same volume, to compare with in tests and benchmark.
#pragma once

#include <itkEuler3DTransform.h>
#include <itkRayCastInterpolateImageFunction.h>
#include <itkResampleImageFilter.h>

#include <span>
#include <vector>

#include "image/itk_bridge.h"
#include "xray/projection.h"

namespace rayset {

/// Line integrals of the view by RayCastInterpolateImageFunction and ResampleImageFilter with `threads` work units;
/// values must not be negative. ITK's function knows no direction cosines: the volume's must be the identity.
template <class T>
std::vector<float> itkRayCast(const Volume<T>& volume, const ProjectionView& view, unsigned threads) {
  using In = itk::Image<T, 3>;
  using Out = itk::Image<float, 3>;
  const typename In::Pointer image = itk_bridge::borrow(volume, true);
  auto transform = itk::Euler3DTransform<double>::New();
  auto rays = itk::RayCastInterpolateImageFunction<In, double>::New();
  rays->SetTransform(transform);
  rays->SetThreshold(0);
  auto filter = itk::ResampleImageFilter<In, Out>::New();
  filter->SetInput(image);
  filter->SetTransform(transform);
  filter->SetInterpolator(rays);
  filter->SetDefaultPixelValue(0);
  filter->SetNumberOfWorkUnits(threads);
  typename itk::RayCastInterpolateImageFunction<In, double>::InputPointType focus;
  Out::PointType origin;
  Out::DirectionType direction;
  const Vec3 normal = view.normal();
  for (unsigned k = 0; k < 3; ++k) {
    const auto e = static_cast<int>(k);
    focus[k] = view.source[e];
    origin[k] = view.detector[e];
    direction[k][0] = view.right[e];
    direction[k][1] = view.down[e];
    direction[k][2] = normal[e];
  }
  rays->SetFocalPoint(focus);
  Out::SizeType size;
  size[0] = static_cast<itk::SizeValueType>(view.columns);
  size[1] = static_cast<itk::SizeValueType>(view.rows);
  size[2] = 1;
  filter->SetSize(size);
  filter->SetOutputOrigin(origin);
  filter->SetOutputDirection(direction);
  Out::SpacingType spacing;
  spacing.Fill(view.pixel_mm);
  filter->SetOutputSpacing(spacing);
  filter->Update();
  const float* pixels = filter->GetOutput()->GetBufferPointer();
  return {pixels, pixels + static_cast<std::size_t>(view.columns) * static_cast<std::size_t>(view.rows)};
}

}  // namespace rayset
