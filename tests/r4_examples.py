"""The official FHIR R4 examples (npm package hl7.fhir.r4.examples 4.0.1), fetched once by make."""

import json
from pathlib import Path

REFUSED: dict[str, dict[str, str]] = json.loads(
    (Path(__file__).parent / "fhir" / "examples_refused.json").read_text("utf-8")
)
"""Examples that break R4 themselves: file to the section of the standard and what is wrong."""
FOLDER = Path(__file__).parents[1] / ".cache" / "r4-examples" / "package"


def example_files(type_: str) -> list[Path]:
    """Answer the example files of a resource type; says how to get them if they are not there."""
    if not FOLDER.is_dir():
        raise FileNotFoundError("The official FHIR R4 examples are not there; run: make .cache/r4-examples")
    return sorted(FOLDER.glob(f"{type_}-*.json"))
