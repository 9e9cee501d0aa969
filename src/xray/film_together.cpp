#include "xray/film_together.h"

#include "xray/film_exposure.h"

namespace rayset::film_fit {
namespace {

// A device in its place matches better than this; one that is a millimetre off does not. Before the fine fit of the
// bones less is required: small errors are then corrected along with them.
constexpr double kDeviceMet = 0.95, kDeviceRoughlyMet = 0.80;
// A ray that matches better than this is in its place: of 75 on outside films the 34 above it moved by 0.6 mm at most
// when searched for elsewhere; those that were 1.5 to 10 mm off scored 0.85 and less.
constexpr double kRayRoughlyMet = 0.88;

/// The steps, coarse to fine; fit() shows the order.
class Fitter {
 public:
  Fitter(Problem& p, const FilmRegistrationSettings& settings, const Progress& progress)
      : p_(p),
        progress_(progress),
        with_metal_(settings.devices && p.bones < p.groups.size()),
        of_bones_(unknowns(p, std::vector<bool>(p.films.size(), true), movingBones(p))) {
    r_.ray = {settings.ray_shift_mm, settings.ray_turn_rad};
  }

  Result<TogetherFit> fit();

 private:
  static std::vector<bool> movingBones(const Problem& p) {
    std::vector<bool> bones(p.groups.size(), false);
    for (std::size_t g = 1; g < p.bones; ++g) bones[g] = true;
    return bones;
  }
  void findViews();
  void findRaysRoughly();
  void passBones(int level, int iterations, bool in_place = false);
  void passMetal(int level, int iterations);
  void lookForRays();
  void lookForMetal();
  [[nodiscard]] std::vector<MetalAlong> lookAlongMetal();
  [[nodiscard]] Search metalSearch(double met) const {
    return {.first = p_.bones,
            .last = p_.groups.size() - 1,
            .together = p_.groups.size(),
            .from_middle = true,
            .met = met,
            .mode = {.metal_compared = true, .metal_known = true, .wide = true}};
  }

  Problem& p_;
  const Progress& progress_;
  RefineSettings r_;
  bool with_metal_, metal_fitted_ = false;
  Unknowns of_bones_;  // with the views
};

Result<TogetherFit> Fitter::fit() {
  findViews();
  findRaysRoughly();
  passBones(kMiddle, 8);
  progress_("films", 0.65);
  passMetal(kCoarse, 6);
  passMetal(kMiddle, 8);
  if (progress_.cancelled()) return cancelledError();
  // Devices that follow in the meantime slide onto each other's shadows.
  if (with_metal_) tryBeside(p_, metalSearch(kDeviceRoughlyMet), r_, progress_);
  lookForRays();
  passBones(kFine, 8, true);
  progress_("films", 0.85);
  passMetal(kFine, 8);
  if (with_metal_) lookForMetal();
  if (progress_.cancelled()) return cancelledError();
  TogetherFit out;
  out.along = lookAlongMetal();
  out.settings = r_;
  out.with_metal = metal_fitted_;
  return out;
}

/// The rays may not be as planned: the parts that do not move show where the tube was.
void Fitter::findViews() {
  RefineSettings views = r_;
  views.level = kMiddle;
  views.iterations = 10;
  views.mode.core = true;
  fitExposure(p_, kMiddle, views.mode);
  refine(p_, unknowns(p_, std::vector<bool>(p_.films.size(), true), std::vector<bool>(p_.groups.size(), false)), views,
         progress_);
  fitExposure(p_, kMiddle, views.mode);
}

/// The rays alone, before everything moves.
void Fitter::findRaysRoughly() {
  holdRegion(p_, kMiddle, {});
  RefineSettings rays = r_;
  rays.level = kMiddle;
  rays.iterations = 8;
  refine(p_, unknowns(p_, std::vector<bool>(p_.films.size(), false), movingBones(p_)), rays, progress_);
}

/// Views and bones.
void Fitter::passBones(int level, int iterations, bool in_place) {
  r_.level = level;
  r_.iterations = iterations;
  r_.mode = {.metal_known = metal_fitted_};
  holdRegion(p_, level, r_.mode);
  fitExposure(p_, level, r_.mode, in_place);
  refine(p_, of_bones_, r_, progress_);
}

void Fitter::passMetal(int level, int iterations) {
  if (!with_metal_) return;
  constexpr double kReachMm = 6;
  Problem q = narrowed(p_, p_.bones, p_.groups.size() - 1, kReachMm, {level}, {.metal_compared = true, .wide = true});
  RefineSettings s = r_;
  s.level = level;
  s.iterations = iterations;
  s.mode = {};
  s.ray = r_.metal;
  refine(q, unknowns(q, std::vector<bool>(q.films.size(), false), std::vector<bool>(q.groups.size(), true)), s,
         progress_);
  for (std::size_t n = 0; n < q.groups.size(); ++n)
    p_.groups[p_.bones + n].planned_to_found = q.groups[n].planned_to_found;
  metal_fitted_ = true;
}

/// Around where they were found, twice: once its neighbours are in place, a ray may show its true position.
void Fitter::lookForRays() {
  const auto settle = [&] { passBones(kFine, 4); };
  settle();
  holdRegion(p_, kMiddle, r_.mode);
  const Search rays{.first = p_.core, .last = p_.bones - 1, .roll = true, .met = kRayRoughlyMet, .mode = r_.mode};
  tryBeside(p_, rays, r_, progress_, settle);
  passBones(kFine, 12);
  tryBeside(p_, rays, r_, progress_, settle);
}

/// Bones in their right place show devices that are not; and the other way round.
void Fitter::lookForMetal() {
  const Search devices = metalSearch(kDeviceMet);
  const bool together = tryTogether(p_, devices, r_, progress_);
  if (together) passMetal(kFine, 8);
  if (tryBeside(p_, devices, r_, progress_) || together) {
    passBones(kFine, 8, true);
    passMetal(kFine, 4);
  }
}

/// A screw in its place may be one of another length, or broken.
std::vector<MetalAlong> Fitter::lookAlongMetal() {
  std::vector<MetalAlong> along(p_.groups.size());
  if (!with_metal_) return along;
  const Search devices = metalSearch(kDeviceMet);
  const std::vector<double> met = worstMet(p_, devices.first, devices.last, devices.mode);
  for (std::size_t g = p_.bones; g < p_.groups.size(); ++g)
    if (p_.groups[g].metal->sized && met[g] > kMatchedSimilarity)
      along[g] = metalAlong(p_, g, r_, devices.mode, progress_);
  return along;
}

}  // namespace

Result<TogetherFit> fitTogether(Problem& p, const FilmRegistrationSettings& settings, const Progress& progress) {
  return Fitter(p, settings, progress).fit();
}

}  // namespace rayset::film_fit
