"""The XHTML of a narrative: well-formed, only formatting, nothing that runs, not empty (narrative.html)."""

import re
from typing import Any
from xml.parsers import expat

from service.errors import IssueType
from service.fhir.narrative import XHTML
from service.fhir.validation.fault import Fault
from service.fhir.validation.primitives import explain
from service.fhir.validation.scope import Found, Scope

__all__ = ["narrative"]

# Both lists are those of the constraint txt-1.
_FORMATTING = (
    "a abbr acronym b big blockquote br caption cite code col colgroup dd dfn div dl dt em h1 h2 h3 h4 "
    "h5 h6 hr i img li ol p pre q samp small span strong sub sup table tbody td tfoot th thead tr tt ul "
    "var"
)
_DETAILS = (
    "abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign char "
    "charoff charset cite class colspan compact coords dir frame headers height href hreflang hspace id "
    "lang longdesc name nowrap rel rev rowspan rules scope shape span src start style summary tabindex "
    "title type valign value vspace width"
)
_ELEMENTS, _ATTRIBUTES = frozenset(_FORMATTING.split()), frozenset(_DETAILS.split())
_XML_ATTRIBUTES = frozenset(
    f"http://www.w3.org/XML/1998/namespace {name}" for name in ("lang", "space", "id")
)
_ACTIVE = re.compile(r"\s*(?:javascript|vbscript)\s*:", re.IGNORECASE)
_OUTSIDE = re.compile(
    r"url\s*\(\s*['\"]?\s*(?!data:|#|['\"\s])|@import|expression\s*\(|javascript\s*:", re.IGNORECASE
)
_PREDEFINED = frozenset({"amp", "lt", "gt", "quot", "apos"})
_ENTITY = re.compile(r"&([A-Za-z][A-Za-z0-9]*);")
_NOT_XML = "The narrative is not well-formed XML: {}."
_NOT_DIV = "The narrative must be one div element of the namespace http://www.w3.org/1999/xhtml."
_EMPTY = "The narrative must have some text or an image."
_NAMED = "XML does not know the character &{}; write the character itself or its number."


def narrative(value: Any, _: Scope) -> Found:
    """Check the text of ``Narrative.div``."""
    if type(value) is not str or not value:
        return explain("string", value)
    if "&" in value and (named := [name for name in _ENTITY.findall(value) if name not in _PREDEFINED]):
        return [_fault(_NAMED.format(named[0][:20]))]
    reader = _Reader()
    try:
        reader.read(value)
    except expat.ExpatError as error:
        return [_fault(_NOT_XML.format(expat.errors.messages[error.code]))]
    except ValueError as error:
        return [_fault(str(error))]
    return [_fault(text, rule) for text, rule in reader.faults()] or None


class _Reader:
    """One pass over the text, collecting what does not belong there."""

    def __init__(self) -> None:
        self._wrong: dict[str, str] = {}
        self._root = ""
        self._filled = False

    def read(self, text: str) -> None:
        """Read the text; ExpatError if it is not well-formed, ValueError for what may not be in it."""
        parser = expat.ParserCreate("utf-8", " ")
        parser.StartElementHandler = self._open
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = _refuse
        parser.ProcessingInstructionHandler = _refuse
        parser.Parse(text.encode(), True)

    def faults(self) -> list[tuple[str, str]]:
        """Each sentence with its rule."""
        empty = [] if self._filled else [(_EMPTY, "txt-2")]
        return [*((text, rule) for text, rule in self._wrong.items()), *empty]

    def _open(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(" ")
        if not self._root:
            self._root = name
            if name != f"{XHTML} div":
                self._wrong[_NOT_DIV] = ""
        elif namespace != XHTML or local not in _ELEMENTS:
            self._wrong[
                f"The narrative must not contain the element {local[:40]}; only formatting is allowed."
            ] = "txt-1"
        for key, value in attributes.items():
            if text := _attribute(key, value):
                self._wrong[text] = "txt-1"
        self._filled = self._filled or (local == "img" and "src" in attributes)

    def _text(self, text: str) -> None:
        self._filled = self._filled or not text.isspace()


def _attribute(name: str, value: str) -> str:
    if name not in _ATTRIBUTES and name not in _XML_ATTRIBUTES:
        local = name.rpartition(" ")[2][:40]
        return f"The narrative must not contain the attribute {local}; only formatting is allowed."
    if name in {"href", "src"} and _ACTIVE.match(value):
        return f"The attribute {name} must not hold a script."
    if name == "style" and _OUTSIDE.search(value):
        return "The attribute style must not refer to anything outside the narrative."
    return ""


def _refuse(*_: object) -> None:
    raise ValueError("The narrative must not hold a document type or a processing instruction.")


def _fault(text: str, rule: str = "") -> Fault:
    return Fault("", text, IssueType.INVARIANT if rule else IssueType.STRUCTURE, rule)
