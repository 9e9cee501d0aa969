// One kind of edit in one place: its payload and how it is checked, completed, tried, applied and described. Each file
// of src/workspace/edit_kinds/ defines some: a function `std::vector<EditKind> edit_kinds::NAME()` in NAME.cpp, which
// the build finds (cmake/Rayset.cmake). Nothing else needs to know about a new one.
#pragma once

#include <algorithm>
#include <functional>
#include <string>
#include <utility>
#include <vector>

#include "base/message.h"
#include "workspace/edit_fields.h"
#include "workspace/edit_state.h"
#include "workspace/state_codec.h"

namespace rayset {

/// How long an edit stays in force.
enum class EditScope {
  kCase,    ///< as long as the case
  kImages,  ///< until other images are imported
};

/// A step of the operation, as edits refer to it.
struct StepTitle {
  std::string id;
  Message title;
};

/// The context an edit is checked against.
struct EditContext {
  const EditState& state;
  const Case* planned = nullptr;   ///< null: not planned yet
  std::vector<std::string> films;  ///< ids of the case's films
  std::vector<StepTitle> steps;    ///< of the plan as edited
};

/// A device with the basis of its checks, as stored by an edit.
struct StoredDevice {
  Device device;
  std::optional<Rigid> pose;  ///< of its ray; absent in histories of version 0.1: the ray's current pose
  std::string check_basis;
};
[[nodiscard]] EditFields<StoredDevice> storedDeviceFields();

/// What the open case does for edits that need more than their payload. Errors are kRequest in words.
class EditWorkbench {
 public:
  struct Placed {
    StoredDevice device;
    std::vector<Message> cautions;
  };
  struct Construct {
    std::vector<StoredDevice> devices;
    std::vector<Message> cautions;
  };

  EditWorkbench() = default;
  EditWorkbench(const EditWorkbench&) = delete;
  EditWorkbench& operator=(const EditWorkbench&) = delete;
  virtual ~EditWorkbench() = default;
  /// The device drawn from `entry` to `tip`: entry snapped to the cortex, length to the catalogue. Empty `type`: its
  /// own.
  [[nodiscard]] virtual Result<Placed> place(const std::string& id, const std::string& type, const Vec3& entry,
                                             const Vec3& tip) = 0;
  /// The devices of one ray planned again.
  [[nodiscard]] virtual Result<Construct> construct(Ray ray, bool wires) = 0;
  /// What would change.
  [[nodiscard]] virtual Result<Trial> tryPlace(const std::string& id, const std::string& type, const Vec3& entry,
                                               const Vec3& tip) = 0;
  [[nodiscard]] virtual Result<Trial> tryPose(Ray ray, const Rigid& injured_to_reduced) = 0;
};

/// Type-erased; made from a TypedEdit by editKind().
struct EditKind {
  std::string name{}, meaning{};
  std::string payload{};                                 ///< for the docs: `{id, entry, tip, type?}`
  std::vector<std::pair<std::string, Message>> forms{};  ///< of each field
  EditScope scope = EditScope::kCase;
  bool needs_plan = false;
  bool changes_plan = false;    ///< makes devices or rays differ from the plan
  bool needs_new_plan = false;  ///< takes effect when the case is planned again
  std::function<Status(const EditJson&, const EditContext&)> check{};
  /// The payload to store for a checked payload. `bench`: null if the case is not planned.
  std::function<Result<EditJson>(const EditJson&, EditWorkbench* bench)> complete{};
  std::function<Result<Trial>(const EditJson&, EditWorkbench&)> attempt{};  ///< empty: cannot be tried
  std::function<Status(const EditJson&, EditState&, const Case* planned)> apply{};
  std::function<Message(const EditJson&, const std::vector<StepTitle>&)> words{};
};

/// `P` is the payload. `check`, `complete` and `attempt` may be empty.
template <class P>
struct TypedEdit {
  std::string name{}, meaning{};
  EditScope scope = EditScope::kCase;
  bool needs_plan = false, changes_plan = false, needs_new_plan = false;
  EditFields<P> fields{};
  EditFields<P> completed{};  ///< added by complete(), stored with the others; rejected from outside
  /// Fields that may also come under a second name, which the docs give: "kind" is the edit's own on the wire.
  std::vector<std::pair<std::string, std::string>> also_as{};
  std::function<Status(const P&, const EditContext&)> check{};
  std::function<Status(P&, EditWorkbench&)> complete{};
  std::function<Result<Trial>(const P&, EditWorkbench&)> attempt{};
  /// On an error the edit no longer fits and is left out; `what` says why.
  std::function<Status(const P&, EditState&, const Case* planned)> apply{};
  std::function<Message(const P&, const std::vector<StepTitle>&)> words{};
};

template <class P>
[[nodiscard]] EditKind editKind(TypedEdit<P> e) {
  EditKind out{.name = e.name,
               .meaning = e.meaning,
               .scope = e.scope,
               .needs_plan = e.needs_plan,
               .changes_plan = e.changes_plan,
               .needs_new_plan = e.needs_new_plan};
  std::vector<std::string> known;
  for (const codec::Field<P>& f : e.fields) {
    known.push_back(f.key);
    const auto also = std::ranges::find(e.also_as, f.key, &std::pair<std::string, std::string>::first);
    out.forms.emplace_back(also == e.also_as.end() ? f.key : also->second, f.help.form);
    out.payload += (out.payload.empty() ? "" : ", ") + out.forms.back().first;
    if (f.presence != codec::Presence::kRequired) out.payload += "?";
  }
  out.payload = "{" + out.payload + "}";
  const codec::Codec<P> table = codec::object(e.fields + e.completed);
  const auto parse = [name = e.name, form = out.payload, also_as = e.also_as, known, table](EditJson j,
                                                                                            bool stored) -> Result<P> {
    if (j.is_object())
      for (const auto& [key, also] : also_as)
        if (j.contains(also) && !j.contains(key)) {
          EditJson value = std::move(j[also]);
          j.erase(also);
          j[key] = std::move(value);
        }
    if (!stored)
      if (const Status s = onlyKnownFields(j, name, known, form); !s) return tl::unexpected(s.error());
    return payloadFrom(table, j, name);
  };
  out.check = [parse, check = e.check](const EditJson& j, const EditContext& context) -> Status {
    const auto p = parse(j, false);
    if (!p) return tl::unexpected(p.error());
    return check ? check(*p, context) : Status{};
  };
  out.complete = [parse, table, complete = e.complete](const EditJson& j, EditWorkbench* bench) -> Result<EditJson> {
    auto p = parse(j, false);
    if (!p) return tl::unexpected(p.error());
    if (complete && bench != nullptr)
      if (const Status s = complete(*p, *bench); !s) return tl::unexpected(s.error());
    return table.write(*p);
  };
  if (e.attempt)
    out.attempt = [parse, attempt = e.attempt](const EditJson& j, EditWorkbench& bench) -> Result<Trial> {
      const auto p = parse(j, false);
      if (!p) return tl::unexpected(p.error());
      return attempt(*p, bench);
    };
  out.apply = [parse, apply = e.apply](const EditJson& j, EditState& state, const Case* planned) -> Status {
    const auto p = parse(j, true);
    if (!p) return tl::unexpected(p.error());
    return apply(*p, state, planned);
  };
  out.words = [parse, words = e.words, name = e.name](const EditJson& j, const std::vector<StepTitle>& steps) {
    const auto p = parse(j, true);
    return p ? words(*p, steps) : Message::quoted(name);
  };
  return out;
}

/// For checks: kRequest.
[[nodiscard]] tl::unexpected<Error> refused(Message what, std::string where, Message remedy);
/// kRequest naming the existing devices if this one is not among them.
[[nodiscard]] Status deviceExists(const EditState& state, const std::string& id, const std::string& kind);

}  // namespace rayset
