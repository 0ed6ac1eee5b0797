"""Rules of data types that the standard states in words only (datatypes.html)."""

import re
from typing import Any

from service.errors import IssueType
from service.fhir.fhirpath.syntax import parse
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.scope import Found, Scope

__all__ = ["attachment", "expression", "identifier"]

_URI_SYSTEM = "urn:ietf:rfc:3986"
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+")
_FHIRPATH = "text/fhirpath"
_SIZE = "The size is not the number of bytes in the data; leave it out or correct it."
_NO_FHIRPATH = "The expression is not FHIRPath: {}."
_NOT_A_URI = f"With the system {_URI_SYSTEM} the value must be a full URI, as urn:oid:1.2.3."


def attachment(node: Tree, _: Scope) -> Found:
    """``Attachment.size`` is the number of bytes of the content before it was written as base64."""
    data, size = node.get("data"), node.get("size")
    if type(data) is not str or type(size) is not int:
        return None
    text = "".join(data.split())
    bytes_ = len(text) // 4 * 3 - len(text[-2:]) + len(text[-2:].rstrip("="))
    return None if size == bytes_ else [Fault("", _SIZE, IssueType.VALUE)]


def expression(node: Tree, _: Scope) -> Found:
    """An Expression whose language is FHIRPath can be read as such; what its functions are is left open."""
    text: Any = node.get("expression")
    if node.get("language") != _FHIRPATH or type(text) is not str:
        return None
    try:
        parse(text)
    except (ValueError, RecursionError) as why:
        return [Fault("", _NO_FHIRPATH.format(str(why)[:200].rstrip(".")), IssueType.INVALID)]
    return None


def identifier(node: Tree, _: Scope) -> Found:
    """An identifier that is a URI names its scheme."""
    value: Any = node.get("value")
    if node.get("system") != _URI_SYSTEM or type(value) is not str or _URI.fullmatch(value):
        return None
    return [Fault("", _NOT_A_URI, IssueType.VALUE)]
