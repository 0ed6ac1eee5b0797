"""XML Patch (RFC 5261) on a resource's XML form, by lxml: the one file that knows it.

Selectors are the subset of XPath that points at one node: a path of names from the root with positions and
with comparisons of attributes and child elements. Names without a prefix are FHIR's.
"""

import re
from collections.abc import Callable
from copy import deepcopy
from typing import Any

from lxml import etree

from service.errors import InvalidInput, Issue, NotAcceptable, Place, RuleViolation
from service.fhir import xml, xml_writer
from service.fhir.json import Tree
from service.fhir.narrative import XHTML

__all__ = ["xml_patch"]

_FHIR = xml.FHIR
_SPACES = {"f": _FHIR, "h": XHTML}
_ROOTS = {"diff", "patch"}
_OPERATIONS = {"add", "replace", "remove"}
_POSITIONS = {"", "prepend", "before", "after"}
_NAME = r"(?:(?P<prefix>[A-Za-z_][\w.-]*):)?(?P<name>[A-Za-z_][\w.-]*|\*)"
_STEP = re.compile(_NAME)
_ATTRIBUTE = re.compile(r"@[A-Za-z_][\w.:-]*")
_POSITION = re.compile(r"\[\s*([1-9][0-9]{0,5})\s*\]")
_COMPARISON = re.compile(r"""\[\s*([\w.:@/-]+)\s*=\s*(?:'([^']*)'|"([^"]*)")\s*\]""")
_LONGEST = 1_000


class _CannotError(Exception):
    """An operation can't be carried out on this resource; the argument says why."""


def xml_patch(body: bytes, *, max_depth: int = 64) -> Callable[[Tree], Tree]:
    """Read an XML Patch document (root ``diff`` or ``patch``) and answer what carries it out on a tree.

    InvalidInput names everything that makes it no patch; RuleViolation the operation that can't be done, or
    what makes the result no resource.
    """
    root = _document(body, max_depth)
    if etree.QName(root).localname not in _ROOTS:
        raise InvalidInput("An XML patch has the root element 'diff' (RFC 5261) or 'patch' (RFC 7351).")
    operations = [node for node in root if isinstance(node.tag, str)]
    issues = [issue for node in operations if (issue := _fault(node))]
    if issues:
        raise InvalidInput(issues)

    def patch(tree: Tree) -> Tree:
        try:
            resource = etree.fromstring(xml_writer.dump(tree), _parser())
            before = _read(resource, max_depth)
            for place, node in enumerate(operations):
                try:
                    resource = _carry_out(resource, node)
                except _CannotError as error:
                    at = Place(
                        expression=f"diff/{etree.QName(node).localname}[{place}]", line=node.sourceline
                    )
                    text = f"Operation {place} ({node.get('sel', '')[:200]!r}) can't be done: {error}."
                    raise RuleViolation(Issue(text, place=at)) from None
            after = _read(resource, max_depth)
        except (InvalidInput, NotAcceptable) as error:
            raise RuleViolation(error.issues) from None
        if after.get("text") == before.get("text") and "text" in tree:
            after["text"] = tree["text"]  # as it was written; lxml writes a narrative in its own way
        return after

    return patch


def _parser() -> etree.XMLParser:
    return etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)


def _document(body: bytes, max_depth: int) -> Any:
    try:
        body.decode()
        root = etree.fromstring(body, _parser())
    except UnicodeDecodeError:
        raise InvalidInput("The text is not UTF-8.") from None
    except (etree.XMLSyntaxError, ValueError) as error:
        line = getattr(error, "lineno", None)
        raise InvalidInput(
            Issue(f"This is not well-formed XML (line {line}).", place=Place(line=line))
        ) from None
    if root.getroottree().docinfo.doctype or root.getroottree().xpath("//processing-instruction()"):
        raise InvalidInput("A document type declaration or processing instruction is not accepted.")
    if any(sum(1 for _ in node.iterancestors()) > max_depth for node in root.iter() if not len(node)):
        raise InvalidInput(f"The XML is nested deeper than {max_depth} levels.")
    return root


def _fault(node: Any) -> Issue | None:
    name, place = etree.QName(node).localname, Place(line=node.sourceline)
    if name not in _OPERATIONS:
        return Issue(f"'{name[:64]}' is no operation; use {', '.join(sorted(_OPERATIONS))}.", place=place)
    if node.get("pos", "") not in _POSITIONS or (
        node.get("type") and not _ATTRIBUTE.fullmatch(node.get("type"))
    ):
        return Issue("pos is prepend, before or after; type is '@' and an attribute's name.", place=place)
    try:
        _xpath(node)
    except ValueError as error:
        return Issue(f"sel {error}.", place=place)
    return None


def _xpath(node: Any) -> Callable[[Any], Any]:
    """The operation's selector; ValueError says what it uses that can't be used."""
    selector = node.get("sel", "").strip().removeprefix("/")
    if not selector or len(selector) > _LONGEST:
        raise ValueError(f"must be given, with at most {_LONGEST} characters")
    steps: list[str] = []
    values: dict[str, str] = {}
    rest = f"/{selector}"
    while rest:
        if not rest.startswith("/"):
            raise ValueError("may be a path of names with positions and comparisons with a text")
        step, rest = _step(rest[1:], node.nsmap, values)
        steps.append(step)
    compiled = etree.XPath("/" + "/".join(steps), namespaces=_SPACES)
    return lambda tree: compiled(tree, **values)


def _step(text: str, spaces: Any, values: dict[str, str]) -> tuple[str, str]:
    """One step of a selector as XPath, and the text behind it."""
    for last in (_ATTRIBUTE, re.compile(r"text\(\)")):
        if found := last.match(text):
            return found[0], text[found.end() :]
    found = _STEP.match(text)
    if not found:
        raise ValueError("may be a path of names with positions and comparisons with a text")
    step, text = _named(found, spaces), text[found.end() :]
    while text.startswith("["):
        if found := _POSITION.match(text):
            step += f"[{found[1]}]"
        elif found := _COMPARISON.match(text):
            name = f"v{len(values)}"
            values[name] = found[2] if found[2] is not None else found[3]
            step += f"[{_compared(found[1], spaces)}=${name}]"
        else:
            raise ValueError("may have a position or a comparison with a text in brackets")
        text = text[found.end() :]
    return step, text


def _compared(path: str, spaces: Any) -> str:
    """What a comparison looks at: ``.``, an attribute, or a path of child elements that may end in one."""
    steps = []
    for step in path.split("/"):
        found = _STEP.fullmatch(step)
        if step == "." or _ATTRIBUTE.fullmatch(step):
            steps.append(step)
        elif found:
            steps.append(_named(found, spaces))
        else:
            raise ValueError("compares something else than elements and attributes")
    return "/".join(steps)


def _named(found: re.Match[str], spaces: Any) -> str:
    prefix, name = found["prefix"], found["name"]
    space = spaces.get(prefix) if prefix else _FHIR
    own = next((short for short, uri in _SPACES.items() if uri == space), None)
    if own is None:
        raise ValueError(f"uses the prefix '{prefix}', which is neither FHIR's nor XHTML's namespace")
    return "*" if name == "*" and not prefix else f"{own}:{name}"


def _carry_out(root: Any, node: Any) -> Any:
    found = _xpath(node)(root)
    if len(found) != 1:
        raise _CannotError(f"the selector finds {len(found)} nodes, it must find one")
    (target,) = found
    match etree.QName(node).localname:
        case "add":
            _add(target, node)
        case "replace":
            return _replace(root, target, node)
        case _:
            if target is root:
                raise _CannotError("the resource itself can't be removed")
            _remove(target)
    return root


def _add(target: Any, node: Any) -> None:
    if not isinstance(target.tag if hasattr(target, "tag") else None, str):
        raise _CannotError("something can only be added to an element")
    if kind := node.get("type"):
        if kind[1:] in target.attrib:
            raise _CannotError(f"the attribute '{kind[1:64]}' is there already")
        target.set(kind[1:], node.text or "")
        return
    new = [deepcopy(child) for child in node]
    if not new:
        raise _CannotError("there is nothing to add")
    position = node.get("pos", "")
    if position in {"before", "after"} and target.getparent() is None:
        raise _CannotError("nothing can stand beside the resource")
    for child in new:
        child.tail = None
    inside, first = target, 0 if position == "prepend" else len(target)
    if position in {"before", "after"}:
        inside = target.getparent()
        first = inside.index(target) + (position == "after")
    inside[first:first] = new


def _replace(root: Any, target: Any, node: Any) -> Any:
    if not hasattr(target, "tag"):
        _set_text(target, node.text or "")
        return root
    children = [deepcopy(child) for child in node]
    if len(children) != 1:
        raise _CannotError("an element is replaced by one element")
    children[0].tail = target.tail
    if target.getparent() is None:
        return children[0]
    target.getparent().replace(target, children[0])
    return root


def _remove(target: Any) -> None:
    if not hasattr(target, "tag"):
        _set_text(target, None)
        return
    parent, before, tail = target.getparent(), target.getprevious(), target.tail or ""
    if before is not None:
        before.tail = (before.tail or "") + tail
    else:
        parent.text = (parent.text or "") + tail
    parent.remove(target)


def _set_text(target: Any, text: str | None) -> None:
    """Give an attribute or a piece of text, as XPath finds them, other text; None takes it away."""
    parent = target.getparent()
    if target.is_attribute and text is None:
        del parent.attrib[target.attrname]
    elif target.is_attribute:
        parent.set(target.attrname, text)
    elif target.is_tail:
        parent.tail = text
    else:
        parent.text = text


def _read(root: Any, max_depth: int) -> Tree:
    return xml.parse(etree.tostring(root, encoding="UTF-8", xml_declaration=True), max_depth=max_depth + 8)
