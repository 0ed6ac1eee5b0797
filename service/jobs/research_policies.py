"""Which de-identification policies are offered, and reading them with their tables."""

import json
from dataclasses import dataclass
from typing import Any

from service.deidentify.policy import Deidentifier
from service.errors import InvalidInput
from service.shipped import shipped
from service.terminology.codes import codes

__all__ = ["VARIANTS", "Variant", "load_variant"]

VARIANTS = ("safe-harbor",)


@dataclass(frozen=True, slots=True)
class Variant:
    """A policy ready for use, and what the export itself needs of it."""

    deidentify: Deidentifier
    smallest_class: int
    age_class_url: str
    zip3_census: int


def load_variant(name: str) -> Variant:
    """Read ``mappings/policies/<name>.json`` and the ZIP table it names.

    Raises InvalidInput for a variant that is not offered.
    """
    if name not in VARIANTS:
        raise InvalidInput(f"There is no export variant of that name; offered: {', '.join(VARIANTS)}.")
    policy = _read(f"{name}.json")
    places = _read(policy["restricted_zip3"])
    vocabulary: dict[str, dict[str, str]] = {}
    for row in codes().rows():
        vocabulary.setdefault(row.system, {})[row.code] = row.display
    compiled = Deidentifier(policy, vocabulary=vocabulary, restricted_zip3=places["restricted"])
    return Variant(
        compiled, policy["smallest_class"], policy["extension_urls"]["age_class"], places["census"]
    )


def _read(file: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(shipped("mappings", "policies", file).read_text("utf-8"))
    return document
