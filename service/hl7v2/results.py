"""Results of a report (OBX), numbered by the tables, so that a number always means the same.

An Observation that only holds components together is no result of its own.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.hl7v2.mapping import reports
from service.records.parts import in_error, target
from service.records.stored import code_of, component
from service.terminology.codes import OBSERVATION

__all__ = ["Result", "numbered"]

Tree = dict[str, Any]
_SUB = re.compile(r"<([\w-]+)>")
_INHERITED = ("effectiveDateTime", "effectivePeriod", "performer", "method", "status", "id", "resourceType")


@dataclass(frozen=True, slots=True)
class Result:
    """One OBX: its number, and the Observation (or component, as an Observation of its own) it tells."""

    sub: str
    tree: Tree

    @property
    def wrong(self) -> bool:
        """Whether the Observation was entered in error."""
        return in_error(self.tree)


def numbered(observations: Iterable[Tree], on_file: Mapping[str, Tree]) -> Iterator[Result]:
    """Each Observation and its components with their numbers, none of which stands twice."""
    taken: set[str] = set()
    found = [(one.get("sub") or _sub(one, on_file), one) for one in observations]
    for sub, one in sorted(found, key=lambda pair: _order(pair[0])):
        whole = _free(sub or "9", taken)
        parts = [_as_observation(one, part) for part in one.get("component", ())]
        if _says_something(one) or not parts:
            yield Result(whole, one)
        elif "note" in one:  # a remark on the whole stands at its first part
            parts[0] = {**parts[0], "note": one["note"]}
        known = reports().components.get(code_of(one.get("code"), OBSERVATION), ())
        for part in parts:
            code = code_of(part.get("code"), OBSERVATION)
            place = known.index(code) + 1 if code in known else len(known) + 1
            yield Result(_free(f"{whole}.{place}", taken), part)


def _says_something(one: Tree) -> bool:
    """Whether an Observation has a value of its own, or says why it has none."""
    return any(name.startswith(("value", "dataAbsentReason")) for name in one)


def _free(sub: str, taken: set[str]) -> str:
    """The number, or where it is taken the next below it."""
    number, found = 1, sub
    while found in taken:
        number += 1
        found = f"{sub}.{number}"
    taken.add(found)
    return found


def _order(sub: str) -> list[int]:
    return [int(part) for part in sub.split(".") if part.isdecimal()] if sub else [9]


def _as_observation(whole: Tree, part: Tree) -> Tree:
    return {**{name: whole[name] for name in _INHERITED if name in whole}, **part}


def _sub(one: Tree, on_file: Mapping[str, Tree]) -> str:
    """The number of an Observation by the table; empty for what it does not know."""
    code = code_of(one.get("code"), OBSERVATION)
    known = reports()
    if code in known.findings:
        return str(known.findings.index(code) + 1)

    def filled(found: re.Match[str]) -> str:
        if found[1] == "focus":
            seen = on_file.get(next(map(target, one.get("focus", ())), ""), {})
            return _sub(seen, on_file).partition(".")[2]
        part = component(one, found[1])
        return str(
            part.get("valueInteger") or known.numbers.get(code_of(part.get("valueCodeableConcept")), "")
        )

    sub = _SUB.sub(filled, known.subs.get(code, ""))
    return sub if all(part.isdecimal() for part in sub.split(".")) else ""
