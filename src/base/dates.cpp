#include "base/dates.h"

#include <fmt/format.h>

#include <array>
#include <ctime>

namespace rayset {

using std::chrono::year_month_day;

std::optional<std::chrono::sys_days> dayFromIso(const std::string& text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return std::nullopt;
  for (std::size_t n = 0; n < text.size(); ++n)
    if (n != 4 && n != 7 && (text[n] < '0' || text[n] > '9')) return std::nullopt;
  const year_month_day day{std::chrono::year(std::stoi(text.substr(0, 4))),
                           std::chrono::month(static_cast<unsigned>(std::stoi(text.substr(5, 2)))),
                           std::chrono::day(static_cast<unsigned>(std::stoi(text.substr(8, 2))))};
  if (!day.ok() || day.year() < std::chrono::year(1900)) return std::nullopt;
  return std::chrono::sys_days(day);
}

std::string isoDay(std::chrono::sys_days day, const char* dash) {
  const year_month_day d(day);
  return fmt::format("{:04}{}{:02}{}{:02}", static_cast<int>(d.year()), dash, static_cast<unsigned>(d.month()), dash,
                     static_cast<unsigned>(d.day()));
}

std::string localTime() {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  localtime_r(&now, &local);
  std::array<char, 32> text{};
  return {text.data(), std::strftime(text.data(), text.size(), "%Y-%m-%d %H:%M", &local)};
}

std::string localDay() { return localTime().substr(0, 10); }

}  // namespace rayset
