"""The page on which somebody decides: what stands, and a form per way to decide."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from service.errors import ServiceError
from service.page.decision_rows import DecisionRow

__all__ = ["Act", "ActView", "Field"]


@dataclass(frozen=True, slots=True)
class Field:
    """A field: a choice where it has ``options`` (value and words), else a text of several lines."""

    name: str
    label: str
    options: tuple[tuple[str, str], ...] = ()
    help: str = ""
    required: bool = False
    value: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Act:
    """One form: ``name`` is what it does, ``hidden`` what it carries along unseen."""

    name: str
    heading: str
    button: str
    fields: tuple[Field, ...]
    hidden: Mapping[str, str]
    help: str = ""


@dataclass(frozen=True, slots=True)
class ActView:
    """``back`` is where the reader came from, with its words; ``after`` where a decision is shown.

    ``problems`` belong to no field; ``decisions`` are those shown here that can be undone.
    """

    title: str
    back: tuple[str, str]
    after: str
    facts: tuple[tuple[str, str], ...]
    acts: tuple[Act, ...]
    problems: tuple[str, ...] = ()
    decisions: tuple[DecisionRow, ...] = ()

    def refused(self, problem: ServiceError, sent: Mapping[str, str]) -> "ActView":
        """The same page after a refusal: what was sent stays in its fields, each problem beside its own."""
        said = {issue.place.expression.removeprefix("http."): issue.message for issue in problem.issues}
        acts = tuple(
            replace(act, fields=tuple(_filled(field, sent, said) for field in act.fields))
            if act.name == sent.get("act")
            else act
            for act in self.acts
        )
        known = {field.name for act in acts for field in act.fields if act.name == sent.get("act")}
        rest = [message for place, message in said.items() if place not in known] or (
            [str(problem)] if not said else []
        )
        return replace(self, acts=acts, problems=_told(rest, known & said.keys()))


def _filled(field: Field, sent: Mapping[str, str], said: Mapping[str, str]) -> Field:
    return replace(field, value=sent.get(field.name, ""), problem=said.get(field.name, ""))


def _told(rest: Iterable[str], marked: Iterable[str]) -> tuple[str, ...]:
    pointer = ("Something is missing below; nothing was stored.",) if set(marked) else ()
    return (*rest, *pointer)
