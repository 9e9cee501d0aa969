#!/usr/bin/env python3
"""Validates JSON documents against a JSON Schema (draft 2020-12).

    validate_plan.py SCHEMA FILE...

Exit status 0: the schema is sound and every file follows it; 1: some do not (each error on a line: file, place, what is
wrong); 2: it could not be tried (no python3-jsonschema, an unreadable file).
"""
import json
import sys

try:
    from jsonschema import Draft202012Validator
except ImportError:
    print("the Debian package python3-jsonschema is missing: apt-get install python3-jsonschema")
    sys.exit(2)


def main() -> int:
    if len(sys.argv) < 3:
        print(__doc__)
        return 2
    try:
        with open(sys.argv[1], encoding="utf-8") as f:
            schema = json.load(f)
        documents = []
        for name in sys.argv[2:]:
            with open(name, encoding="utf-8") as f:
                documents.append((name, json.load(f)))
    except (OSError, ValueError) as error:
        print(error)
        return 2
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    bad = 0
    for name, document in documents:
        for error in sorted(validator.iter_errors(document), key=lambda e: str(e.absolute_path)):
            place = "/".join(str(p) for p in error.absolute_path) or "(top)"
            print(f"{name}: {place}: {error.message[:300]}")
            bad += 1
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
