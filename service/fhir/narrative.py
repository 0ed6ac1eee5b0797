"""The narrative's XHTML as text, on its way between JSON and XML (FHIR R4 narrative.html).

In JSON it is a string, in XML a part of the document. It is copied as it was written, not parsed and written
anew, wherever the two allow it.
"""

import re
from html.entities import name2codepoint
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

__all__ = ["XHTML", "DivReader", "as_xml"]

XHTML = "http://www.w3.org/1999/xhtml"
_XML = "http://www.w3.org/XML/1998/namespace"
_ENTITY = re.compile(r"&([A-Za-z][A-Za-z0-9]*);")
_PREDEFINED = frozenset({"amp", "lt", "gt", "quot", "apos"})
_LINE_ENDS = re.compile(r"\r\n?")
# XML would lose a carriage return as such. Nobody else writes its number so: read back, it is one again.
_RETURN = "&#013;"


def as_xml(div: str) -> str:
    """Answer the text of ``div`` as it can stand in an XML document; ValueError if it is not one XHTML div.

    Names of characters (``&nbsp;``), which only HTML knows, become their numbers.
    """
    text = _ENTITY.sub(_numbered, div) if "&" in div else div
    text = text.replace("\r", _RETURN)
    try:
        namespace, _, name = _root(text).rpartition(" ")
    except expat.ExpatError as error:
        raise ValueError(f"it is not well-formed XML: {expat.errors.messages[error.code]}") from None
    if name != "div" or namespace not in {"", XHTML}:
        raise ValueError("it is not an XHTML div element")
    return text if namespace else text.replace("<div", f'<div xmlns="{XHTML}"', 1)


def _root(text: str) -> str:
    """The name of the root element of a well-formed text without declarations."""
    names: list[str] = []
    parser = expat.ParserCreate("utf-8", " ")
    parser.StartElementHandler = lambda name, _: names.append(name)
    parser.StartDoctypeDeclHandler = _refuse
    parser.ProcessingInstructionHandler = _refuse
    parser.Parse(text.encode(), True)
    return names[0]


def _refuse(*_: object) -> None:
    raise ValueError("it holds a document type or a processing instruction")


def _numbered(entity: re.Match[str]) -> str:
    name = entity[1]
    return entity[0] if name in _PREDEFINED or name not in name2codepoint else f"&#{name2codepoint[name]};"


class DivReader:
    """Gathers the text of one div from the events of an XML document.

    The text is the document's own where that stands on its own feet: it declares its namespace itself and
    uses no prefix from outside. Otherwise it is written anew from the events.
    """

    def __init__(self, start: int, *, declares: bool) -> None:
        """``start`` is the byte where the div begins; ``declares``: it declares XHTML as its namespace."""
        self._start = start
        self._own_feet = declares
        self._depth = 0
        self._pieces: list[str] = []

    def open(self, name: str, attributes: dict[str, str]) -> bool:
        """An element begins; whether it belongs in a narrative."""
        self._depth += 1
        namespace, local, prefix = _split(name)
        pairs = [(_split(key), value) for key, value in attributes.items()]
        self._own_feet = self._own_feet and not prefix
        declared = f' xmlns="{XHTML}"' if self._depth == 1 else ""
        written = "".join(
            f" {'xml:' * bool(space)}{key}={quoteattr(value)}" for (space, key, _), value in pairs
        )
        self._pieces.append(f"<{local}{declared}{written}>")
        return namespace == XHTML and all(space in {"", _XML} for (space, _, _), _ in pairs)

    def text(self, text: str) -> None:
        """Characters."""
        self._pieces.append(escape(text))

    def comment(self, text: str) -> None:
        """A comment."""
        self._pieces.append(f"<!--{text}-->")

    def foreign(self) -> None:
        """Something that can't be copied: a declared prefix, a CDATA section."""
        self._own_feet = False

    def close(self, name: str) -> bool:
        """An element ends; whether it is the div itself."""
        self._depth -= 1
        if (
            self._pieces[-1].startswith("<")
            and self._pieces[-1][1] not in "/!"
            and self._pieces[-1][-2] != "/"
        ):
            self._pieces[-1] = f"{self._pieces[-1][:-1]}/>"
        else:
            self._pieces.append(f"</{_split(name)[1]}>")
        return self._depth == 0

    def result(self, document: bytes, end: int) -> str:
        """Answer the div's text; ``end`` is the byte at which its end tag begins."""
        if not self._own_feet or not document.startswith(b"</div", end):
            return "".join(self._pieces)
        raw = document[self._start : document.index(b">", end) + 1].decode()
        return _LINE_ENDS.sub("\n", raw).replace(_RETURN, "\r")


def _split(name: str) -> tuple[str, str, str]:
    """Namespace, local name and prefix as expat writes them: ``uri local prefix``, the outer two optional."""
    parts = name.split(" ")
    if len(parts) == 1:
        return "", name, ""
    return parts[0], parts[1], parts[2] if len(parts) > 2 else ""
