"""FHIR XML, read strictly into the tree that FHIR JSON has (FHIR R4 xml.html, json.html).

Numbers and dates keep their text. Document types (and with them entities), processing instructions, other
namespaces, unknown elements and attributes, wrong order and text between elements are refused.
``xml_writer.py`` writes a tree back.
"""

from typing import Any, NoReturn
from xml.parsers import expat

from service.errors import InvalidInput, Issue, IssueType, Place, Severity
from service.fhir.elements import Element, elements, is_resource
from service.fhir.json import Tree, number
from service.fhir.narrative import XHTML, DivReader

__all__ = ["FHIR", "parse"]

FHIR = "http://hl7.org/fhir"
_MOST_PROBLEMS = 100
_SCHEMA_LOCATION = "http://www.w3.org/2001/XMLSchema-instance schemaLocation"
_VALUE = "value"


def parse(data: bytes, *, max_depth: int = 64) -> Tree:
    """Read one resource. InvalidInput carries every problem with its FHIRPath expression and line.

    ``max_depth`` is the deepest nesting of elements.
    """
    return _Reader(data, max_depth).tree()


class _Frame:
    """An element that is open: what it is, what it has held so far, and where it stands."""

    __slots__ = ("element", "lists", "node", "order", "spoilt", "step", "type", "value")

    def __init__(self, element: Element | None, type_: str, step: str, node: Tree) -> None:
        self.element = element
        self.type = type_
        self.step = step
        self.node = node
        self.order = -1
        self.spoilt = False
        self.value: Any = None
        self.lists: list[str] = []


class _Reader:
    def __init__(self, data: bytes, max_depth: int) -> None:
        self._data = data
        self._max_depth = max_depth
        self._frames: list[_Frame] = []
        self._problems: list[Issue] = []
        self._skipped = 0
        self._div: DivReader | None = None
        self._div_declared = False
        self._tree: Tree = {}
        self._parser = self._prepared()

    def _prepared(self) -> expat.XMLParserType:
        parser = expat.ParserCreate("utf-8", " ")
        parser.namespace_prefixes = True
        parser.buffer_text = True
        parser.XmlDeclHandler = self._declaration
        parser.StartDoctypeDeclHandler = self._doctype
        parser.ProcessingInstructionHandler = self._instruction
        parser.StartNamespaceDeclHandler = self._namespace
        parser.StartCdataSectionHandler = self._cdata
        parser.CommentHandler = self._comment
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        return parser

    def tree(self) -> Tree:
        try:
            self._data.decode()
            self._parser.Parse(self._data, True)
        except UnicodeDecodeError as error:
            text = f"The text is not UTF-8: byte {error.start + 1} can't be read."
            raise InvalidInput(Issue(text, Severity.FATAL, IssueType.STRUCTURE)) from None
        except expat.ExpatError as error:
            sentence = f"This is not well-formed XML: {expat.errors.messages[error.code]}"
            self._refuse(sentence, error.lineno, error.offset + 1)
        if self._problems:
            raise InvalidInput(self._problems)
        return self._tree

    def _declaration(self, _version: str, encoding: str | None, _standalone: int) -> None:
        if encoding and encoding.lower() not in {"utf-8", "utf8"}:
            self._refuse("Send the document in UTF-8, and say so in its declaration")

    def _doctype(self, *_: object) -> None:
        self._refuse("A document type declaration is not accepted")

    def _instruction(self, *_: object) -> None:
        self._refuse("A processing instruction is not accepted")

    def _namespace(self, prefix: str | None, uri: str) -> None:
        self._div_declared = prefix is None and uri == XHTML
        if self._div and prefix:
            self._div.foreign()

    def _cdata(self) -> None:
        if self._div:
            self._div.foreign()

    def _comment(self, text: str) -> None:
        if self._div:
            self._div.comment(text)

    def _text(self, text: str) -> None:
        if self._div:
            self._div.text(text)
        elif not self._skipped and text.strip():
            self._problem("Text may only stand in 'value' attributes and in the narrative.", self._path())

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self._frames) + self._skipped >= self._max_depth:
            self._refuse(f"The XML is nested deeper than {self._max_depth} levels")
        if self._skipped:
            self._skipped += 1
        elif self._div:
            self._inside_div(name, attributes)
        else:
            self._open(name, attributes)

    def _inside_div(self, name: str, attributes: dict[str, str]) -> None:
        self._frames.append(_Frame(None, "", "", {}))
        if self._div and not self._div.open(name, attributes):
            self._problem("A narrative holds XHTML elements and attributes only.", self._path())

    def _open(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.partition(" ")
        local = local.partition(" ")[0] if local else namespace
        parent = self._frames[-1] if self._frames else None
        if parent is None or (parent.element is not None and parent.element.kind == "resource"):
            self._open_resource(parent, namespace, local, attributes)
            return
        element = elements(parent.type).get(local)
        if element is None or element.attribute or namespace != (XHTML if element.kind == "xhtml" else FHIR):
            self._unknown(local, namespace)
            return
        self._open_element(parent, element, name, attributes)

    def _open_resource(
        self, parent: _Frame | None, namespace: str, local: str, attributes: dict[str, str]
    ) -> None:
        if namespace != FHIR or not is_resource(local):
            self._skip(
                f"'{local[:64]}' is not a resource type of FHIR R4; its namespace must be {FHIR}.",
                self._path(),
            )
        elif parent is not None and parent.node:
            self._skip("Only one resource can stand here.", self._path())
        else:
            frame = _Frame(None, local, "" if parent else local, {"resourceType": local})
            if parent is not None:
                parent.node = frame.node
            self._frames.append(frame)
            self._attributes(frame, attributes, {})

    def _open_element(self, parent: _Frame, element: Element, name: str, attributes: dict[str, str]) -> None:
        step = element.choice or element.name
        if element.repeats:
            step += f"[{len(parent.node.get(element.name, ()))}]"
        kind = element.kind
        frame = _Frame(element, element.type if kind in {"parts", "resource"} else "Element", step, {})
        self._frames.append(frame)
        self._in_turn(parent, element)
        if kind == "xhtml":
            self._div = DivReader(self._parser.CurrentByteIndex, declares=self._div_declared)
            if not self._div.open(name, attributes):
                self._problem("A narrative holds XHTML elements and attributes only.", self._path())
        elif kind == "resource":
            self._attributes(frame, attributes, {})
        else:
            self._attributes(frame, attributes, elements(frame.type), primitive=kind != "parts")

    def _in_turn(self, parent: _Frame, element: Element) -> None:
        """The order of the standard holds, and only what repeats comes twice."""
        if element.order < parent.order:
            self._problem("This element stands too late; keep to the order of the standard.", self._path())
        elif element.order == parent.order and not element.repeats:
            self._problem("This element may be given once.", self._path())
        parent.order = max(parent.order, element.order)

    def _attributes(
        self,
        frame: _Frame,
        given: dict[str, str],
        known: Any,
        *,
        primitive: bool = False,
    ) -> None:
        for name, text in given.items():
            if primitive and name == _VALUE:
                frame.value = self._read(frame, text)
            elif name in known and known[name].attribute:
                frame.node[name] = text
            elif not name.startswith(_SCHEMA_LOCATION):
                local = name.split(" ")[1 if " " in name else 0]
                self._problem(f"There is no attribute '{local[:64]}' here.", self._path())

    def _read(self, frame: _Frame, text: str) -> Any:
        kind = frame.element.kind if frame.element else ""
        if kind == "boolean":
            if text not in {"true", "false"}:
                self._problem("The value must be true or false.", self._path(), IssueType.VALUE)
            return text == "true"
        if kind == "number":
            try:
                return number(
                    text.removeprefix("+") if frame.element and frame.element.type == "positiveInt" else text
                )
            except ValueError:
                self._problem("The value must be a number.", self._path(), IssueType.VALUE)
                return 0
        return text

    def _end(self, name: str) -> None:
        if self._skipped:
            self._skipped -= 1
            return
        frame = self._frames.pop()
        if self._div:
            if not self._div.close(name):
                return
            frame.value = self._div.result(self._data, self._parser.CurrentByteIndex)
            self._div = None
        for member in frame.lists:
            if all(value is None for value in frame.node[member]):
                del frame.node[member]
        parent = self._frames[-1] if self._frames else None
        if parent is None:
            self._tree = frame.node
        elif frame.element is not None:
            self._keep(parent, frame, frame.element)

    def _keep(self, parent: _Frame, frame: _Frame, element: Element) -> None:
        """Put what a finished element held into its parent, as JSON writes it."""
        if not frame.node and frame.value is None and not frame.spoilt:
            self._problem("An element must not be empty; leave it out.", f"{self._path()}.{frame.step}")
        primitive = element.kind not in {"parts", "resource"}
        pair = [(element.name, frame.value if primitive else frame.node)]
        if primitive:
            pair.append((f"_{element.name}", frame.node or None))
        for name, value in pair:
            if element.repeats:
                parent.node.setdefault(name, []).append(value)
                if primitive and len(parent.node[name]) == 1:
                    parent.lists.append(name)
            elif value is not None:
                parent.node.setdefault(name, value)

    def _unknown(self, local: str, namespace: str) -> None:
        hint = "" if namespace == FHIR else f" Its namespace must be {FHIR}."
        text = f"There is no element '{local[:64]}' here; check its spelling or remove it.{hint}"
        self._skip(text, self._path())

    def _skip(self, text: str, at: str) -> None:
        self._problem(text, at)
        self._skipped = 1

    def _path(self) -> str:
        return ".".join(frame.step for frame in self._frames if frame.step)

    def _problem(self, text: str, at: str, code: IssueType = IssueType.STRUCTURE) -> None:
        if self._frames:
            self._frames[-1].spoilt = True
        line, column = self._parser.CurrentLineNumber, self._parser.CurrentColumnNumber + 1
        place = Place(expression=at, line=line, column=column)
        self._problems.append(Issue(text, code=code, place=place))
        if len(self._problems) >= _MOST_PROBLEMS:
            raise InvalidInput(self._problems)

    def _refuse(self, text: str, line: int | None = None, column: int | None = None) -> NoReturn:
        line = self._parser.CurrentLineNumber if line is None else line
        column = self._parser.CurrentColumnNumber + 1 if column is None else column
        sentence = f"{text} (line {line}, column {column})."
        place = Place(self._path(), line=line, column=column)
        raise InvalidInput(Issue(sentence, Severity.FATAL, IssueType.STRUCTURE, place)) from None
