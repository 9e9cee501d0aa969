#!/usr/bin/env python3
"""A language for tests: English with every letter in another alphabet's clothes ("ƒòöţ"), the arguments as they are. What
is shown in plain letters under it was written where it should have been a code.

usage: pseudo_language.py DATA OUT: copies the data folder DATA to OUT and adds words/xx.json"""
import json
import pathlib
import re
import shutil
import sys

kPlain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
kDressed = "àƀçðéƒğĥîĵķļɱñöþɋřšţûṽŵẋýžÀƁÇÐÉƑĞĤÎĴĶĻḾÑÖÞɊŘŠŢÛṼŴẊÝŽ"
table = str.maketrans(kPlain, kDressed)


def dressed(pattern):
    """The literal text of an ICU message pattern translated, those of plural and select branches too."""
    out = []

    def walk(i, in_branch):
        while i < len(pattern):
            c = pattern[i]
            if pattern[i : i + 2] == "''":  # an apostrophe
                out.append("''")
                i += 2
                continue
            if c == "'" and pattern[i + 1 : i + 2] in tuple("{}#|"):  # quoted: as it stands
                end = pattern.find("'", i + 2)
                end = len(pattern) if end < 0 else end + 1
                out.append(pattern[i:end])
                i = end
                continue
            if c == "}" and in_branch:
                return i
            if c == "{":
                head = re.match(r"\{\s*\w+\s*(,\s*(plural|select|selectordinal)\s*,)?", pattern[i:])
                out.append(head[0])
                i += head.end()
                while pattern[i] != "}":
                    if head[1] and pattern[i] == "{":
                        out.append("{")
                        i = walk(i + 1, True)
                    out.append(pattern[i])
                    i += 1
                out.append("}")
            else:
                out.append(c.translate(table))
            i += 1
        return i

    walk(0, False)
    return "".join(out)


def translated(words, data):
    """With the texts of the data files; numbers and lists as in Finnish, which writes "1,5" and joins by "ja"."""
    out = {
        section: {key: dressed(pattern) for key, pattern in entries.items()} if isinstance(entries, dict) else entries
        for section, entries in words.items()
    }
    implants = json.loads((data / "implants.json").read_text())
    followup = json.loads((data / "followup.json").read_text())
    out["implant"] = {i["id"]: dressed(i["name"]) for i in implants["implants"]}
    out["instrument"] = {i["id"]: dressed(i["name"]) for i in implants["instruments"]}
    out["appointment"] = {f"{a['id']}.{key}": dressed(a[key]) for a in followup["appointments"] for key in ("title", "text")}
    return out | {"locale": "fi", "decimal": ","}


data, out = map(pathlib.Path, sys.argv[1:3])
shutil.copytree(data, out, dirs_exist_ok=True)
words = json.loads((data / "words" / "en.json").read_text())
(out / "words" / "xx.json").write_text(json.dumps(translated(words, data), ensure_ascii=False, indent=2) + "\n")
