"""How alike the people of a release are: how wide each is described, who may not leave, k and l."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.deidentify.quasi_identifiers import QuasiIdentifiers
from service.deidentify.small_cells import diversity, people_below, plan, smallest_class
from service.errors import Issue, IssueType, Place, RuleViolation
from service.jobs.research_report import Report

__all__ = ["Crowd", "Member"]

_MOST_NAMED = 100


@dataclass(frozen=True, slots=True)
class Member:
    """One person: classes from as they are to the widest, the sensitive value, whether invented."""

    classes: tuple[QuasiIdentifiers, ...]
    sensitive: str
    test: bool


@dataclass(slots=True)
class Crowd:
    """The people of a release by id. ``levels`` says how wide each is described, once ``place`` was asked."""

    members: dict[str, Member] = field(default_factory=dict)
    levels: dict[str, int] = field(default_factory=dict)

    def place(self, k: int, *, kept_alike: bool) -> None:
        """Decide how wide each is described; invented people, and all if not ``kept_alike``, as they are."""
        real = {id_: one.classes for id_, one in self.members.items() if not one.test}
        as_they_are = dict.fromkeys(self.members, 0)
        self.levels = as_they_are | (plan(real, k) if kept_alike else {})

    def too_few_alike(self) -> list[str]:
        """Ids of the people who may not leave, however wide they are described."""
        return [id_ for id_, level in self.levels.items() if level == len(self.members[id_].classes)]

    def refusal(self, names: Mapping[str, str], k: int) -> RuleViolation:
        """Say why nothing leaves: which people, by their random ids, are how alike at the widest."""
        widest = Counter(one.classes[-1] for one in self.members.values())
        out = self.too_few_alike()
        first = (
            f"{len(out)} of {len(self.members)} people are in classes smaller than {k}, however wide they "
            "are described; nothing was released. The policy has to describe people more widely, or to "
            "leave them out; 'swallow-interop research find' tells who they are."
        )
        each = (
            f"Patient/{names[id_]}: {widest[self.members[id_].classes[-1]]} alike, {k} are asked for."
            for id_ in out[:_MOST_NAMED]
        )
        return RuleViolation(
            Issue(text, code=IssueType.BUSINESS_RULE, place=Place(), rule="k-anonymity")
            for text in (first, *each)
        )

    def describe(self, report: Report, steps: Sequence[str]) -> None:
        """Fill in k, l and what goes with them, of everybody who leaves."""
        leaving = [
            (one, level)
            for id_, one in self.members.items()
            if (level := self.levels[id_]) < len(one.classes)
        ]
        classes = Counter((level, one.classes[level]) for one, level in leaving)
        report.classes = len(classes)
        report.k = smallest_class(classes)
        report.l = diversity(((level, one.classes[level]), one.sensitive) for one, level in leaving)
        report.people_in_small_classes = people_below(classes, report.k_asked)
        report.widened = Counter(steps[level - 1] for _, level in leaving if level)
        for number, step in enumerate(steps, 1):
            wide = Counter(one.classes[max(level, number)] for one, level in leaving)
            report.k_after[step] = smallest_class(wide)
