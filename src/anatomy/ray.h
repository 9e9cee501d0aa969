// The five rays of the foot, and containers of values by ray.
#pragma once

#include <fmt/core.h>

#include <array>
#include <compare>
#include <cstddef>
#include <map>
#include <optional>
#include <stdexcept>

namespace rayset {

/// A ray, numbered 1 to 5 from the great toe to the little toe. There is no other value: anything that may have no ray
/// uses std::optional<Ray>.
class Ray {
 public:
  constexpr Ray() = default;  ///< the first
  /// Any other number is a programming error (std::out_of_range); from() is for external input.
  explicit constexpr Ray(int number) : number_(number) {
    if (number < 1 || number > 5) throw std::out_of_range("rays are numbered 1 to 5");
  }
  [[nodiscard]] static constexpr std::optional<Ray> from(int number) {
    return number < 1 || number > 5 ? std::nullopt : std::optional(Ray(number));
  }

  [[nodiscard]] constexpr int number() const { return number_; }
  /// Place in an array of all five, 0 to 4.
  [[nodiscard]] constexpr std::size_t index() const { return static_cast<std::size_t>(number_ - 1); }
  /// The next ray laterally, if any; and medially.
  [[nodiscard]] constexpr std::optional<Ray> lateral() const { return from(number_ + 1); }
  [[nodiscard]] constexpr std::optional<Ray> medial() const { return from(number_ - 1); }

  friend constexpr bool operator==(const Ray&, const Ray&) = default;
  friend constexpr auto operator<=>(const Ray&, const Ray&) = default;
  friend constexpr bool operator==(const Ray& ray, int number) { return ray.number_ == number; }
  friend constexpr std::strong_ordering operator<=>(const Ray& ray, int number) { return ray.number_ <=> number; }
  template <class Stream>
  friend Stream& operator<<(Stream& out, const Ray& ray) {
    out << ray.number_;
    return out;
  }
  /// In JSON a ray is its number.
  template <class Json>
  friend void to_json(Json& j, const Ray& ray) {
    j = ray.number_;
  }

 private:
  int number_ = 1;
};

inline constexpr std::array<Ray, 5> kRays{Ray(1), Ray(2), Ray(3), Ray(4), Ray(5)};

/// The order in which rays are reduced: the second first, as its base sits in the recess between the cuneiforms and
/// keys the arch (common practice, no source).
inline constexpr std::array<Ray, 5> kPlacingOrder{Ray(2), Ray(1), Ray(3), Ray(4), Ray(5)};

/// A value for each ray, in their order; rays without one are absent.
template <class T>
using PerRay = std::map<Ray, T>;
/// Looks up a ray that may be absent.
template <class T>
[[nodiscard]] const T* find(const PerRay<T>& all, Ray ray) {
  const auto it = all.find(ray);
  return it == all.end() ? nullptr : &it->second;
}

/// One for each of the five rays.
template <class T>
struct EachRay {
  std::array<T, 5> of{};
  [[nodiscard]] constexpr T& operator[](Ray ray) { return of[ray.index()]; }
  [[nodiscard]] constexpr const T& operator[](Ray ray) const { return of[ray.index()]; }
  [[nodiscard]] constexpr T& at(Ray ray) { return of[ray.index()]; }
  [[nodiscard]] constexpr const T& at(Ray ray) const { return of[ray.index()]; }
};

}  // namespace rayset

template <>
struct fmt::formatter<rayset::Ray> : fmt::formatter<int> {
  template <class Context>
  auto format(const rayset::Ray& ray, Context& context) const {
    return fmt::formatter<int>::format(ray.number(), context);
  }
};
