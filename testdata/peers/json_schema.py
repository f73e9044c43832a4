"""Judges JSON documents by their schemas, by the library jsonschema. It is a peer
for the tests and an example for integrators.

usage: json_schema.py SCHEMA_FOLDER < documents

Each line of standard input is the name of a schema, a space and a document. What
breaks its schema is told on standard output; the last line counts the documents.
"""
import json
import pathlib
import sys

import jsonschema

folder = pathlib.Path(sys.argv[1]).resolve()
validators, count = {}, 0
for line in sys.stdin:
    name, _, text = line.partition(" ")
    if name not in validators:
        schema = json.loads((folder / (name + ".json")).read_text())
        jsonschema.Draft202012Validator.check_schema(schema)
        resolver = jsonschema.RefResolver(base_uri=(folder / (name + ".json")).as_uri(), referrer=schema)
        validators[name] = jsonschema.Draft202012Validator(schema, resolver=resolver)
    for e in validators[name].iter_errors(json.loads(text)):
        print(f"{name}: {'/'.join(map(str, e.absolute_path))}: {e.message[:300]}")
    count += 1
print(f"{count} documents by {len(validators)} schemas")
