#include "anatomy/codec.h"

namespace rayset::codec {

Codec<Ray> ray() {
  const Codec<int> number = integer(1, static_cast<int>(kRays.size()));
  return {.write = [number](const Ray& ray) { return number.write(ray.number()); },
          .read = [number](const Json& j, const std::string& where, Ray& into) { into = Ray(number.from(j, where)); },
          .schema = number.schema,
          .type = number.type};
}

}  // namespace rayset::codec
