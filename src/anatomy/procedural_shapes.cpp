#include "anatomy/procedural_shapes.h"

#include <array>
#include <utility>

namespace rayset::procedural {

Axes axesAlong(const Vec3& from, const Vec3& to, double roll) {
  Axes axes;
  axes.origin = from;
  axes.distal = (to - from).normalized();
  const Vec3 up = (Vec3::UnitZ() - axes.distal * axes.distal.z()).normalized();
  const Vec3 in = up.cross(axes.distal);
  axes.dorsal = std::cos(roll) * up - std::sin(roll) * in;
  axes.medial = std::cos(roll) * in + std::sin(roll) * up;
  return axes;
}

namespace {

constexpr int kChannels = 10;
using Channels = std::array<double, kChannels>;

Channels channels(const Station& s) {
  return {s.centre_m, s.centre_h, s.medial, s.lateral, s.dorsal, s.plantar, s.square_d, s.square_p, s.wedge, s.bend};
}

Station station(double t, const Channels& c) { return {t, c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8], c[9]}; }

/// Slope at an inner knot of the monotone cubic (Fritsch and Butland 1984): no overshoot between the sections.
double monotoneSlope(double h0, double h1, double s0, double s1) {
  if (s0 * s1 <= 0) return 0;
  const double a = (h0 + 2 * h1) / (3 * (h0 + h1));
  return s0 * s1 / (a * s1 + (1 - a) * s0);
}

}  // namespace

Loft::Loft(const Axes& axes, std::vector<Station> stations, double cap) : axes_(axes), cap_(cap) {
  const std::size_t n = stations.size();
  first_ = stations.front().t;
  last_ = stations.back().t;
  std::vector<Channels> value(n), slope(n, Channels{});
  for (std::size_t i = 0; i < n; ++i) value[i] = channels(stations[i]);
  for (int c = 0; c < kChannels; ++c) {
    auto secant = [&](std::size_t i) { return (value[i + 1][c] - value[i][c]) / (stations[i + 1].t - stations[i].t); };
    for (std::size_t i = 1; i + 1 < n; ++i) {
      slope[i][c] =
          monotoneSlope(stations[i].t - stations[i - 1].t, stations[i + 1].t - stations[i].t, secant(i - 1), secant(i));
    }
    if (n > 1) {
      slope[0][c] = secant(0);
      slope[n - 1][c] = secant(n - 2);
    }
  }
  const auto count = static_cast<std::size_t>(std::ceil((last_ - first_) / step_)) + 2;
  std::size_t k = 0;
  for (std::size_t i = 0; i < count; ++i) {
    const double t = std::min(first_ + step_ * static_cast<double>(i), last_);
    while (k + 2 < n && t > stations[k + 1].t) ++k;
    const double h = stations[k + 1].t - stations[k].t, x = (t - stations[k].t) / h;
    const double h00 = (1 + 2 * x) * (1 - x) * (1 - x), h10 = x * (1 - x) * (1 - x), h01 = x * x * (3 - 2 * x),
                 h11 = x * x * (x - 1);
    Channels out{};
    for (int c = 0; c < kChannels; ++c) {
      out[c] = h00 * value[k][c] + h10 * h * slope[k][c] + h01 * value[k + 1][c] + h11 * h * slope[k + 1][c];
    }
    table_.push_back(station(t, out));
  }
}

double Loft::operator()(const Vec3& p) const {
  const Vec3 q = axes_.local(p);
  const double t = std::clamp(q.y(), first_, last_);
  const double where = (t - first_) / step_;
  const auto i = std::min(static_cast<std::size_t>(where), table_.size() - 2);
  const double w = where - static_cast<double>(i);
  const Station &a = table_[i], &b = table_[i + 1];
  auto mix = [w](double x, double y) { return x + w * (y - x); };
  const double v = q.z() - mix(a.centre_h, b.centre_h);
  const double half_h = v > 0 ? mix(a.dorsal, b.dorsal) : mix(a.plantar, b.plantar);
  const double yy = v / half_h, yc = std::clamp(yy, -1.3, 1.3);
  double u = q.x() - mix(a.centre_m, b.centre_m) - mix(a.bend, b.bend) * (1 - yc * yc);
  const double spread = std::max(1 + mix(a.wedge, b.wedge) * yc, 0.15);
  const double half_w = spread * (u > 0 ? mix(a.medial, b.medial) : mix(a.lateral, b.lateral));
  const double xx = std::abs(u) / half_w, y = std::abs(yy);
  const double n = v > 0 ? mix(a.square_d, b.square_d) : mix(a.square_p, b.square_p);
  double across;
  if (xx + y < 1e-6) {
    across = -std::min(half_w, half_h);
  } else {
    const double g = std::pow(std::pow(xx, n) + std::pow(y, n), 1 / n);
    const double gx = std::pow(xx / g, n - 1) / half_w, gy = std::pow(y / g, n - 1) / half_h;
    across = (g - 1) / std::sqrt(gx * gx + gy * gy);
  }
  const double end = std::max(first_ - q.y(), q.y() - last_);
  return smoothMax(across, end, cap_);
}

Field ellipsoid(const Axes& axes, const Vec3& half) {
  return [axes, half](const Vec3& p) {
    const Vec3 q = axes.local(p);
    const double k0 = q.cwiseQuotient(half).norm(), k1 = q.cwiseQuotient(half.cwiseProduct(half)).norm();
    return k1 < 1e-9 ? -half.minCoeff() : k0 * (k0 - 1) / k1;
  };
}

Field capsule(const Vec3& a, const Vec3& b, double ra, double rb) {
  return [a, d = Vec3(b - a), ra, rb](const Vec3& p) {
    const double t = std::clamp((p - a).dot(d) / d.squaredNorm(), 0.0, 1.0);
    return (p - a - t * d).norm() - (ra + t * (rb - ra));
  };
}

Field joined(std::vector<Field> shapes, double k) {
  return [shapes = std::move(shapes), k](const Vec3& p) {
    double f = shapes.front()(p);
    for (std::size_t i = 1; i < shapes.size(); ++i) f = smoothMin(f, shapes[i](p), k);
    return f;
  };
}

Field without(Field shape, Field cut, double k) {
  return [shape = std::move(shape), cut = std::move(cut), k](const Vec3& p) { return smoothMax(shape(p), -cut(p), k); };
}

Field uneven(Field shape, double amplitude, double phase, double broad, double person) {
  return [=, shape = std::move(shape)](const Vec3& p) {
    const double f = shape(p);
    if (std::abs(f) > 5) return f;
    auto waves = [](double x, double y, double z) {
      return (std::sin(x) * std::sin(y) + std::sin(y) * std::sin(z) + std::sin(z) * std::sin(x)) / 1.5;
    };
    const double fine = waves(0.43 * p.x() + 0.17 * p.y() + phase, 0.37 * p.y() - 0.19 * p.z() + 2.3 * phase,
                              0.53 * p.z() + 0.13 * p.x() + 3.1 * phase);
    double result = f + amplitude * fine;
    if (broad > 0) {
      const double q = phase + person;
      result += broad * waves(0.17 * p.x() + 0.06 * p.z() + 1.7 * q, 0.14 * p.y() + 0.05 * p.x() + 2.9 * q,
                              0.19 * p.z() - 0.06 * p.y() + 4.3 * q);
    }
    return result;
  };
}

}  // namespace rayset::procedural
