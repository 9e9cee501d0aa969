#include "anatomy/codec.h"

namespace rayset::codec {

Codec<Ray> ray() {
  const Codec<int> number = integer(1, static_cast<int>(kRays.size()));
  const Message form("field.form_range", {{"least", 1}, {"most", kRays.size()}});
  return {.write = [number](const Ray& ray) { return number.write(ray.number()); },
          .read =
              [number, form](const Json& j, const std::string& where, Ray& into) {
                try {
                  into = Ray(number.from(j, where));
                } catch (const BadField&) {
                  throw BadField{where, Message("anatomy.not_number_ray", {{"form", form}})};
                }
              },
          .schema = number.schema,
          .type = number.type,
          .help = {form, {"field.write_form", {{"form", form}}}}};
}

}  // namespace rayset::codec
