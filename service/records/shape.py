"""Tree to visit record, leniently: what can be read is read, what can't is reported and left empty.

The rules run over this view, so that one bad field hides no other problem. In the view any field may be None
(lists and groups of answers: empty), also those the record itself must have.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from functools import cache
from typing import Annotated, Any, Generic, TypeVar, get_args, get_origin

import annotated_types
from pydantic import BaseModel, TypeAdapter, ValidationError

from service.errors import IssueType
from service.records import sentences
from service.records.places import Places
from service.records.reading import Document
from service.records.report import Report
from service.records.visit import Identifier, VisitRecord

__all__ = ["Headline", "headline", "view"]

_MOST_ENTRIES = 2_000  # keeps hostile input cheap; no visit comes near it
_PartT = TypeVar("_PartT", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Headline:
    """Which record a document is, about whom and of when; None where that can't be read."""

    record: Identifier | None
    patient: Identifier | None
    start: datetime | None


def headline(document: Document, *, zone: tzinfo) -> Headline:
    """What is needed to look up the record's context before it is checked."""
    seen = view(replace(document, tree=_head(document.tree)), Report(Places()), zone=zone)
    start = seen.visit.start if seen.visit is not None else None
    return Headline(_complete(seen.record), _complete(seen.patient), start)


def _head(tree: dict[str, Any]) -> dict[str, Any]:
    """The parts of a record that a headline is read from."""
    head: dict[str, Any] = {name: tree[name] for name in ("record", "patient", "visit") if name in tree}
    visit = head.get("visit")
    return {**head, "visit": {"start": visit.get("start")}} if isinstance(visit, dict) else head


def view(document: Document, report: Report, *, zone: tzinfo) -> VisitRecord:
    """The lenient view; every value that does not fit is reported. ``zone`` is for times without offset."""
    return _Viewer({"zone": zone}).part(VisitRecord, document.tree, report)


def _complete(identifier: Identifier | None) -> Identifier | None:
    whole = identifier is not None and identifier.system is not None and identifier.value is not None
    return identifier if whole else None


@dataclass(frozen=True, slots=True)
class _Field(Generic[_PartT]):
    """One field of a part, taken apart once."""

    name: str
    required: bool
    default: Any
    annotation: Any
    metadata: tuple[Any, ...]
    part: type[BaseModel] | None
    parts: type[BaseModel] | None
    adapter: TypeAdapter[Any]

    @property
    def empty(self) -> Any:
        """What stands in the view for a value that can't be read."""
        if self.parts is not None:
            return []
        kinds = {get_origin(kind) for kind in (self.annotation, *get_args(self.annotation))}
        return [] if list in kinds and not self.required and self.default is not None else None

    @property
    def only_parts(self) -> bool:
        """Is a list of parts the only thing accepted?"""
        return self.parts is not None and len(sentences.alternatives(self.annotation)) == 1

    @property
    def only_part(self) -> bool:
        """Is a part the only thing accepted?"""
        kinds = sentences.alternatives(self.annotation)
        return all(kind in (self.part, type(None)) for kind in kinds)

    @property
    def least(self) -> int:
        """Entries a list must have."""
        return max(
            (one.min_length for one in self.metadata if isinstance(one, annotated_types.MinLen)), default=0
        )


@cache
def _fields(model: type[BaseModel]) -> tuple[_Field[BaseModel], ...]:
    return tuple(_field(model, name) for name in model.model_fields)


def _field(model: type[BaseModel], name: str) -> _Field[BaseModel]:
    info = model.model_fields[name]
    kinds = sentences.alternatives(info.annotation)
    metadata = tuple(info.metadata)
    whole: Any = Annotated[(info.annotation, *metadata)] if metadata else info.annotation
    return _Field(
        name=name,
        required=info.is_required(),
        default=None if info.is_required() else info.get_default(call_default_factory=True),
        annotation=info.annotation,
        metadata=metadata,
        part=next((kind for kind in kinds if _is_part(kind)), None),
        parts=next(
            (get_args(kind)[0] for kind in kinds if get_origin(kind) is list and _is_part(get_args(kind)[0])),
            None,
        ),
        adapter=TypeAdapter(whole),
    )


def _is_part(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


class _Viewer:
    """Walks a tree beside the models."""

    def __init__(self, context: dict[str, Any]) -> None:
        self._context = context

    def part(self, model: type[_PartT], tree: Any, report: Report) -> _PartT:
        if not isinstance(tree, dict):
            report.shape(f"'{sentences.shown(tree)}' is not a group of fields.", IssueType.STRUCTURE)
            return model.model_construct(**{field.name: field.empty for field in _fields(model)})
        for name in tree:
            if name not in model.model_fields and not report.is_full:
                unknown = sentences.unknown_field(name, list(model.model_fields))
                report.below(name).shape(unknown, IssueType.STRUCTURE)
        return model.model_construct(**dict(self._values(model, tree, report)))

    def _values(
        self, model: type[BaseModel], tree: dict[str, Any], report: Report
    ) -> Iterator[tuple[str, Any]]:
        said: set[str] = set()
        for field in _fields(model):
            value = tree.get(field.name)
            if value not in (None, ""):
                yield field.name, self._value(model, field, value, report.below(field.name))
            elif field.required:
                said.add(self._missing(model, field, report, said))
                yield field.name, field.empty
            else:
                yield field.name, field.default

    def _missing(
        self, model: type[BaseModel], field: _Field[BaseModel], report: Report, said: set[str]
    ) -> str:
        sentence = sentences.missing(model, field.name)
        if sentence not in said:
            report.below(field.name).shape(sentence, IssueType.REQUIRED)
        return sentence

    def _value(self, model: type[BaseModel], field: _Field[BaseModel], value: Any, report: Report) -> Any:
        if isinstance(value, list | dict) and len(value) > _MOST_ENTRIES:
            message = f"Field '{field.name}' has {len(value)} entries; one visit has at most {_MOST_ENTRIES}."
            report.shape(message, IssueType.TOO_LONG)
            return field.empty
        if field.parts is not None and (isinstance(value, list) or field.only_parts):
            return self._parts(field, value, report)
        if field.part is not None and (isinstance(value, dict) or field.only_part):
            return self.part(field.part, value, report)
        try:
            return field.adapter.validate_python(value, context=self._context)
        except ValidationError as error:
            return self._mended(model, field, value, error, report)

    def _parts(self, field: _Field[BaseModel], value: Any, report: Report) -> list[BaseModel]:
        if not isinstance(value, list) or field.parts is None:
            report.shape(f"Field '{field.name}' must be a list.", IssueType.STRUCTURE)
            return []
        if len(value) < field.least:
            report.shape(f"Field '{field.name}' must not be empty.", IssueType.REQUIRED)
        return [self.part(field.parts, item, report.below(number)) for number, item in enumerate(value)]

    def _mended(
        self,
        model: type[BaseModel],
        field: _Field[BaseModel],
        value: Any,
        error: ValidationError,
        report: Report,
    ) -> Any:
        """What is left of a value: the good items of a list or group, else nothing."""
        inside = _bad_items(value, error)
        if not inside:
            report.shape(sentences.bad_value(model, field.name, value, field.annotation, field.metadata))
            return field.empty
        for step, is_name in inside.items():
            kind = _item(field.annotation, 0 if is_name else -1)
            name = str(step) if isinstance(value, dict) and not is_name else field.name
            wrong = step if is_name else value[step]
            report.below(step).shape(sentences.bad_value(model, name, wrong, kind))
        report.unreadable.add(report.path)
        good = _without(value, inside)
        return field.empty if not good else self._value(model, field, good, report)


def _bad_items(value: Any, error: ValidationError) -> dict[Any, bool]:
    """Which items of a list or group are wrong -> is it the item's name that is wrong?"""
    if not isinstance(value, dict | list):
        return {}
    known = set(value) if isinstance(value, dict) else set(range(len(value)))
    places = [one["loc"] for one in error.errors(include_url=False, include_context=False)]
    return {place[0]: place[-1] == "[key]" for place in places if place and place[0] in known}


def _item(annotation: Any, which: int) -> Any:
    """What the items of a list or group must be (-1), or their names (0)."""
    kinds = sentences.alternatives(annotation)
    return next((get_args(kind)[which] for kind in kinds if get_origin(kind) in (list, dict)), annotation)


def _without(value: Any, bad: dict[Any, bool]) -> Any:
    if isinstance(value, dict):
        return {key: item for key, item in value.items() if key not in bad}
    return [item for number, item in enumerate(value) if number not in bad]
