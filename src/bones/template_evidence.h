// What the template segmenter measures of a bone on the scan, the template and the surface; confidence.h judges it.
#pragma once

#include <array>

namespace rayset {

/// Anything farther than this beyond the bent template is hardly the same bone.
inline constexpr double kStandsOffMm = 4;

/// What was measured of one bone. Lengths in mm, grey values in HU, fractions of the bone's surface from 0 to 1.
struct TemplateEvidence {
  double outline = 1;       ///< fraction of the surface (in view) placed by a clear edge of its own
  double match = 1;         ///< how well the rigid template matched the edges (FitResult::score)
  double touching = 0;      ///< fraction that lies against other bones without a visible gap
  double volume_ratio = 1;  ///< volume relative to what the size of the tarsus suggests; 1 if nothing is expected
  double cut = 0;           ///< fraction that lies on a border of the scan
  double contrast = 900;    ///< median of grey values 1 mm inside minus those 1.5 mm outside the surface
  double noise = 20;        ///< of single voxels in soft tissue
  double metal = 0;         ///< fraction within 4 mm of metal
  double strayed = 0;       ///< fraction more than 1.5 mm from the bent template
  double missed = 0;        ///< fraction of the bent template (in view) more than 1.5 mm from the surface
  double buried = 0;  ///< fraction where bone continues beyond the surface and no gap shows where the surface should be
  double open_end = 0;  ///< of a long bone: fraction of an end's face that is buried; a shaft cut across shows nearly 1
  double length_ratio =
      1;  ///< of a metatarsal: its length relative to what the others suggest; 1 if nothing is expected
  double stands_off_mm2 = 0;    ///< of a metatarsal: area beyond kStandsOffMm; 0 of others
  double dense_inside_mm3 = 0;  ///< dense bone deep inside, except in shafts: plates of a joint that was missed
};

/// The evidence as it is written (plan.json, bench_confidence), in order: key, member, digits after the point.
struct EvidenceField {
  const char* key;
  double TemplateEvidence::*value;
  int digits;
};
inline constexpr std::array<EvidenceField, 15> kEvidenceFields{
    {{"outline", &TemplateEvidence::outline, 4},
     {"match", &TemplateEvidence::match, 4},
     {"touching", &TemplateEvidence::touching, 4},
     {"volume_ratio", &TemplateEvidence::volume_ratio, 4},
     {"cut", &TemplateEvidence::cut, 4},
     {"contrast_hu", &TemplateEvidence::contrast, 1},
     {"noise_hu", &TemplateEvidence::noise, 1},
     {"metal", &TemplateEvidence::metal, 4},
     {"strayed", &TemplateEvidence::strayed, 4},
     {"missed", &TemplateEvidence::missed, 4},
     {"buried", &TemplateEvidence::buried, 4},
     {"open_end", &TemplateEvidence::open_end, 4},
     {"length_ratio", &TemplateEvidence::length_ratio, 4},
     {"stands_off_mm2", &TemplateEvidence::stands_off_mm2, 1},
     {"dense_inside_mm3", &TemplateEvidence::dense_inside_mm3, 1}}};

}  // namespace rayset
