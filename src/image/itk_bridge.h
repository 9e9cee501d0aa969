// Private to src/image and src/bones: views of our volumes as ITK images. Include only in .cpp files.
#pragma once

#include <itkImage.h>
#include <itkImportImageFilter.h>

#include "image/volume.h"

namespace rayset::itk_bridge {

template <class T>
using Image = itk::Image<T, 3>;

/// An ITK image that borrows the voxels; the volume must outlive it. With `placed` false the direction is the identity
/// and the origin zero: filters that work in index space need neither (and ITK rejects slightly non-orthonormal
/// directions).
template <class T>
[[nodiscard]] typename Image<T>::Pointer borrow(const Volume<T>& volume, bool placed = false) {
  auto import = itk::ImportImageFilter<T, 3>::New();
  typename itk::ImportImageFilter<T, 3>::SizeType size;
  double spacing[3], origin[3];
  for (unsigned k = 0; k < 3; ++k) {
    size[k] = static_cast<itk::SizeValueType>(volume.grid.size[static_cast<int>(k)]);
    spacing[k] = volume.grid.spacing[static_cast<int>(k)];
    origin[k] = placed ? volume.grid.origin[static_cast<int>(k)] : 0.0;
  }
  typename itk::ImportImageFilter<T, 3>::IndexType start;
  start.Fill(0);
  import->SetRegion({start, size});
  import->SetSpacing(spacing);
  import->SetOrigin(origin);
  if (placed) {
    typename itk::ImportImageFilter<T, 3>::DirectionType direction;
    for (unsigned r = 0; r < 3; ++r) {
      for (unsigned c = 0; c < 3; ++c)
        direction[r][c] = volume.grid.direction(static_cast<int>(r), static_cast<int>(c));
    }
    import->SetDirection(direction);
  }
  // ITK's interface is not const correct; the importer does not write and does not own.
  import->SetImportPointer(const_cast<T*>(volume.voxels.data()), volume.voxels.size(), false);
  import->Update();
  typename Image<T>::Pointer image = import->GetOutput();
  image->DisconnectPipeline();
  return image;
}

/// Copies an ITK image's buffer into a volume on `grid` (same size).
template <class U, class T>
[[nodiscard]] Volume<U> take(const Image<T>* image, const Grid& grid) {
  Volume<U> out;
  out.grid = grid;
  const T* from = image->GetBufferPointer();
  out.voxels.assign(from, from + grid.count());
  return out;
}

}  // namespace rayset::itk_bridge
