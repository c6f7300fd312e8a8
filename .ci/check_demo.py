"""Every JSON of the demo folder fits the schema that the project ships."""

import json
import sys
from importlib import resources
from pathlib import Path

import jsonschema

schema = json.loads(resources.files("analyzer.presentation").joinpath("result.schema.json").read_text())
files = sorted(Path(sys.argv[1]).glob("*.json"))
if not files:
    sys.exit("the demo wrote no JSON")
for file in files:
    result = json.loads(file.read_text())
    jsonschema.validate(result, schema)
    if not result["corners"]:
        sys.exit(f"{file.name}: no corners")
    print(f"{file.name}: fits the schema, {len(result['findings'])} findings")
