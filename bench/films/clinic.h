// Films as a clinic's unit makes them: a beam of several energies, the heel effect, a focal spot that has a size,
// scatter, grain, an S-shaped grey scale, 12 bits and a collimator.
#pragma once

#include <array>
#include <random>

#include "image/film.h"
#include "image/volume.h"
#include "xray/projection.h"

namespace rayset::films_bench {

/// What a volume is made of, by voxel: soft tissue as its equivalent of water, compact bone, steel; shares from 0 on.
struct Materials {
  FloatVolume soft, bone, steel;
};
/// From a scan without metal; `bone` is what exceeds 100 HU.
[[nodiscard]] Materials materialsOf(const CtVolume& ct);

/// The exposed part of a film: columns [left, right), rows [top, bottom).
struct Collimated {
  int left = 0, top = 0, right = 0, bottom = 0;
};

/// Bone bright, 0 to 4095; outside `field` black. Line integrals by ITK's ray caster (itk_ray_cast.h).
[[nodiscard]] Film clinicalFilm(const Materials& materials, const ProjectionView& view, const Collimated& field,
                                double photons, double scatter, std::mt19937_64& generator);

}  // namespace rayset::films_bench
