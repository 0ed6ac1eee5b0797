"""Labels of confidentiality (FHIR R4 security-labels.html, v3-Confidentiality), as a stored text bears them.

Told when a version is written, so that a read knows without looking through the text whether there is
anything to judge.
"""

import re

from service.fhir.json import reread

__all__ = ["CONFIDENTIALITY", "RESTRICTING", "is_labelled", "labels_of"]

CONFIDENTIALITY = "http://terminology.hl7.org/CodeSystem/v3-Confidentiality"
RESTRICTING = ("R", "V")
"""The codes that keep a resource from whoever may not see more than what is usual."""
_RESTRICTING = frozenset((CONFIDENTIALITY, code) for code in RESTRICTING)
_ESCAPED = re.compile(rb"\\u")


def labels_of(content: bytes) -> frozenset[tuple[str, str]]:
    """Answer system and code of every security label of a resource (JSON)."""
    codings = reread(content).get("meta", {}).get("security", ())
    return frozenset((one.get("system", ""), one.get("code", "")) for one in codings)


def is_labelled(content: bytes) -> bool:
    """Whether a resource (JSON, empty for a deletion) bears one of the restricting codes."""
    return _may_be_labelled(content) and not _RESTRICTING.isdisjoint(labels_of(content))


def _may_be_labelled(content: bytes) -> bool:
    """Whether a text could bear one; of several ways to look through it the quickest."""
    named = b'"security"' in content and b"onfidentiality" in content
    return named or (b"\\" in content and _ESCAPED.search(content) is not None)
