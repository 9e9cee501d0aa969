#include "cases.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <filesystem>
#include <map>
#include <numbers>
#include <random>

#include "anatomy/frames.h"
#include "anatomy/procedural_foot.h"
#include "draw.h"
#include "geometry/side.h"
#include "real_feet.h"

namespace rayset::accuracy {
namespace {

/// The feet the program was first built with: their runs keep their names from one state of the code to the next.
constexpr std::array<const char*, 3> kFirstFeet{"vsd-z027-right", "vsd-z027-left", "visible-human-m-right"};

/// Of a stranger ("tlem2-left~3") the name of the foot they are made of; any other name as it is.
std::string withoutWay(const std::string& name) { return name.substr(0, name.find('~')); }

const bench::RealFoot* realFootNamed(const std::string& name) {
  for (const bench::RealFoot& f : bench::kRealFeet)
    if (f.name() == withoutWay(name)) return &f;
  return nullptr;
}

/// A stranger: the foot changed smoothly, so that joints stay joints while sizes, proportions, calibres and curves are
/// another person's. Size 0.82 to 1.12, each axis a further 6 % either way, and two slow waves a direction (60 to 130
/// mm long) that stretch or bend by up to a tenth each. The same in both feet of a pair, for it works along medial,
/// distal and dorsal.
class Stranger {
 public:
  explicit Stranger(std::uint64_t seed) : generator_(seed * 7919 + 17) {
    const double size = between(0.82, 1.12);
    for (int a = 0; a < 3; ++a) scale_[a] = size * between(0.94, 1.06);
    for (Wave& w : waves_) {
      Vec3 way(between(-1, 1), between(-1, 1), between(-1, 1));
      way.normalize();
      const double length = between(60, 130);
      w = {2 * std::numbers::pi / length * way, between(0, 2 * std::numbers::pi),
           between(0.03, 0.1) * length / (2 * std::numbers::pi)};
    }
  }

  [[nodiscard]] BoneSurfaces of(BoneSurfaces bones, Side side) const {
    const Frame f = footFrame(bones, side);
    for (auto& [bone, surface] : bones)
      for (Vec3& v : surface.vertices) {
        const Vec3 q = f.components(v - f.origin);
        Vec3 to = scale_.cwiseProduct(q);
        for (std::size_t n = 0; n < waves_.size(); ++n)
          to[static_cast<Eigen::Index>(n % 3)] += waves_[n].height * std::sin(waves_[n].k.dot(q) + waves_[n].phase);
        v = f.origin + to.x() * f.medial + to.y() * f.distal + to.z() * f.dorsal;
      }
    return bones;
  }

 private:
  struct Wave {
    Vec3 k;
    double phase = 0, height = 0;
  };
  double between(double low, double high) { return low + (high - low) * bench::uniform(generator_); }

  std::mt19937_64 generator_;
  Vec3 scale_;
  std::array<Wave, 6> waves_;
};

template <class Names>
std::vector<std::string> thereOf(const Names& names) {
  std::vector<std::string> there;
  for (const auto& name : names)
    if (std::filesystem::is_directory(realFootNamed(name)->folder(RAYSET_FEET_DIR))) there.emplace_back(name);
  if (there.size() < names.size())
    fmt::print(stderr, "Real feet skipped ({} of {} are there): {}\n", there.size(), names.size(), RAYSET_FEET_DIR);
  return there;
}
std::vector<std::string> firstFeet() { return thereOf(kFirstFeet); }
std::vector<std::string> everyFoot() {
  std::vector<std::string> names(bench::kRealFeet.size());
  std::transform(bench::kRealFeet.begin(), bench::kRealFeet.end(), names.begin(),
                 [](const auto& f) { return f.name(); });
  return thereOf(names);
}

bool hasRealOther(const std::string& foot) {
  const bench::RealFoot* real = realFootNamed(foot);
  return real != nullptr && bench::otherOf(*real) != nullptr;
}
bool procedural(const std::string& foot) { return foot.rfind("procedural-", 0) == 0; }

std::vector<AccuracyCase> standardCases(bool quick) {
  std::vector<std::string> feet{"procedural-3-right"};
  if (!quick) feet.emplace_back("procedural-5-left");
  for (const std::string& name : firstFeet()) feet.push_back(name);
  std::vector<AccuracyCase> cases;
  for (const std::string& foot : feet) {
    int count = 0;
    for (const NamedInjury injury : kNamedInjuries) {
      if (quick && count++ >= 2) break;
      for (const OtherFoot other : {OtherFoot::kNone, OtherFoot::kOwnScan}) {
        if (other != OtherFoot::kNone && !procedural(foot) && !hasRealOther(foot)) continue;
        AccuracyCase c;
        c.foot = foot;
        c.injury = std::string(wordOf(injury));
        c.other = other;
        cases.push_back(c);
      }
    }
  }
  return cases;
}

/// Every level as often as any other (to within one), in a random order. Uniforms by hand: the library's distributions
/// and shuffle differ between implementations.
template <class T>
std::vector<T> dealt(const std::vector<T>& levels, std::size_t count, std::mt19937_64& generator) {
  std::vector<T> deck;
  while (deck.size() < count) deck.push_back(levels[deck.size() % levels.size()]);
  for (std::size_t n = deck.size(); n > 1; --n) std::swap(deck[n - 1], deck[static_cast<std::size_t>(generator() % n)]);
  return deck;
}

std::vector<AccuracyCase> variedCases() {
  constexpr std::size_t kRuns = 72;
  std::mt19937_64 generator(20260105);
  // Nine shapes, both sides, and the real feet twice each.
  std::vector<std::string> feet{"procedural-0-left"};
  for (int seed = 11; seed <= 18; ++seed)
    feet.push_back(fmt::format("procedural-{}-{}", seed, seed % 2 == 0 ? "left" : "right"));
  for (const char* name : kFirstFeet) feet.insert(feet.end(), 2, name);
  std::vector<std::string> injuries;
  for (const NamedInjury injury : kNamedInjuries) injuries.emplace_back(wordOf(injury));
  injuries.insert(injuries.end(), {"none", "none", "random", "random", "random", "random", "random", "random"});
  const std::vector<std::string> hindrances{"none", "cast",    "none", "staple Cal",        "none", "fragment shear",
                                            "none", "contact", "none", "crop 25",           "none", "staple Cub",
                                            "none", "cast",    "none", "fragment y",        "none", "contact",
                                            "none", "crop 35", "none", "fragment butterfly"};
  const auto foot = dealt(feet, kRuns, generator);
  const auto injury = dealt(injuries, kRuns, generator);
  const auto hindrance = dealt(hindrances, kRuns, generator);
  const auto other = dealt<OtherFoot>({OtherFoot::kNone, OtherFoot::kOwnScan, OtherFoot::kSameScan}, kRuns, generator);
  const auto pixel = dealt<double>({0.5, 0.6, 0.35, 0.5, 0.6, 0.8, 1.0}, kRuns, generator);
  const auto slice = dealt<double>({0.5, 0.6, 0.5, 1.0, 0.6, 1.5, 0.8}, kRuns, generator);
  const auto noise = dealt<double>({15, 30, 45, 60}, kRuns, generator);
  const auto density = dealt<double>({0.4, 0.6, 0.8, 1.0, 1.1}, kRuns, generator);
  const auto kernel = dealt<ReconstructionKernel>(
      {ReconstructionKernel::kStandard, ReconstructionKernel::kSoft, ReconstructionKernel::kSharp}, kRuns, generator);
  const auto turned = dealt<int>({0, 1}, kRuns, generator);
  const std::vector<std::string> contacts{"C2-C3", "C1-C2,C3-Cub", "M5-M4", "Tal-Nav,C2-C3", "Nav-C2,C1-C2"};
  std::vector<AccuracyCase> cases;
  for (std::size_t n = 0; n < kRuns; ++n) {
    AccuracyCase c;
    c.foot = foot[n];
    c.injury = injury[n] == "random" ? fmt::format("random:{}", n + 1) : injury[n];
    c.other = other[n];
    c.pixel_mm = pixel[n];
    c.slice_mm = slice[n];
    c.noise_hu = noise[n];
    c.density = density[n];
    c.kernel = kernel[n];
    const std::array<double, 3> turn{static_cast<double>(generator() % 181) - 90,
                                     static_cast<double>(generator() % 181) - 90,
                                     static_cast<double>(generator() % 361) - 180};
    if (turned[n] == 1) c.orientation_deg = turn;
    c.hindrance = hindrance[n];
    if (c.hindrance == "cast") c.hindrance = fmt::format("cast {} {}", 6 + n % 5, 300 + 100 * (n % 5));
    if (c.hindrance == "contact") c.hindrance = "contact " + contacts[n % contacts.size()];
    if (!procedural(c.foot) && !hasRealOther(c.foot)) c.other = OtherFoot::kNone;
    // A cut field of view is that of one foot; two feet at 0.35 mm are more voxels than anybody scans.
    if (c.hindranceKind() == "crop" && c.other == OtherFoot::kSameScan) c.other = OtherFoot::kOwnScan;
    if (c.other == OtherFoot::kSameScan && c.pixel_mm < 0.5) c.pixel_mm = 0.5;
    cases.push_back(c);
  }
  // A fleck is rare enough to have its own two runs.
  AccuracyCase fleck;
  fleck.hindrance = "fragment fleck";
  fleck.injury = "lateral-partial";
  fleck.foot = "procedural-12-left";
  fleck.pixel_mm = fleck.slice_mm = 0.6;
  cases.push_back(fleck);
  fleck.injury = "homolateral";
  fleck.foot = kFirstFeet[0];
  fleck.pixel_mm = fleck.slice_mm = 0.5;
  cases.push_back(fleck);
  const auto there = firstFeet();
  std::erase_if(cases, [&](const AccuracyCase& c) {
    return !procedural(c.foot) && std::find(there.begin(), there.end(), c.foot) == there.end();
  });
  return cases;
}

std::vector<AccuracyCase> peopleCases() {
  std::vector<std::string> injuries{"none", "only:2:dorsal:3.5"};
  for (const NamedInjury injury : kNamedInjuries) injuries.emplace_back(wordOf(injury));
  const std::array<const char*, 5> ways{"lateral", "medial", "dorsal", "plantar", "distal"};
  std::vector<AccuracyCase> cases;
  std::size_t turn = 0;  // of the ways, so that over the feet every ray goes every way
  for (const std::string& foot : everyFoot()) {
    AccuracyCase c;
    c.foot = foot;
    c.pixel_mm = 0.5;
    c.slice_mm = 0.6;
    for (const std::string& injury : injuries) {
      c.injury = injury;
      for (const OtherFoot other : {OtherFoot::kNone, OtherFoot::kOwnScan}) {
        if (other != OtherFoot::kNone && !hasRealOther(foot)) continue;
        c.other = other;
        cases.push_back(c);
      }
    }
    c.other = OtherFoot::kNone;
    for (std::size_t ray = 0; ray < 5; ++ray) {
      c.injury = fmt::format("only:{}:{}:3", ray + 1, ways[(turn + ray) % ways.size()]);
      cases.push_back(c);
    }
    ++turn;
    c.injury = "none";
    for (const char* space : {"narrow 0.3", "narrow 0.5", "narrow 0.8"}) {
      c.hindrance = space;
      cases.push_back(c);
    }
    for (const NamedInjury injury : {NamedInjury::kNone, NamedInjury::kHomolateral}) {
      c.injury = std::string(wordOf(injury));
      c.kernel = ReconstructionKernel::kStandard;
      for (const char* plates : {"plates 0.4", "plates 1.4"}) {
        c.hindrance = plates;
        cases.push_back(c);
      }
      // Another maker's look: edges overshoot, finer and stronger noise, dense bone reads low.
      c.hindrance = "hardened";
      c.kernel = ReconstructionKernel::kSharp;
      cases.push_back(c);
    }
  }
  return cases;
}

std::vector<AccuracyCase> strangerCases() {
  constexpr int kWays = 6;  // a foot
  const std::vector<std::string> feet = everyFoot();
  const std::size_t runs = kWays * feet.size();
  std::mt19937_64 generator(20261129);
  std::vector<std::string> injuries{"none", "none", "only:2:dorsal:3.5", "random"};
  for (const NamedInjury injury : kNamedInjuries) injuries.emplace_back(wordOf(injury));
  const auto injury = dealt(injuries, runs, generator);
  const auto pixel = dealt<double>({0.4, 0.5, 0.6}, runs, generator);
  const auto noise = dealt<double>({15, 30, 45}, runs, generator);
  const auto density = dealt<double>({0.7, 1.0, 1.0, 1.1}, runs, generator);
  const auto other = dealt<OtherFoot>({OtherFoot::kNone, OtherFoot::kNone, OtherFoot::kOwnScan}, runs, generator);
  std::vector<AccuracyCase> cases;
  for (std::size_t n = 0; n < runs; ++n) {
    AccuracyCase c;
    c.foot = fmt::format("{}~{}", feet[n % feet.size()], n + 1);
    c.injury = injury[n] == "random" ? fmt::format("random:{}", n + 1) : injury[n];
    c.other = hasRealOther(c.foot) ? other[n] : OtherFoot::kNone;
    c.pixel_mm = pixel[n];
    c.slice_mm = 0.6;
    c.noise_hu = noise[n];
    c.density = density[n];
    for (double& turn : c.orientation_deg) turn = static_cast<double>(generator() % 61) - 30;
    cases.push_back(c);
  }
  return cases;
}

std::vector<AccuracyCase> ciCases() {
  const auto make = [](const char* foot, const char* injury, OtherFoot other, const char* hindrance) {
    AccuracyCase c;
    c.foot = foot;
    c.injury = injury;
    c.other = other;
    c.pixel_mm = c.slice_mm = 0.6;
    c.hindrance = hindrance;
    return c;
  };
  std::vector<AccuracyCase> cases{
      make("procedural-3-right", "homolateral", OtherFoot::kNone, "none"),
      make("procedural-5-left", "divergent", OtherFoot::kOwnScan, "none"),
      make("procedural-11-right", "none", OtherFoot::kNone, "none"),
      make("procedural-12-left", "random:4", OtherFoot::kNone, "none"),
      make("procedural-14-left", "isolated", OtherFoot::kNone, "cast 8 500"),
      make("procedural-15-right", "medial-partial", OtherFoot::kNone, "staple Cal"),
      make("procedural-16-left", "homolateral", OtherFoot::kNone, "crop 30"),
      make("procedural-17-right", "random:9", OtherFoot::kNone, "fragment shear"),
      make("procedural-18-left", "lateral-partial", OtherFoot::kNone, "contact C2-C3"),
      make("procedural-13-right", "none", OtherFoot::kNone, "narrow 0.5"),
      make("procedural-3-right", "only:2:dorsal:3.5", OtherFoot::kNone, "none"),
      make("procedural-14-left", "none", OtherFoot::kNone, "plates 0.4"),
      make("procedural-12-left", "homolateral", OtherFoot::kNone, "hardened"),
  };
  cases[2].kernel = ReconstructionKernel::kSoft;
  cases[2].slice_mm = 1.0;
  cases[2].density = 0.6;
  cases[3].kernel = ReconstructionKernel::kSharp;
  cases[3].noise_hu = 45;
  cases[3].orientation_deg = {30, -20, 75};
  cases.back().kernel = ReconstructionKernel::kSharp;
  return cases;
}

std::vector<AccuracyCase> allCases() {
  std::vector<AccuracyCase> cases = standardCases(false);
  const auto more = variedCases();
  cases.insert(cases.end(), more.begin(), more.end());
  return cases;
}

constexpr std::array<std::pair<std::string_view, std::vector<AccuracyCase> (*)()>, 7> kSubsets{
    {{"standard", [] { return standardCases(false); }},
     {"varied", variedCases},
     {"all", allCases},
     {"people", peopleCases},
     {"strangers", strangerCases},
     {"ci", ciCases},
     {"quick", [] { return standardCases(true); }}}};

const char* wordOf(OtherFoot other) {
  return other == OtherFoot::kNone ? "alone" : other == OtherFoot::kOwnScan ? "own" : "same";
}

}  // namespace

std::string AccuracyCase::key() const {
  return fmt::format("{}/{}/{}/{:g}x{:g}/n{:g}/d{:g}/{}/o{:g},{:g},{:g}/{}", foot, injury, accuracy::wordOf(other),
                     pixel_mm, slice_mm, noise_hu, density, rayset::wordOf(kernel), orientation_deg[0],
                     orientation_deg[1], orientation_deg[2], hindrance);
}

std::string AccuracyCase::hindranceKind() const { return hindrance.substr(0, hindrance.find(' ')); }

nlohmann::ordered_json AccuracyCase::json() const {
  return {{"foot", foot},
          {"injury", injury},
          {"other", accuracy::wordOf(other)},
          {"pixel_mm", pixel_mm},
          {"slice_mm", slice_mm},
          {"noise_hu", noise_hu},
          {"density", density},
          {"kernel", rayset::wordOf(kernel)},
          {"orientation_deg", orientation_deg},
          {"hindrance", hindrance}};
}

std::vector<AccuracyCase> casesOf(const std::string& subset) {
  const auto named = std::find_if(kSubsets.begin(), kSubsets.end(), [&](const auto& s) { return s.first == subset; });
  return named == kSubsets.end() ? std::vector<AccuracyCase>{} : named->second();
}

std::vector<std::string> subsets() {
  std::vector<std::string> words;
  words.reserve(kSubsets.size());
  for (const auto& [word, cases] : kSubsets) words.emplace_back(word);
  return words;
}

Result<const TestFoot*> testFoot(const std::string& name) {
  static std::map<std::string, TestFoot> kept;
  if (const auto found = kept.find(name); found != kept.end()) return &found->second;
  TestFoot foot;
  foot.name = name;
  foot.side = withoutWay(name).ends_with("-left") ? Side::kLeft : Side::kRight;
  if (procedural(name)) {
    std::uint32_t seed = 0;
    const std::size_t start = std::string_view("procedural-").size();
    std::from_chars(name.data() + start, name.data() + name.size(), seed);
    const Foot made = proceduralFoot(randomShape(seed), foot.side);
    foot.bones = made.bones;
    foot.other = mirrored(made).bones;
  } else {
    const bench::RealFoot* real = realFootNamed(name);
    if (real == nullptr)
      return fail(Fault::kRequest, Message::quoted("no such foot: " + name), "", Message::quoted("See cases.h"));
    foot.person = real->person;
    auto bones = readBoneFolder(real->folder(RAYSET_FEET_DIR));
    if (!bones) return tl::unexpected(bones.error());
    foot.bones = std::move(*bones);
    if (const bench::RealFoot* twin = bench::otherOf(*real)) {
      auto other = readBoneFolder(twin->folder(RAYSET_FEET_DIR));
      if (!other) return tl::unexpected(other.error());
      foot.other = std::move(*other);
    }
    if (const std::size_t mark = name.find('~'); mark != std::string::npos) {
      const Stranger stranger(std::stoull(name.substr(mark + 1)));
      foot.bones = stranger.of(std::move(foot.bones), foot.side);
      if (!foot.other.empty()) foot.other = stranger.of(std::move(foot.other), opposite(foot.side));
    }
  }
  return &kept.emplace(name, std::move(foot)).first->second;
}

}  // namespace rayset::accuracy
