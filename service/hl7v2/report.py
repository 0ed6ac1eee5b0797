"""What is told of a person, a message each: studies, training visits, findings of visits, goals, summaries.

A report stands for one resource and has its results: Observations, and each of their components.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.hl7v2.goal_results import goal_results
from service.hl7v2.mapping import kinds, reports
from service.hl7v2.results import Result, numbered
from service.records.parts import in_error, target
from service.records.stored import code_of, reference_to
from service.terminology.codes import OBSERVATION

__all__ = ["Report", "reports_of"]

Tree = dict[str, Any]
_WHEN = (
    *("effectiveDateTime", "effectivePeriod.start", "performedDateTime", "performedPeriod.start"),
    *("period.start", "statusDate", "startDate", "date"),
)


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
    results = tuple(numbered(found, on_file))
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
    "goal": goal_results,
    "summary": _of_summary,
}


def _observations(on_file: Mapping[str, Tree]) -> Iterator[Tree]:
    return (one for one in on_file.values() if one["resourceType"] == "Observation")
