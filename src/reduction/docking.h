// Brings rigid bodies together so that their joint faces are at the distance they should be: the model behind the
// reduction.
//
// Each body has a distance field in its own scan frame and a pose X (scan to reduced). A contact holds points of one
// body that face another; the signed distance of a point to the other body should equal its target gap. The loss per
// square millimetre of face is Welsch's for gaps that are too wide (a point past the rim of the face stops pulling) and
// quadratic for gaps that are too narrow; overlapping bodies pay extra. A Gaussian prior holds each pose near where the
// atlas (mirrored other foot, or template) puts it. Everything is in units of "one independent measurement", so the
// inverse Hessian at the minimum is the covariance of the poses.
#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "geometry/distance_field.h"
#include "geometry/types.h"

namespace rayset::reduction {

using Vec6 = Eigen::Matrix<double, 6, 1>;
using Mat6 = Eigen::Matrix<double, 6, 6>;

struct DockPoint {
  Vec3 position;      ///< scan frame of its body, mm
  double gap = 0;     ///< target signed distance to the other body, mm
  double weight = 0;  ///< number of independent measurements this point counts as; 0: the point only resists overlap
  double guard = 0;   ///< weight of the overlap penalty
};

/// The width of a gap and how far it opens to the sides are not known beforehand: they differ from person to person. In
/// a contact with a gap plane, the expected gap at a point is `gap` plus the tilts times its position; all three are
/// fitted along with the pose under priors of what is usual, and only unevenness remains as misfit.
struct GapPlane {
  Vec3 middle = Vec3::Zero();                        ///< scan frame of the contact's body
  Vec3 first = Vec3::Zero(), second = Vec3::Zero();  ///< unit directions across the joint, same frame
  Vec3 mean = Vec3::Zero();                          ///< gap (mm), opening along `first` and `second` (mm per mm)
  Vec3 spread = Vec3::Ones();                        ///< one standard deviation of each
};

struct Contact {
  std::size_t body = 0;  ///< carries the points
  std::size_t onto = 0;  ///< carries the field
  std::vector<DockPoint> points;
  std::optional<GapPlane> plane = std::nullopt;  ///< in place of the points' own gaps
};

/// A distance between two bones known from real joints: the mean signed distance to the other bone over places of one
/// bone, or over the closest of them. One measurement, however many places.
struct Border {
  std::size_t body = 0;     ///< carries the places
  std::size_t onto = 0;     ///< carries the field
  Points places;            ///< scan frame of `body`, mm
  std::size_t closest = 0;  ///< only this many places count, the closest; 0: all
  double distance_mm = 0;   ///< expected
  double spread_mm = 1;     ///< one standard deviation
};

/// The angle between two shafts: the component along `way` of the difference of their unit axes. One measurement.
struct ShaftAngle {
  std::size_t first = 0, second = 0;                           ///< bodies
  Vec3 first_axis = Vec3::Zero(), second_axis = Vec3::Zero();  ///< unit, scan frame of each
  Vec3 way = Vec3::Zero();                                     ///< unit, patient directions
  double expected = 0;  ///< of (second - first) along `way`: radians, for small angles
  double spread = 1;    ///< one standard deviation
};

struct PosePrior {
  Rigid pose = Rigid::Identity();
  Mat6 information = Mat6::Zero();  ///< of (turn in radians about the centre, shift in mm), patient directions
};

struct DockBody {
  const DistanceField* field = nullptr;  ///< scan frame
  Vec3 centre = Vec3::Zero();            ///< centre of turns, scan frame (base of the metatarsal)
  std::vector<PosePrior> priors;         ///< summed
};

struct DockSettings {
  double noise_mm = 0.35;    ///< spread of the gap over a joint that fits well
  double reach_mm = 1.2;     ///< Welsch scale for gaps too wide
  double overlap_mm = 0.12;  ///< spread allowed to overlap
  double far = 2.5;          ///< a border that is off by more than this many spreads pulls no harder (Huber)
  int iterations = 60;
};

class Docking {
 public:
  Docking(std::vector<DockBody> bodies, std::vector<Contact> contacts, const DockSettings& settings,
          std::vector<Border> borders = {}, std::vector<ShaftAngle> shafts = {})
      : bodies_(std::move(bodies)),
        contacts_(std::move(contacts)),
        borders_(std::move(borders)),
        shafts_(std::move(shafts)),
        settings_(settings) {}

  struct State {
    std::vector<Rigid> poses;  ///< per body, scan to reduced
    double cost = 0;
  };

  /// Cost of the contacts that involve at least one body in `free`, plus the priors of `free`. `active`: bodies that
  /// take part.
  [[nodiscard]] double cost(const std::vector<Rigid>& poses, const std::vector<std::size_t>& free,
                            const std::vector<bool>& active) const;
  /// Levenberg-Marquardt over the poses of `free`.
  [[nodiscard]] State minimise(const std::vector<Rigid>& start, const std::vector<std::size_t>& free,
                               const std::vector<bool>& active) const;
  /// Inverse Hessian (6 per free body: turn, shift), without overlap guards, which are walls rather than measurements.
  [[nodiscard]] Eigen::MatrixXd covariance(const std::vector<Rigid>& poses, const std::vector<std::size_t>& free,
                                           const std::vector<bool>& active) const;
  [[nodiscard]] const std::vector<DockBody>& bodies() const { return bodies_; }
  [[nodiscard]] std::vector<DockBody>& bodies() { return bodies_; }

 private:
  double linearise(const std::vector<Rigid>& poses, const std::vector<std::size_t>& free,
                   const std::vector<bool>& active, Eigen::MatrixXd* H, Eigen::VectorXd* g, bool guards) const;

  std::vector<DockBody> bodies_;
  std::vector<Contact> contacts_;
  std::vector<Border> borders_;
  std::vector<ShaftAngle> shafts_;
  DockSettings settings_;
};

/// The step from pose A to pose B of a body with this centre: turn vector (patient directions) and shift of the centre.
[[nodiscard]] Vec6 poseDifference(const Rigid& A, const Rigid& B, const Vec3& centre);

}  // namespace rayset::reduction
