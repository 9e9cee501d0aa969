// Commands run by a shell, and what the validator of JSON schemas says of a file.
#pragma once

#include <sys/wait.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <string>
#include <vector>

namespace rayset::test {

struct Ended {
  int status = -1;   ///< as the command exited; -1 where it did not
  std::string said;  ///< both outputs
};

inline Ended shell(const std::string& command) {
  Ended e;
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  if (pipe == nullptr) return e;
  std::array<char, 4096> buffer{};
  std::size_t n = 0;
  while ((n = std::fread(buffer.data(), 1, buffer.size(), pipe)) > 0) e.said.append(buffer.data(), n);
  const int status = ::pclose(pipe);
  e.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  return e;
}

/// Files against a schema of data/schema/, by the validator of the Debian package python3-jsonschema, which shares
/// nothing with the program that writes them. Status 0: they follow it, 1: one does not, 2: it could not be tried.
inline Ended validated(const std::string& schema, const std::vector<std::filesystem::path>& files) {
  const std::string data = RAYSET_DATA_DIR;
  std::string command =
      "/usr/bin/python3 '" + data + "/../tests/report/validate_plan.py' '" + data + "/schema/" + schema + "'";
  for (const auto& file : files) command += " '" + file.string() + "'";
  return shell(command);
}

/// What the validator says of one file; "" where it follows the schema.
inline std::string offence(const std::string& schema, const std::filesystem::path& file) {
  const Ended e = validated(schema, {file});
  return e.status == 0 ? "" : e.said + " ";
}

}  // namespace rayset::test
