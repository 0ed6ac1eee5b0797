"""A profile's elements in full, made from what it says about its base (profiling.html)."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace

from service.fhir.json import Tree
from service.fhir.validation.profiles.nodes import Node, Step, steps_of

__all__ = ["DefinitionFault", "RootOf", "child", "extended", "parts", "profiled"]

RootOf = Callable[[str], Node]
"""The elements in full of a type (``Quantity``) or of a canonical; DefinitionFault if unknown."""

_EXTENSIONS = frozenset({"extension", "modifierExtension"})
_SYSTEM = "http://hl7.org/fhirpath/"
_BY_URL = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}
_BY_TYPE = {"discriminator": [{"type": "type", "path": "$this"}], "ordered": False}
_TEXTS = ("definition", "comment", "requirements")
_LEFT_OUT = frozenset({"id", "path", "mapping", "base", "constraint", "slicing", "binding", *_TEXTS})


class DefinitionFault(ValueError):
    """A definition that can't be used; the text says why."""


def profiled(base: Node, differential: Iterable[Tree], root_of: RootOf) -> Node:
    """Answer the elements of a profile: those of its base, constrained by its differential."""
    root = base.copy()
    way = _Way(root_of)
    for steps, element in _with_steps(differential):
        node = way.to(root, steps)
        node.element = _merged(node.element, element)
    way.close_shortcuts()
    return root


def extended(base: Node, type_: str, differential: Iterable[Tree], root_of: RootOf) -> Node:
    """Answer the elements of a type that adds elements to its base (a specialization)."""
    root = replace(base.copy(), name=type_, path=type_)
    way = _Way(root_of)
    for steps, element in _with_steps(differential):
        node = way.to(root, steps[:-1])
        if steps:
            name = steps[-1][0]
            node = _unfolded(node, root_of).setdefault(name, Node(name, {}, element["path"]))
            node.element = {**node.element, "constraint": _of_every_element(element, root_of)}
        node.element = _merged(node.element, element)
        node.choices = node.types
    return root


def _of_every_element(element: Tree, root_of: RootOf) -> list[Tree]:
    """The constraints an element has by being one; published snapshots repeat them, those of its type not."""
    codes = {type_["code"] for type_ in element.get("type", ())}
    if codes == {"Resource"} or any(code.startswith(_SYSTEM) for code in codes):
        return []
    origin = "Extension" if codes == {"Extension"} else "Element"
    return list(root_of(origin).element.get("constraint", ()))


def _with_steps(differential: Iterable[Tree]) -> Iterator[tuple[tuple[Step, ...], Tree]]:
    before: tuple[Step, ...] = ()
    for element in differential:
        before = steps_of(element, before)
        yield before, element


def parts(node: Node, root_of: RootOf) -> Mapping[str, Node]:
    """Answer the children of an element, its type's where nothing was said of them; not to be changed."""
    if node.children is not None:
        return node.children
    held = _content(node, root_of)
    return parts(held, root_of) if held else {}


def child(node: Node, name: str, root_of: RootOf) -> Node | None:
    """Answer one child; a choice is found as ``value`` and ``value[x]``."""
    children = parts(node, root_of)
    return children.get(name) or children.get(f"{name}[x]")


def _unfolded(node: Node, root_of: RootOf) -> dict[str, Node]:
    """The children of an element as its own, so that something can be said about them."""
    if node.children is None:
        node.children = {name: one.copy() for name, one in parts(node, root_of).items()}
    return node.children


def _content(node: Node, root_of: RootOf) -> Node | None:
    """What an element's parts are taken from; None if it has no parts."""
    if "contentReference" in node.element:
        return _referred(node.element["contentReference"].rpartition("#")[2], root_of)
    types = node.element.get("type", ())
    if len(types) > 1:
        return root_of("Element")
    for type_ in types:
        profiles = type_.get("profile", ())
        if len(profiles) == 1:
            return root_of(profiles[0])
        return None if type_["code"].startswith(_SYSTEM) else root_of(type_["code"])
    return None


def _referred(path: str, root_of: RootOf) -> Node:
    type_, *names = path.split(".")
    node = root_of(type_)
    for name in names:
        found = child(node, name, root_of)
        if found is None:
            raise DefinitionFault(f"there is no {path}")
        node = found
    return node


class _Way:
    """Finds the way to the elements that a differential names, and remembers which it named in short."""

    def __init__(self, root_of: RootOf) -> None:
        self._root_of = root_of
        self._short: list[tuple[Node, Node]] = []

    def to(self, node: Node, steps: Iterable[Step]) -> Node:
        for name, slice_ in steps:
            children = _unfolded(node, self._root_of)
            node = children[name] if name in children else self._in_short(children, name, node.path)
            node = _slice(node, slice_) if slice_ else node
        return node

    def _in_short(self, children: dict[str, Node], name: str, path: str) -> Node:
        """``valueQuantity`` is the slice of ``value[x]`` for that type."""
        for node in children.values():
            stem = node.name.removesuffix("[x]")
            codes = [code for code in node.choices if stem + code[0].upper() + code[1:] == name]
            if stem != node.name and codes:
                return self._of_type(node, name, codes[0])
        raise DefinitionFault(f"{path} has no element {name}")

    def _of_type(self, node: Node, name: str, code: str) -> Node:
        known = name in node.slices
        made = _slice(node, name)
        if not known:
            types = [type_ for type_ in node.element.get("type", ()) if type_["code"] == code]
            made.element = {**made.element, "type": types, "min": node.element.get("min", 0)}
            self._short.append((node, made))
        return made

    def close_shortcuts(self) -> None:
        """A choice with one type named in short is narrowed to it, as the published snapshots have it."""
        for node, made in self._short:
            if len(node.slices) == 1:
                slicing = {**node.element["slicing"], "rules": "closed"}
                node.element = {**node.element, "slicing": slicing, "type": made.element["type"]}


def _slice(node: Node, name: str) -> Node:
    """The slice of this name, made from the element (or the slice it is a slice of) if it is new."""
    for parent, one in node.slices.items():
        if name.startswith(f"{parent}/"):
            return _slice(one, name)
    if name not in node.slices:
        if "slicing" not in node.element and node.name in _EXTENSIONS:
            node.element = {**node.element, "slicing": _BY_URL}
        elif "slicing" not in node.element and node.name.endswith("[x]"):
            node.element = {**node.element, "slicing": {**_BY_TYPE, "rules": "open"}}
        made = replace(node.copy(), slices={})
        own = {key: value for key, value in node.element.items() if key != "slicing"}
        made.element = {**own, "sliceName": name, "min": 0}
        node.slices[name] = made
    return node.slices[name]


def _merged(base: Tree, differential: Tree) -> Tree:
    merged = {**base, **{name: value for name, value in differential.items() if name not in _LEFT_OUT}}
    if "constraint" in differential:
        own = {one["key"]: one for one in differential["constraint"]}
        kept = [one for one in base.get("constraint", ()) if one["key"] not in own]
        merged["constraint"] = [*kept, *own.values()]
    for name in ("slicing", "binding"):
        if name in differential:
            merged[name] = {**base.get(name, {}), **differential[name]}
    for name in _TEXTS:
        if name in differential:
            text = differential[name]
            merged[name] = base.get(name, "") + text[3:] if text.startswith("...") else text
    return merged
