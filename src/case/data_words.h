// Texts of the data files (implants.json, followup.json) for people: as the words of the language have them
// ("implant.cortex-3.5", "appointment.stitches.title"), else as they stand in the file.
#pragma once

#include <string>

#include "base/message.h"
#include "case/followup.h"
#include "fixation/catalogue.h"

namespace rayset {

/// Words::text() shows `text` where the code has no words.
[[nodiscard]] inline Message ofData(const std::string& code, const std::string& text) {
  return Message::made(code, {{"text", text}});
}
[[nodiscard]] inline Message nameOf(const ImplantType& type) { return ofData("implant." + type.id, type.name); }
[[nodiscard]] inline Message nameOf(const InstrumentType& tool) { return ofData("instrument." + tool.id, tool.name); }
[[nodiscard]] inline Message titleOf(const Appointment& a) { return ofData("appointment." + a.id + ".title", a.title); }
[[nodiscard]] inline Message textOf(const Appointment& a) { return ofData("appointment." + a.id + ".text", a.text); }

}  // namespace rayset
