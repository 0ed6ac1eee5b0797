"""The official expansions of FHIR R4 value sets (hl7.fhir.r4.expansions 4.0.1), fetched once by make."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[1] / ".cache" / "r4-expansions" / "package"


def expansions() -> dict[str, dict[str, Any]]:
    """Answer every expanded value set by URL; says how to get them if they are not there."""
    if not FOLDER.is_dir():
        raise FileNotFoundError("The official expansions are not there; run: make .cache/r4-expansions")
    found = (json.loads(path.read_bytes()) for path in sorted(FOLDER.glob("ValueSet-*.json")))
    return {tree["url"]: tree for tree in found}


def contained(nodes: list[Any]) -> Iterator[tuple[str, str]]:
    """Answer system and code of everything an expansion contains."""
    for node in nodes:
        if "code" in node:
            yield node.get("system", ""), node["code"]
        yield from contained(node.get("contains", []))
