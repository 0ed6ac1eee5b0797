"""Value sets that exist by their address alone, because the code system's page in FHIR R4 says so.

Source: hl7.org/fhir/R4/snomedct.html and loinc.html, "Implicit Value Sets".
"""

import re

from service.fhir.code_systems import SNOMED
from service.fhir.json import Tree

__all__ = ["implicit_value_set"]

_LOINC = "http://loinc.org"
_BELOW = re.compile(re.escape(f"{SNOMED}?fhir_vs=isa/") + r"(\d{6,18})")


def implicit_value_set(url: str) -> Tree | None:
    """Answer all of SNOMED CT or LOINC, or a SNOMED CT concept and what is below it; None for other URLs."""
    if url == f"{SNOMED}?fhir_vs":
        return _of(url, "SNOMED CT", {"system": SNOMED})
    if url == f"{_LOINC}/vs":
        return _of(url, "LOINC", {"system": _LOINC})
    if found := _BELOW.fullmatch(url):
        rule = {"property": "concept", "op": "is-a", "value": found[1]}
        return _of(url, f"SNOMED CT {found[1]} and below", {"system": SNOMED, "filter": [rule]})
    return None


def _of(url: str, title: str, include: Tree) -> Tree:
    return {
        "resourceType": "ValueSet",
        "url": url,
        "title": title,
        "status": "active",
        "compose": {"include": [include]},
    }
