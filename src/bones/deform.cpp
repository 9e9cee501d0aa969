#include "bones/deform.h"

#include <algorithm>
#include <cmath>

namespace rayset::bones {
namespace {
constexpr double kLeastCosine = 0.3;  ///< between the normals of a vertex and of an edge it follows
}  // namespace

void layOn(const TemplateBone& model, const BonePose& pose, DeformedBone& bone) {
  bone.mesh = model.mesh;
  for (auto& v : bone.mesh.vertices) v = pose.apply(v);
  bone.normals = vertexNormals(bone.mesh);
}

std::vector<DeformedBone> posedMeshes(const TemplateFoot& foot, const Articulation& articulation) {
  std::vector<DeformedBone> out(foot.bones.size());
  for (std::size_t n = 0; n < foot.bones.size(); ++n) {
    const auto& fit = articulation.bones[n];
    out[n].id = fit.id;
    out[n].found = fit.found;
    if (!fit.found) continue;
    layOn(foot.bones[n], fit.pose, out[n]);
  }
  return out;
}

std::vector<std::int16_t> ownersOf(const std::vector<DeformedBone>& bones, const EdgeField& edges, double reach_mm) {
  std::vector<EdgePoint> surface;
  std::vector<std::int16_t> bone;
  for (std::size_t b = 0; b < bones.size(); ++b) {
    if (!bones[b].found) continue;
    for (std::size_t v = 0; v < bones[b].mesh.vertices.size(); ++v) {
      surface.push_back({bones[b].mesh.vertices[v], bones[b].normals[v], 1.0F, false});
      bone.push_back(static_cast<std::int16_t>(b));
    }
  }
  return nearestOwners(edges, std::move(surface), bone, reach_mm, 0.2);
}

void deform(DeformedBone& bone, const EdgeField& edges, const std::vector<std::int16_t>& owner, std::int16_t self,
            const ScanImage& scan, const DeformSettings& settings) {
  if (!bone.found || bone.mesh.empty()) return;
  const std::size_t count = bone.mesh.vertices.size();
  const VertexRings rings = vertexRings(bone.mesh);
  std::vector<Vec3> target(count), move(count), next(count);
  std::vector<double> weight(count);
  for (int iteration = 0; iteration < settings.iterations; ++iteration) {
    const double t = settings.iterations > 1 ? static_cast<double>(iteration) / (settings.iterations - 1) : 1.0;
    const double reach = settings.start_reach_mm * std::pow(settings.end_reach_mm / settings.start_reach_mm, t);
    const double stiffness = settings.start_stiffness * std::pow(settings.end_stiffness / settings.start_stiffness, t);
    std::size_t visible = 0, near = 0;
    for (std::size_t v = 0; v < count; ++v) {
      weight[v] = 0;
      target[v].setZero();
      const Vec3& p = bone.mesh.vertices[v];
      const Vec3& n = bone.normals[v];
      if (scan.grey.depth(p) < 0.7 && scan.nearScanBorder(p, 0.8)) continue;
      ++visible;
      EdgeField::Match found[5];
      const std::size_t matches = edges.nearest(p, n, 5, found, EdgeField::cost(1.5 * reach, kLeastCosine));
      for (std::size_t k = 0; k < matches; ++k) {
        const std::int16_t o = owner[found[k].index];
        if (o >= 0 && o != self) continue;
        const auto& e = edges.points()[found[k].index];
        const double cosine = e.normal.dot(n), r = e.normal.dot(e.position - p), distance = (e.position - p).norm();
        if (cosine < kLeastCosine || distance > 1.5 * reach) break;
        const double u = distance / (1.5 * reach);
        weight[v] = cosine * (1 - u * u) * (1 - u * u) * (o == self ? 1.0 : 0.6);
        // Along the edge's normal only: sliding along the surface would crowd the vertices.
        target[v] = r * e.normal;
        if (distance < 1.3 && std::abs(r) < 0.8 && cosine > 0.6) ++near;
        break;
      }
    }
    bone.visible = static_cast<double>(visible) / static_cast<double>(count);
    bone.supported = static_cast<double>(near) / static_cast<double>(std::max<std::size_t>(1, visible));
    for (std::size_t v = 0; v < count; ++v) move[v] = weight[v] > 0 ? target[v] : Vec3::Zero();
    const int sweeps = 12 + static_cast<int>(2 * std::sqrt(stiffness) * 4);
    for (int sweep = 0; sweep < sweeps; ++sweep) {
      for (std::size_t v = 0; v < count; ++v) {
        Vec3 sum = Vec3::Zero();
        const std::uint32_t from = rings.first[v], to = rings.first[v + 1];
        for (std::uint32_t a = from; a < to; ++a) sum += move[rings.ring[a]];
        const double s = to > from ? stiffness : 0.0;
        const double total = weight[v] + s + 1e-9;
        next[v] = (weight[v] * target[v] + s * sum / std::max(1U, to - from)) / total;
      }
      move.swap(next);
    }
    for (std::size_t v = 0; v < count; ++v) bone.mesh.vertices[v] += move[v];
    bone.normals = vertexNormals(bone.mesh);
  }
}

}  // namespace rayset::bones
