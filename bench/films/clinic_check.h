// The whole check as `rayset verify --films` makes it, of films whose truth is known: a record a scene, tables of many.
#pragma once

#include <nlohmann/json.hpp>
#include <vector>

#include "scenes.h"

namespace rayset::films_bench {

/// One scene checked: errors of every ray and device in mm and degrees with what was stated, what was said of the screw
/// that is not as planned, seconds; or the refusal. Lengths of a ray are of its base: `space`, in the films' planes
/// (the worst film), along the stated weakest direction. `wrong`: sure, and off by more than 1 mm or called otherwise
/// than the truth would be.
[[nodiscard]] nlohmann::ordered_json checkedClinic(const Scene& scene);
/// A line about it, and of each ray that is wrong or, with `verbose`, of all.
void printScene(const nlohmann::ordered_json& scene, bool verbose);
/// Means and worst cases by person and of all.
void printTable(const std::vector<nlohmann::ordered_json>& scenes);

}  // namespace rayset::films_bench
