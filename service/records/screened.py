"""What the newest safety screen before breath-holding marked: items of the list, answered yes or unknown."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from service.records.protocols import screen_items
from service.records.safety import SAFETY_SCREEN
from service.records.seen import time_of
from service.records.views import Coding, Element, QuestionnaireResponse
from service.terminology.codes import VALUE

__all__ = ["AnsweredScreen", "Screened", "screened"]


class _Answer(Element, frozen=True):
    value_coding: Coding = Coding()


class _Item(Element, frozen=True):
    link_id: str = ""
    answer: tuple[_Answer, ...] = ()


class AnsweredScreen(QuestionnaireResponse, frozen=True):
    """A QuestionnaireResponse with the answers of its first level."""

    item: tuple[_Item, ...] = ()

    def answered(self, code: str) -> tuple[str, ...]:
        """The items of the list with this answer, as they are shown; a site's items in words are left out."""
        known = screen_items()
        return tuple(
            known[one.link_id].display
            for one in self.item
            if one.link_id in known and Coding(VALUE, code) in (given.value_coding for given in one.answer)
        )


@dataclass(frozen=True, slots=True)
class Screened:
    """A screen of a day: the items answered yes, and those nobody knew."""

    day: date
    yes: tuple[str, ...]
    unknown: tuple[str, ...]


def screened(responses: Iterable[AnsweredScreen], as_of: date, zone: ZoneInfo) -> Screened | None:
    """The newest screen not after a day; None if there is none. ``zone`` is the site's."""
    ours = (one for one in responses if one.in_force and one.questionnaire.split("|")[0] == SAFETY_SCREEN)
    timed = [(time, one) for one in ours if (time := time_of(one.authored, zone)) and time[0] <= as_of]
    if not timed:
        return None
    (day, _), newest = max(timed, key=lambda pair: pair[0][1])
    return Screened(day, newest.answered("yes"), newest.answered("unknown"))
