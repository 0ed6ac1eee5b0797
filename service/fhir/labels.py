"""Profiles, security labels and tags of a resource: sets in ``meta`` (FHIR R4 resource.html, Metadata).

A label or tag is known by its system and code. An update adds labels and tags but never takes one away: a
client that does not know them would otherwise lose them, security labels among them.
"""

from typing import Any

from service.fhir.json import Tree

__all__ = ["with_labels_of", "with_more", "without"]

_CODED = ("security", "tag")
_SETS = ("profile", *_CODED)


def with_labels_of(stored: Tree, sent: Tree) -> Tree:
    """Answer ``sent`` with the security labels and tags of ``stored``; the very same tree if it has all."""
    meta = stored.get("meta", {})
    before = {name: meta[name] for name in _CODED if name in meta}
    if not any(_lacking(sent.get("meta", {}), name, values) for name, values in before.items()):
        return sent
    return sent | {"meta": _joined(before, sent.get("meta", {}))}


def with_more(meta: Tree, more: Tree) -> Tree:
    """Answer ``meta`` with the profiles, labels and tags of ``more`` it lacks."""
    return _joined(meta, {name: values for name, values in more.items() if name in _SETS})


def without(meta: Tree, less: Tree) -> Tree:
    """Answer ``meta`` without the profiles, labels and tags that ``less`` names."""
    kept = {**meta}
    for name in _SETS:
        kept[name] = _lacking(less, name, meta.get(name, []))
    return {name: value for name, value in kept.items() if value != []}


def _joined(first: Tree, second: Tree) -> Tree:
    """Both metas as one: the sets of the first, then what the second has besides."""
    sets = {
        name: [*first.get(name, []), *_lacking(first, name, second.get(name, []))]
        for name in _SETS
        if first.get(name) or second.get(name)
    }
    return {**first, **second, **sets}


def _lacking(meta: Tree, name: str, values: list[Any]) -> list[Any]:
    """Those of ``values`` that the set called ``name`` of ``meta`` has not."""
    have = [_known_by(value) for value in meta.get(name, [])]
    return [value for value in values if _known_by(value) not in have]


def _known_by(value: Any) -> Any:
    return (value.get("system"), value.get("code")) if isinstance(value, dict) else value
