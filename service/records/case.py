"""One record under judgement: the record, what is on file, the clock, and what follows from them."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property

from service.records.context import ClearanceOnFile, RecordContext, ScreenOnFile
from service.records.protocols import TrainingProtocol, manoeuvres, screen_items, training_protocols
from service.records.visit import PlanLine, Trial, VisitRecord
from service.settings import Settings

__all__ = ["EFFORTS", "Case"]

EFFORTS = ("light", "medium", "strong")
"""Efforts in rising order."""


@dataclass(frozen=True)
class Case:
    """``record`` is the lenient view: any field may be None. ``now`` has a zone."""

    record: VisitRecord
    context: RecordContext
    now: datetime
    settings: Settings

    @cached_property
    def today(self) -> date:
        """Today in the site's time zone."""
        return self.now.astimezone(self.settings.zone).date()

    @cached_property
    def visit_start(self) -> datetime | None:
        """When the visit began, if that can be read."""
        return self.record.visit.start if self.record.visit is not None else None

    @cached_property
    def visit_day(self) -> date:
        """The day of the visit where it took place; today if it can't be read."""
        return self.visit_start.date() if self.visit_start is not None else self.today

    @cached_property
    def birth_date(self) -> date | None:
        """As on file, else as in the record."""
        person = self.record.person
        return self.context.birth_date or (person.birth_date if person is not None else None)

    @cached_property
    def protocol(self) -> TrainingProtocol | None:
        """The protocol the probe blocks follow, if it is known."""
        training = self.record.training
        return training_protocols().get(training.protocol) if training is not None else None

    @cached_property
    def trials(self) -> list[Trial]:
        """Every trial of the record."""
        return self.record.training.trials if self.record.training is not None else []

    @cached_property
    def has_breath_hold_trials(self) -> bool:
        """Was breath-holding tried at this visit? A trial that was not done was not."""
        return any(trial.observed != "not done" for trial in self.trials)

    @cached_property
    def breath_hold_lines(self) -> list[tuple[int, PlanLine]]:
        """Exercises of an active plan that need the breath held, with their numbers."""
        plan = self.record.home_plan
        if plan is None or plan.status != "active":
            return []
        known = manoeuvres()
        return [
            (number, line)
            for number, line in enumerate(plan.lines)
            if line.manoeuvre in known and known[line.manoeuvre].breath_hold
        ]

    @cached_property
    def screen(self) -> ScreenOnFile | None:
        """The newest safety screen not after the visit, of the record or on file."""
        return max(self._screens(), key=lambda screen: screen.date, default=None)

    def _screens(self) -> Iterator[ScreenOnFile]:
        if self.context.screen is not None:
            yield self.context.screen
        own = self.record.safety_screen
        if own is not None and own.date is not None and own.date <= self.visit_day:
            yield ScreenOnFile(own.date, own.items or {})

    @cached_property
    def has_current_screen(self) -> bool:
        """Is the safety screen recent enough for this visit?"""
        if self.screen is None or self.visit_start is None:
            return self.screen is not None
        return self.visit_day - self.screen.date <= timedelta(days=self.settings.safety_screen_days)

    @cached_property
    def clearance(self) -> ClearanceOnFile | None:
        """The newest clearance not after the visit, of the record or on file; on one day the record's."""
        return max(self._clearances(), key=lambda clearance: clearance.date, default=None)

    def _clearances(self) -> Iterator[ClearanceOnFile]:
        own = self.record.clearance
        if (
            own is not None
            and own.date is not None
            and own.decision is not None
            and own.date <= self.visit_day
        ):
            yield ClearanceOnFile(own.date, own.decision, own.effort_limit)
        if self.context.clearance is not None:
            yield self.context.clearance

    @cached_property
    def cautions(self) -> list[str]:
        """Marked items that keep breath-holding back until a physician clears it, as they are shown."""
        answers = self.screen.items if self.screen is not None else {}
        items = screen_items().values()
        return [
            item.display
            for item in items
            if item.blocks_breath_hold and answers.get(item.key) in ("yes", "unknown")
        ]

    @cached_property
    def effort_limit(self) -> str | None:
        """The lower of the cleared effort and the protocol's; None if there is no limit."""
        cleared = self.clearance.effort_limit if self.clearance is not None else None
        protocol = self.protocol.effort_limit if self.protocol is not None else None
        return min(
            (limit for limit in (cleared, protocol) if limit in EFFORTS), key=EFFORTS.index, default=None
        )

    def is_above_limit(self, effort: str | None) -> bool:
        """Is an effort above the limit?"""
        if self.effort_limit is None or effort not in EFFORTS:
            return False
        return EFFORTS.index(effort) > EFFORTS.index(self.effort_limit)
