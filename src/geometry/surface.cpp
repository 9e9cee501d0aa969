#include "geometry/surface.h"

#include <algorithm>
#include <cmath>
#include <cstring>
#include <fstream>
#include <numbers>
#include <numeric>
#include <random>
#include <sstream>
#include <unordered_map>

namespace rayset {
namespace {

Vec3 faceCross(const Surface& s, const Surface::Triangle& t) {
  return (s.vertices[t[1]] - s.vertices[t[0]]).cross(s.vertices[t[2]] - s.vertices[t[0]]);
}

std::uint64_t edgeKey(std::uint32_t a, std::uint32_t b) { return (static_cast<std::uint64_t>(a) << 32) | b; }
/// The same for both directions of the edge.
std::uint64_t edgeKeyBothWays(std::uint32_t a, std::uint32_t b) { return edgeKey(std::min(a, b), std::max(a, b)); }

struct CellHash {
  std::size_t operator()(const std::array<std::int64_t, 3>& c) const {
    std::uint64_t h = 0x9E3779B97F4A7C15ull;
    for (const std::int64_t v : c) h = (h ^ static_cast<std::uint64_t>(v)) * 0xBF58476D1CE4E5B9ull + (h >> 29);
    return static_cast<std::size_t>(h);
  }
};

Result<Surface> readAsciiStl(std::istream& in, const std::string& name) {
  Surface s;
  std::string word;
  std::vector<Vec3> corners;
  while (in >> word) {
    if (word == "vertex") {
      Vec3 v;
      if (!(in >> v.x() >> v.y() >> v.z())) {
        return fail(Fault::kRequest, "geometry.stl_text_breaks_off_within_vertex", name,
                    Message("geometry.export_surface_again"));
      }
      corners.push_back(v);
    }
  }
  if (corners.empty() || corners.size() % 3 != 0) {
    return fail(Fault::kRequest, "geometry.file_no_complete_stl_surface", name,
                Message("geometry.export_surface_again"));
  }
  s.vertices = std::move(corners);
  for (std::uint32_t i = 0; i + 2 < s.vertices.size(); i += 3) s.triangles.push_back({i, i + 1, i + 2});
  return s;
}

}  // namespace

Surface transformed(const Surface& surface, const Rigid& X) {
  Surface out = surface;
  for (Vec3& v : out.vertices) v = X * v;
  return out;
}

Surface mirrored(const Surface& surface) {
  Surface out = surface;
  for (Vec3& v : out.vertices) v.x() = -v.x();
  for (auto& t : out.triangles) std::swap(t[1], t[2]);
  return out;
}

Surface merged(const std::vector<const Surface*>& parts) {
  Surface out;
  for (const Surface* part : parts) {
    const auto base = static_cast<std::uint32_t>(out.vertices.size());
    out.vertices.insert(out.vertices.end(), part->vertices.begin(), part->vertices.end());
    for (const auto& t : part->triangles) out.triangles.push_back({t[0] + base, t[1] + base, t[2] + base});
  }
  return out;
}

double volume(const Surface& surface) {
  if (surface.vertices.empty()) return 0;
  const Vec3 origin = surface.vertices.front();  // near the surface: keeps the sum well conditioned
  double six = 0;
  for (const auto& t : surface.triangles) {
    six +=
        (surface.vertices[t[0]] - origin).dot((surface.vertices[t[1]] - origin).cross(surface.vertices[t[2]] - origin));
  }
  return six / 6;
}

double area(const Surface& surface) {
  double twice = 0;
  for (const auto& t : surface.triangles) twice += faceCross(surface, t).norm();
  return twice / 2;
}

Vec3 centroid(const Surface& surface) {
  if (surface.vertices.empty()) return Vec3::Zero();
  const Vec3 origin = surface.vertices.front();
  Vec3 moment = Vec3::Zero();
  double six = 0;
  for (const auto& t : surface.triangles) {
    const Vec3 a = surface.vertices[t[0]] - origin, b = surface.vertices[t[1]] - origin,
               c = surface.vertices[t[2]] - origin;
    const double v = a.dot(b.cross(c));
    six += v;
    moment += v * (a + b + c) / 4;
  }
  if (std::abs(six) < 1e-12) {  // an open or flat mesh has no volume: mean of its vertices
    return std::accumulate(surface.vertices.begin(), surface.vertices.end(), Vec3(Vec3::Zero())) /
           static_cast<double>(surface.vertices.size());
  }
  return origin + moment / six;
}

Box bounds(const Surface& surface) {
  Box box;
  for (const Vec3& v : surface.vertices) box.extend(v);
  return box;
}

std::vector<Vec3> vertexNormals(const Surface& surface) {
  std::vector<Vec3> normals(surface.vertices.size(), Vec3::Zero());
  for (const auto& t : surface.triangles) {
    const Vec3 n = faceCross(surface, t);
    const double length = n.norm();
    if (length <= 0) continue;
    for (std::size_t k = 0; k < 3; ++k) {
      const Vec3 a = surface.vertices[t[(k + 1) % 3]] - surface.vertices[t[k]];
      const Vec3 b = surface.vertices[t[(k + 2) % 3]] - surface.vertices[t[k]];
      normals[t[k]] += std::atan2(a.cross(b).norm(), a.dot(b)) * n / length;
    }
  }
  for (Vec3& n : normals) {
    const double length = n.norm();
    n = length > 0 ? Vec3(n / length) : Vec3(Vec3::UnitZ());
  }
  return normals;
}

bool isClosed(const Surface& surface) {
  if (surface.triangles.empty()) return false;
  std::unordered_map<std::uint64_t, int> uses;
  uses.reserve(surface.triangles.size() * 3);
  for (const auto& t : surface.triangles) {
    for (std::size_t k = 0; k < 3; ++k) {
      if (t[k] == t[(k + 1) % 3]) return false;
      if (++uses[edgeKey(t[k], t[(k + 1) % 3])] > 1) return false;
    }
  }
  return std::all_of(uses.begin(), uses.end(), [&](const auto& edge) {
    const auto a = static_cast<std::uint32_t>(edge.first >> 32), b = static_cast<std::uint32_t>(edge.first);
    return uses.contains(edgeKey(b, a));
  });
}

Surface withoutFlaps(Surface surface) {
  for (;;) {  // a flap may be attached to another
    std::unordered_map<std::uint64_t, int> uses;
    for (const auto& t : surface.triangles)
      for (std::size_t k = 0; k < 3; ++k) ++uses[edgeKeyBothWays(t[k], t[(k + 1) % 3])];
    const std::size_t flaps = std::erase_if(surface.triangles, [&](const auto& t) {
      int open = 0;
      for (std::size_t k = 0; k < 3; ++k) open += uses.at(edgeKeyBothWays(t[k], t[(k + 1) % 3])) == 1 ? 1 : 0;
      return open >= 2;
    });
    if (flaps == 0) return surface;
  }
}

std::vector<OrientedPoint> sampleEvenly(const Surface& surface, std::size_t count, std::uint32_t seed) {
  std::vector<OrientedPoint> points;
  const double total = area(surface);
  if (total <= 0 || count == 0) return points;
  points.reserve(count + 1);
  std::mt19937 random(seed);
  const auto uniform = [&random] { return (static_cast<double>(random()) + 0.5) / 4294967296.0; };
  const double step = total / static_cast<double>(count);
  double next = step * uniform(), done = 0;
  for (const auto& t : surface.triangles) {
    const Vec3 cross = faceCross(surface, t);
    const double norm = cross.norm();
    done += norm / 2;
    while (next < done) {
      double u = uniform(), v = uniform();
      if (u + v > 1) {
        u = 1 - u;
        v = 1 - v;
      }
      points.push_back({surface.vertices[t[0]] + u * (surface.vertices[t[1]] - surface.vertices[t[0]]) +
                            v * (surface.vertices[t[2]] - surface.vertices[t[0]]),
                        cross / norm});
      next += step;
    }
  }
  return points;
}

VertexRings vertexRings(const Surface& surface) {
  std::vector<std::vector<std::uint32_t>> lists(surface.vertices.size());
  for (const auto& t : surface.triangles)
    for (std::size_t k = 0; k < 3; ++k) lists[t[k]].push_back(t[(k + 1) % 3]);  // each edge once from each side
  VertexRings out;
  out.first.reserve(lists.size() + 1);
  out.first.push_back(0);
  for (const auto& list : lists) {
    out.ring.insert(out.ring.end(), list.begin(), list.end());
    out.first.push_back(static_cast<std::uint32_t>(out.ring.size()));
  }
  return out;
}

void smoothTaubin(Surface& surface, int passes, double lambda, double mu) {
  const VertexRings rings = vertexRings(surface);
  std::vector<Vec3> moved(surface.vertices.size());
  for (int pass = 0; pass < 2 * passes; ++pass) {
    const double factor = pass % 2 == 0 ? lambda : mu;
    for (std::size_t i = 0; i < moved.size(); ++i) {
      const auto ring = rings.of(i);
      if (ring.empty()) {
        moved[i] = surface.vertices[i];
        continue;
      }
      Vec3 mean = Vec3::Zero();
      for (const std::uint32_t j : ring) mean += surface.vertices[j];
      mean /= static_cast<double>(ring.size());
      moved[i] = surface.vertices[i] + factor * (mean - surface.vertices[i]);
    }
    surface.vertices.swap(moved);
  }
}

std::vector<Surface> pieces(const Surface& surface) {
  std::vector<std::uint32_t> parent(surface.vertices.size());
  std::iota(parent.begin(), parent.end(), 0u);
  const auto find = [&parent](std::uint32_t i) {
    while (parent[i] != i) i = parent[i] = parent[parent[i]];
    return i;
  };
  for (const auto& t : surface.triangles) {
    parent[find(t[1])] = find(t[0]);
    parent[find(t[2])] = find(t[0]);
  }
  std::unordered_map<std::uint32_t, std::size_t> index;
  std::vector<Surface> parts;
  std::vector<std::uint32_t> local(surface.vertices.size(), UINT32_MAX);
  for (const auto& t : surface.triangles) {
    const std::uint32_t root = find(t[0]);
    const auto [it, fresh] = index.try_emplace(root, parts.size());
    if (fresh) parts.emplace_back();
    Surface& part = parts[it->second];
    Surface::Triangle corner{};
    for (std::size_t k = 0; k < 3; ++k) {
      if (local[t[k]] == UINT32_MAX) {
        local[t[k]] = static_cast<std::uint32_t>(part.vertices.size());
        part.vertices.push_back(surface.vertices[t[k]]);
      }
      corner[k] = local[t[k]];
    }
    part.triangles.push_back(corner);
  }
  std::stable_sort(parts.begin(), parts.end(),
                   [](const Surface& a, const Surface& b) { return std::abs(volume(a)) > std::abs(volume(b)); });
  return parts;
}

Surface welded(const Surface& surface, double tolerance_mm) {
  Surface out;
  std::unordered_map<std::array<std::int64_t, 3>, std::vector<std::uint32_t>, CellHash> cells;
  cells.reserve(surface.vertices.size());
  std::vector<std::uint32_t> index(surface.vertices.size());
  const double cell = std::max(4 * tolerance_mm, 1e-9);
  for (std::size_t i = 0; i < surface.vertices.size(); ++i) {
    const Vec3& v = surface.vertices[i];
    std::array<std::int64_t, 3> low{}, high{};
    for (std::size_t k = 0; k < 3; ++k) {
      low[k] = static_cast<std::int64_t>(std::floor((v[static_cast<int>(k)] - tolerance_mm) / cell));
      high[k] = static_cast<std::int64_t>(std::floor((v[static_cast<int>(k)] + tolerance_mm) / cell));
    }
    std::uint32_t found = UINT32_MAX;
    for (std::int64_t x = low[0]; x <= high[0] && found == UINT32_MAX; ++x) {
      for (std::int64_t y = low[1]; y <= high[1] && found == UINT32_MAX; ++y) {
        for (std::int64_t z = low[2]; z <= high[2] && found == UINT32_MAX; ++z) {
          const auto it = cells.find({x, y, z});
          if (it == cells.end()) continue;
          for (const std::uint32_t j : it->second) {
            if ((out.vertices[j] - v).norm() <= tolerance_mm) {
              found = j;
              break;
            }
          }
        }
      }
    }
    if (found == UINT32_MAX) {
      found = static_cast<std::uint32_t>(out.vertices.size());
      out.vertices.push_back(v);
      cells[{static_cast<std::int64_t>(std::floor(v.x() / cell)), static_cast<std::int64_t>(std::floor(v.y() / cell)),
             static_cast<std::int64_t>(std::floor(v.z() / cell))}]
          .push_back(found);
    }
    index[i] = found;
  }
  for (const auto& t : surface.triangles) {
    const Surface::Triangle mapped{index[t[0]], index[t[1]], index[t[2]]};
    if (mapped[0] != mapped[1] && mapped[1] != mapped[2] && mapped[2] != mapped[0]) out.triangles.push_back(mapped);
  }
  return out;
}

Result<Surface> readStl(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  const std::string name = file.string();
  if (!in)
    return fail(Fault::kRequest, "geometry.surface_file_cannot_opened", name,
                Message("geometry.check_path_permissions"));
  std::string bytes((std::istreambuf_iterator<char>(in)), std::istreambuf_iterator<char>());
  Surface soup;
  std::uint32_t count = 0;
  if (bytes.size() >= 84) std::memcpy(&count, bytes.data() + 80, 4);
  if (bytes.size() >= 84 && bytes.size() == 84 + 50 * static_cast<std::size_t>(count)) {
    soup.vertices.reserve(3 * static_cast<std::size_t>(count));
    soup.triangles.reserve(count);
    for (std::uint32_t i = 0; i < count; ++i) {
      std::array<float, 12> f{};
      std::memcpy(f.data(), bytes.data() + 84 + 50 * static_cast<std::size_t>(i), sizeof f);
      for (std::size_t k = 0; k < 3; ++k) {
        const Vec3 v(static_cast<double>(f[3 + 3 * k]), static_cast<double>(f[4 + 3 * k]),
                     static_cast<double>(f[5 + 3 * k]));
        if (!v.allFinite()) {
          return fail(Fault::kRequest, "geometry.surface_has_vertex_not_number", name,
                      Message("geometry.export_surface_again"));
        }
        soup.vertices.push_back(v);
      }
      soup.triangles.push_back({3 * i, 3 * i + 1, 3 * i + 2});
    }
  } else if (bytes.rfind("solid", 0) == 0) {
    std::istringstream text(bytes);
    auto parsed = readAsciiStl(text, name);
    if (!parsed) return parsed;
    soup = std::move(*parsed);
  } else {
    return fail(Fault::kRequest, "geometry.file_no_stl_surface_cut_short", name,
                Message("geometry.export_surface_again"));
  }
  if (soup.triangles.empty())
    return fail(Fault::kRequest, "geometry.surface_has_no_triangle", name, Message("geometry.export_surface_again"));
  return welded(soup);
}

Status writeStl(const std::filesystem::path& file, const Surface& surface) {
  std::string bytes(84 + 50 * surface.triangles.size(), '\0');
  // verbatim: header of an STL file
  const std::string header = "Rayset surface, millimetres, LPS";  // must not begin with "solid"
  std::memcpy(bytes.data(), header.data(), header.size());
  const auto count = static_cast<std::uint32_t>(surface.triangles.size());
  std::memcpy(bytes.data() + 80, &count, 4);
  char* out = bytes.data() + 84;
  for (const auto& t : surface.triangles) {
    const Vec3 cross = faceCross(surface, t);
    const double norm = cross.norm();
    std::array<float, 12> f{};
    for (int k = 0; k < 3; ++k) {
      f[static_cast<std::size_t>(k)] = norm > 0 ? static_cast<float>(cross[k] / norm) : 0.0F;
      for (std::size_t c = 0; c < 3; ++c)
        f[3 + 3 * c + static_cast<std::size_t>(k)] = static_cast<float>(surface.vertices[t[c]][k]);
    }
    std::memcpy(out, f.data(), sizeof f);
    out += 50;
  }
  std::ofstream stream(file, std::ios::binary);
  stream.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  stream.close();
  if (!stream) {
    return fail(Fault::kInternal, "geometry.surface_could_not_written", file.string(),
                Message("geometry.check_free_space_permissions"));
  }
  return {};
}

Surface makeSphere(const Vec3& centre, double radius, int subdivisions) {
  // Icosahedron, each triangle split in four, vertices put back on the sphere.
  const double g = std::numbers::phi;
  Surface s;
  s.vertices = {{-1, g, 0},  {1, g, 0},  {-1, -g, 0}, {1, -g, 0}, {0, -1, g},  {0, 1, g},
                {0, -1, -g}, {0, 1, -g}, {g, 0, -1},  {g, 0, 1},  {-g, 0, -1}, {-g, 0, 1}};
  s.triangles = {{0, 11, 5},  {0, 5, 1},  {0, 1, 7},  {0, 7, 10}, {0, 10, 11}, {1, 5, 9}, {5, 11, 4},
                 {11, 10, 2}, {10, 7, 6}, {7, 1, 8},  {3, 9, 4},  {3, 4, 2},   {3, 2, 6}, {3, 6, 8},
                 {3, 8, 9},   {4, 9, 5},  {2, 4, 11}, {6, 2, 10}, {8, 6, 7},   {9, 8, 1}};
  for (int level = 0; level < subdivisions; ++level) {
    std::unordered_map<std::uint64_t, std::uint32_t> middle;
    std::vector<Surface::Triangle> finer;
    finer.reserve(4 * s.triangles.size());
    const auto half = [&](std::uint32_t a, std::uint32_t b) {
      const auto [it, fresh] = middle.try_emplace(edgeKeyBothWays(a, b), static_cast<std::uint32_t>(s.vertices.size()));
      if (fresh) s.vertices.push_back((s.vertices[a] + s.vertices[b]) / 2);
      return it->second;
    };
    for (const auto& t : s.triangles) {
      const std::uint32_t a = half(t[0], t[1]), b = half(t[1], t[2]), c = half(t[2], t[0]);
      finer.insert(finer.end(), {{t[0], a, c}, {t[1], b, a}, {t[2], c, b}, {a, b, c}});
    }
    s.triangles = std::move(finer);
  }
  for (Vec3& v : s.vertices) v = centre + radius * v.normalized();
  return s;
}

Surface makeCylinder(const Vec3& a, const Vec3& b, double radius, int sides) {
  const Vec3 axis = (b - a).normalized();
  const Vec3 u = axis.unitOrthogonal(), v = axis.cross(u);
  Surface s;
  const auto n = static_cast<std::uint32_t>(sides);
  for (const Vec3& end : {a, b}) {
    for (std::uint32_t i = 0; i < n; ++i) {
      const double angle = 2 * std::numbers::pi * i / n;
      s.vertices.push_back(end + radius * (std::cos(angle) * u + std::sin(angle) * v));
    }
  }
  s.vertices.push_back(a);
  s.vertices.push_back(b);
  for (std::uint32_t i = 0; i < n; ++i) {
    const std::uint32_t j = (i + 1) % n;
    s.triangles.push_back({i, j, n + j});
    s.triangles.push_back({i, n + j, n + i});
    s.triangles.push_back({2 * n, j, i});
    s.triangles.push_back({2 * n + 1, n + i, n + j});
  }
  return s;
}

Surface makeBox(const Box& box) {
  Surface s;
  for (std::uint32_t i = 0; i < 8; ++i) {
    s.vertices.emplace_back((i & 1) != 0 ? box.max().x() : box.min().x(), (i & 2) != 0 ? box.max().y() : box.min().y(),
                            (i & 4) != 0 ? box.max().z() : box.min().z());
  }
  s.triangles = {{0, 2, 3}, {0, 3, 1}, {4, 5, 7}, {4, 7, 6}, {0, 1, 5}, {0, 5, 4},
                 {2, 6, 7}, {2, 7, 3}, {0, 4, 6}, {0, 6, 2}, {1, 3, 7}, {1, 7, 5}};
  return s;
}

}  // namespace rayset
