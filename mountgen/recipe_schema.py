"""JSON Schema of recipe files, for editors: completion and red lines while one writes. Made from the model.

The schema judges one file, not what it inherits, so no key is required; that is left to `load_recipe`.
After a change of the model: python -c "from mountgen.recipe_schema import write_schema; write_schema()"
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from mountgen.recipe import RECIPES, Recipe

SCHEMA_FILE = Path(__file__).parent / "data" / "recipe.schema.json"
_FALSE = {"const": False, "description": "false takes out what the base gave"}


def build_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a recipe file of any kind."""
    schemas = {kind: recipe_type.model_json_schema() for kind, recipe_type in RECIPES.items()}
    tables: dict[str, Any] = {}
    keys: dict[str, Any] = {
        "base": {
            "type": "string",
            "description": f"what to build on: a starter ({', '.join(RECIPES)}) or the path of a recipe file",
        }
    }
    for schema in schemas.values():
        tables |= schema["$defs"]
        keys = {**schema["properties"], **keys}
    keys["kind"] = {"enum": list(RECIPES), "description": Recipe.model_fields["kind"].description}
    keys["body"] = {"anyOf": [{"$ref": "#/$defs/BlockBody"}, {"$ref": "#/$defs/TrayBody"}]}
    result = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "mountgen recipe",
        "description": "What to make of the scan of a recess. Lengths mm, angles degrees, masses kg.",
        "type": "object",
        "additionalProperties": False,
        "anyOf": [{"required": ["kind"]}, {"required": ["base"]}],
        "properties": {key: keys[key] for key in sorted(keys, key=_rank)},
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
                "then": {
                    "properties": {
                        "body": schema["properties"]["body"],
                        **{
                            key: False
                            for key in sorted(keys)
                            if key not in schema["properties"] and key != "base"
                        },
                    }
                },
            }
            for kind, schema in schemas.items()
        ],
        "$defs": {name: tables[name] for name in sorted(tables)},
    }
    tidied: dict[str, Any] = _tidy(result)
    for table in tidied["$defs"].values():
        table.pop("required", None)
    return tidied


def write_schema(path: Path = SCHEMA_FILE) -> Path:
    """Write the schema and return where."""
    path.write_text(encode_schema(), encoding="utf-8", newline="\n")
    return path


def encode_schema() -> str:
    """Return the schema as the text of its file."""
    return json.dumps(build_schema(), indent=1, ensure_ascii=False) + "\n"


def _rank(key: str) -> int:
    """Order keys as in the model, `base` behind `kind`."""
    order = ["kind", "base"]
    for recipe_type in RECIPES.values():
        order += [name for name in recipe_type.model_fields if name not in order]
    return order.index(key)


def _tidy(node: Any) -> Any:
    """Return a schema without what only a program wants: made-up titles, defaults of whole tables, null."""
    if isinstance(node, list):
        return [_tidy(item) for item in node]
    if not isinstance(node, dict):
        return node
    if node == {"type": "null"}:
        return _FALSE
    kept = {}
    for key, value in node.items():
        if key == "title" and value != "mountgen recipe" and isinstance(value, str):
            continue
        if key == "default" and (value is None or isinstance(value, dict)):
            continue
        kept[key] = _tidy(value)
    return kept
