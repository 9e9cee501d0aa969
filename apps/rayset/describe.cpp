#include "describe.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <vector>

#include "base/result.h"
#include "base/words.h"

namespace rayset::app {
namespace {

/// Options that --help shows, in its order; positional ones first.
std::vector<const CLI::Option*> shownOptions(const CLI::App& app) {
  std::vector<const CLI::Option*> out;
  for (const CLI::Option* o : app.get_options())
    if (!o->get_group().empty()) out.push_back(o);
  std::stable_partition(out.begin(), out.end(), [](const CLI::Option* o) { return o->get_positional(); });
  return out;
}

std::vector<const CLI::App*> verbsOf(const CLI::App& app) {
  return app.get_subcommands([](const CLI::App* verb) { return !verb->get_group().empty(); });
}

std::vector<std::string> dashedNames(const CLI::Option& o) {
  std::vector<std::string> out;
  for (const std::string& name : o.get_snames()) out.push_back("-" + name);
  for (const std::string& name : o.get_lnames()) out.push_back("--" + name);
  return out;
}

bool takesValue(const CLI::Option& o) { return o.get_items_expected_max() > 0; }

/// "left right" for an option that accepts only these words; else empty. CLI11 writes them into the type:
/// TEXT:{left,right}.
std::string knownWords(const CLI::Option& o) {
  const std::string type = o.get_type_name();
  const std::size_t from = type.find('{'), to = type.rfind('}');
  if (from == std::string::npos || to == std::string::npos || to < from) return {};
  std::string words = type.substr(from + 1, to - from - 1);
  std::replace(words.begin(), words.end(), ',', ' ');
  return words;
}

// ------------------------------------------------------------------ manual page

std::string roff(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\')
      out += "\\e";
    else if (c == '-')
      out += "\\-";
    else if ((c == '.' || c == '\'') && (out.empty() || out.back() == '\n'))
      out += std::string("\\&") + c;
    else
      out += c;
  }
  return out;
}

/// The placeholder for the value: the accepted words, else the type.
std::string placeholder(const CLI::Option& o) {
  std::string words = knownWords(o);
  if (words.empty()) words = o.get_type_name().substr(0, o.get_type_name().find(':'));
  std::replace(words.begin(), words.end(), ' ', '|');
  return o.get_expected_max() > 1 ? words + "..." : words;
}

std::string entry(const CLI::Option& o) {
  std::string head;
  if (o.get_positional()) {
    head = fmt::format("\\fI{}\\fR", roff(o.get_name(true)));
  } else {
    std::vector<std::string> names;
    for (const std::string& name : dashedNames(o)) names.push_back(fmt::format("\\fB{}\\fR", roff(name)));
    head = fmt::format("{}", fmt::join(names, ", "));
    if (takesValue(o)) head += fmt::format(" \\fI{}\\fR", roff(placeholder(o)));
  }
  std::string text = sentence(o.get_description());
  if (o.get_required()) text += " Required.";
  if (takesValue(o) && !o.get_default_str().empty()) text += fmt::format(" Default: {}.", o.get_default_str());
  for (const CLI::Option* other : o.get_needs()) text += fmt::format(" Only with {}.", other->get_name());
  for (const CLI::Option* other : o.get_excludes()) text += fmt::format(" Not with {}.", other->get_name());
  if (!o.get_envname().empty()) text += fmt::format(" Else the environment variable {}.", o.get_envname());
  return fmt::format(".TP\n{}\n{}\n", head, roff(text));
}

std::string synopsis(const CLI::App& app, const CLI::App& verb) {
  std::string line = fmt::format("\\fB{} {}\\fR", roff(app.get_name()), roff(verb.get_name()));
  for (const CLI::Option* o : shownOptions(verb)) {
    if (o->get_positional())
      line += fmt::format(" \\fI{}\\fR", roff(o->get_name(true)));
    else if (o->get_required())
      line += fmt::format(" \\fB{}\\fR \\fI{}\\fR", roff(dashedNames(*o).back()), roff(placeholder(*o)));
  }
  return line + " [\\fIoptions\\fR]\n";
}

}  // namespace

std::string manualPage(const CLI::App& app, const std::string& version) {
  const std::string about = app.get_description();
  std::string short_about = about.substr(0, about.find(".\n"));
  if (short_about.starts_with("Rayset ")) short_about.erase(0, 7);  // the name precedes it
  std::string out =
      fmt::format(".TH RAYSET 1 \"\" \"{0} {1}\" \"User Commands\"\n.SH NAME\n{0} \\- {2}\n.SH SYNOPSIS\n",
                  roff(app.get_name()), roff(version), roff(short_about));
  bool first = true;
  for (const CLI::App* verb : verbsOf(app)) {
    if (!first) out += ".br\n";
    first = false;
    out += synopsis(app, *verb);
  }
  out += fmt::format(".SH DESCRIPTION\n{}\n.SH OPTIONS\nBefore or after the verb.\n", roff(about));
  for (const CLI::Option* o : shownOptions(app)) out += entry(*o);
  out += ".SH VERBS\n";
  for (const CLI::App* verb : verbsOf(app)) {
    out += fmt::format(".SS {}\n{}\n", roff(verb->get_name()), roff(sentence(verb->get_description())));
    for (const CLI::Option* o : shownOptions(*verb)) out += entry(*o);
  }
  out += fmt::format(
      ".SH EXIT STATUS\n"
      ".TP\n0\nDone.\n"
      ".TP\n{}\nThe request was wrong.\n"
      ".TP\n{}\nThe images cannot be used.\n"
      ".TP\n4\nDone in part: see the cautions.\n"
      ".TP\n{}\nStopped by the user.\n"
      ".TP\n{}\nSomething else failed.\n"
      ".PP\nA run that fails leaves nothing behind.\n",
      exitStatus(Fault::kRequest), exitStatus(Fault::kImages), exitStatus(Fault::kCancelled),
      exitStatus(Fault::kInternal));
  out += ".SH SEE ALSO\n/usr/share/doc/rayset: films, edits, checks after the operation, accuracy.\n";
  return out;
}

std::string bashCompletion(const CLI::App& app) {
  std::string verbs, choices, options;
  std::vector<std::string> values;  // patterns of options whose values are not listed
  const auto collect = [&](const CLI::App& of, const std::string& verb) {
    std::vector<std::string> all;
    for (const CLI::Option* o : shownOptions(of)) {
      if (o->get_positional()) continue;
      for (const std::string& name : dashedNames(*o)) {
        all.push_back(name);
        const std::string pattern = verb.empty() ? fmt::format("*' {}'", name) : fmt::format("'{} {}'", verb, name);
        if (const std::string words = knownWords(*o); !words.empty())
          choices += fmt::format("    {}) mapfile -t COMPREPLY < <(compgen -W '{}' -- \"$current\"); return ;;\n",
                                 pattern, words);
        else if (takesValue(*o))
          values.push_back(pattern);
      }
    }
    return fmt::format("{}", fmt::join(all, " "));
  };
  const std::string shared = collect(app, "");
  for (const CLI::App* verb : verbsOf(app)) {
    verbs += (verbs.empty() ? "" : " ") + verb->get_name();
    options += fmt::format("    {}) words+=' {}' ;;\n", verb->get_name(), collect(*verb, verb->get_name()));
  }
  std::string alternatives = verbs;
  std::replace(alternatives.begin(), alternatives.end(), ' ', '|');
  // For values that are not listed, nothing is offered here and bash offers files (-o default).
  return fmt::format(R"(# Completion for {0}; made by its build from the options it knows.
_{0}() {{
  local current=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD-1]}} verb= words='{1}' word
  COMPREPLY=()
  for word in "${{COMP_WORDS[@]:1:COMP_CWORD-1}}"; do
    case "$word" in {2}) verb=$word; break ;; esac
  done
  case "$verb $before" in
{3}    {4}) return ;;
  esac
  case "$verb" in
    '') words+=' {5}' ;;
{6}  esac
  if [[ -z $verb || $current == -* ]]; then mapfile -t COMPREPLY < <(compgen -W "$words" -- "$current"); fi
}}
complete -o bashdefault -o default -F _{0} {0}
)",
                     app.get_name(), shared, alternatives, choices, fmt::join(values, "|"), verbs, options);
}

}  // namespace rayset::app
