"""What is told of a person, a message each: studies, training visits, findings of visits, goals, summaries.

A report stands for one resource and has its results: Observations, and each of their components, numbered by
the tables, so that a number always means the same. An Observation that only holds components together is no
result of its own.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.hl7v2.mapping import kinds, reports
from service.records.parts import in_error, target
from service.records.stored import code_of, component, reference_to
from service.terminology.codes import OBSERVATION, codes

__all__ = ["Report", "Result", "reports_of"]

Tree = dict[str, Any]
_SUB = re.compile(r"<([\w-]+)>")
_WHEN = (
    *("effectiveDateTime", "effectivePeriod.start", "performedDateTime", "performedPeriod.start"),
    *("period.start", "statusDate", "startDate", "date"),
)
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


@dataclass(frozen=True, slots=True)
class Report:
    """One message's content; ``on_file`` are resources by reference, for whoever is named.

    ``updated`` is when the newest of what it tells was written, a FHIR instant. ``gone``: what it stands for
    is not there any more.
    """

    kind: str
    root: Tree
    patient: Tree
    encounter: Tree | None
    on_file: Mapping[str, Tree] = field(repr=False)
    results: tuple[Result, ...]
    updated: str
    gone: bool = False

    @property
    def key(self) -> str:
        """``Type/id`` of what the report stands for."""
        return reference_to(self.root)

    @property
    def when(self) -> str:
        """When it was, as the resource says; empty if it does not."""
        for path in _WHEN:
            value: Any = self.root
            for step in path.split("."):
                value = value.get(step, {}) if isinstance(value, dict) else {}
            if isinstance(value, str):
                return value
        return ""

    @property
    def wrong(self) -> bool:
        """Whether what the report stands for was entered in error, or is gone."""
        return self.gone or in_error(self.root)


def reports_of(resources: Iterable[Tree]) -> dict[str, Report]:
    """Answer the reports that resources of one person make, by ``Type/id`` of what each stands for.

    Without the Patient among them there is none. What is referred to but not there is left out.
    """
    on_file = {reference_to(one): one for one in resources}
    patient = next((one for one in on_file.values() if one["resourceType"] == "Patient"), None)
    if patient is None:
        return {}
    made = (_report(one, patient, on_file) for one in on_file.values())
    return {one.key: one for one in made if one is not None and one.results}


def _report(root: Tree, patient: Tree, on_file: Mapping[str, Tree]) -> Report | None:
    kind = _kind_of(root)
    if not kind:
        return None
    visit = root if kind == "findings" else on_file.get(target(root.get("encounter")))
    found = _RESULTS[kind](root, on_file)
    results = tuple(_numbered(found, on_file))
    written = (one.get("meta", {}).get("lastUpdated", "") for one in (root, *found))
    return Report(kind, root, patient, visit, on_file, results, max(written))


def _kind_of(root: Tree) -> str:
    found = next((name for name, kind in kinds().items() if kind.root == root["resourceType"]), "")
    if found == "training" and code_of(root.get("code"), OBSERVATION) != "swallow-skill-training":
        return ""
    if found == "summary" and code_of(root.get("type"), OBSERVATION) != "progress-summary":
        return ""
    return found


def _of_study(root: Tree, on_file: Mapping[str, Tree]) -> list[Tree]:
    return [on_file[name] for one in root.get("result", ()) if (name := target(one)) in on_file]


def _of_training(root: Tree, on_file: Mapping[str, Tree]) -> list[Tree]:
    whole = reference_to(root)
    parts = [one for one in _observations(on_file) if whole in map(target, one.get("partOf", ()))]
    seen = {reference_to(one) for one in parts}
    return [*parts, *(one for one in _observations(on_file) if seen & {*map(target, one.get("focus", ()))})]


def _of_visit(root: Tree, on_file: Mapping[str, Tree]) -> list[Tree]:
    wanted, whole = reports().findings, reference_to(root)
    found = [
        one
        for one in _observations(on_file)
        if target(one.get("encounter")) == whole and code_of(one.get("code"), OBSERVATION) in wanted
    ]
    return sorted(found, key=lambda one: wanted.index(code_of(one.get("code"), OBSERVATION)))


def _of_goal(root: Tree, on_file: Mapping[str, Tree]) -> list[Tree]:
    """A goal's own elements as Observations, and its baseline."""
    known = codes()
    when = {"effectiveDateTime": root["statusDate"]} if "statusDate" in root else {}
    shared = {"resourceType": "Observation", "id": root["id"], **when}
    made: list[Tree] = []
    for row in reports().goal:
        for number, value in enumerate(_goal_values(root, row, on_file), 1):
            code = value.pop("code", None) or known.concept(row["code"])
            sub = row["sub"] if number == 1 else f"{row['sub']}.{number}"
            made.append({**shared, "code": code, **value, "sub": sub})
    return made


def _goal_values(root: Tree, row: Mapping[str, str], on_file: Mapping[str, Tree]) -> Iterator[Tree]:
    if row["from"] == "Observation":
        whole = reference_to(root)
        for one in _observations(on_file):
            if (
                whole in map(target, one.get("focus", ()))
                and code_of(one["code"], OBSERVATION) == row["code"]
            ):
                yield {**one}
        return
    value = root.get(row["from"].partition(".")[2])
    if row["from"] == "Goal.target":
        yield from (_target_value(one) for one in value or () if "measure" in one)
    elif isinstance(value, dict):
        coded = "coding" in value
        yield {"valueCodeableConcept": value} if coded else {"valueString": value.get("text", "")}
    elif value and "system" in row:
        coding = codes().coding(row["system"], value)
        yield {"valueCodeableConcept": {"coding": [coding], "text": coding["display"]}}
    elif value:
        yield {"valueString": value}


def _target_value(one: Tree) -> Tree:
    """A target as an Observation: what is measured, the detail as its value, and by when as a note."""
    kept = {f"value{name[6:]}": value for name, value in one.items() if name.startswith("detail")}
    due = {"note": [{"text": f"Due {one['dueDate']}"}]} if "dueDate" in one else {}
    return {"code": one["measure"], **kept, **due}


def _of_summary(root: Tree, on_file: Mapping[str, Tree]) -> list[Tree]:
    """The sheet; its bytes lie in a Binary."""
    attachment: Tree = next((one["attachment"] for one in root.get("content", ())), {})
    binary = on_file.get(attachment.get("url", ""), {})
    data = attachment.get("data") or binary.get("data")
    if not data:
        return []
    value = {"contentType": attachment.get("contentType", binary.get("contentType", "")), "data": data}
    return [
        {**root, "resourceType": "Observation", "code": root["type"], "valueAttachment": value, "sub": "1"}
    ]


_RESULTS = {
    "study": _of_study,
    "training": _of_training,
    "findings": _of_visit,
    "goal": _of_goal,
    "summary": _of_summary,
}


def _numbered(observations: Iterable[Tree], on_file: Mapping[str, Tree]) -> Iterator[Result]:
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


def _observations(on_file: Mapping[str, Tree]) -> Iterator[Tree]:
    return (one for one in on_file.values() if one["resourceType"] == "Observation")
