"""What the list of patients is narrowed and ordered by, as its address says it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal, cast
from urllib.parse import urlencode

from service.errors import InvalidInput
from service.page.panel_row import GRAVEST
from service.store.summaries import Order, SummaryQuery

__all__ = ["COLUMNS", "CUES", "PEOPLE_ON_A_PAGE", "STATUSES", "Asked", "asked"]

PEOPLE_ON_A_PAGE = 50
_LONGEST_UNSEEN = 3_650
_LAST_PAGE = 100_000
COLUMNS: dict[Order, tuple[str, str, str]] = {
    "name": ("Name", "A to Z", "Z to A"),
    "visit": ("Last visit", "longest ago first", "newest first"),
    "status": ("Open goals, by computed status", "worsening first", "worsening last"),
    "cues": ("Attention cues", "most first", "fewest first"),
    "review": ("Next review", "earliest first", "latest first"),
}
"""The columns a list can be ordered by: name, and the order in words, as it is first and turned round."""
_FALLING = {"status", "cues"}
"""Orders that begin with the highest value."""
STATUSES = tuple(code or "none" for code in GRAVEST)
CUES = {
    "any": "any cue",
    "score-on-diet": "airway score on the current diet",
    "group-worse": "airway group worse",
    "new-silent": "first score of 8",
    "intake-fall": "oral intake level fell",
    "eat10-rise": "EAT-10 rose",
    "weight-loss": "weight loss",
    "red-flag": "red flag",
    "pneumonia": "pneumonia",
    "hold-long": "breath-hold above the limit",
    "effort-high": "effort above the cleared limit",
    "practice-symptom": "symptom with practice",
    "closure-fall": "closure fell",
    "over-confident": "over-confident",
    "no-log": "no practice log",
    "screen-old": "safety screen out of date",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """One view of the list; ``page`` counts from 1.

    ``unseen``: not seen for at least so many days, 0 for any.
    """

    whose: Literal["", "mine", "all"] = ""
    status: str = ""
    cue: str = ""
    overdue: bool = False
    unseen: int = 0
    behind: bool = False
    order: Order = "name"
    turned: bool = False
    page: int = 1

    @property
    def narrowed(self) -> bool:
        """Whether anything is asked of the people themselves."""
        return bool(self.status or self.cue or self.overdue or self.unseen or self.behind)

    def address(self) -> str:
        """The address of this view."""
        flags = {"review": "overdue" if self.overdue else "", "behind": "yes" if self.behind else ""}
        texts = {
            "list": self.whose,
            "status": self.status,
            "cue": self.cue,
            **flags,
            "unseen": str(self.unseen or ""),
            "sort": "" if self.order == "name" else self.order,
            "way": "turned" if self.turned else "",
            "page": "" if self.page == 1 else str(self.page),
        }
        query = urlencode({name: text for name, text in texts.items() if text})
        return f"/app?{query}" if query else "/app"

    def ordered(self, order: Order) -> str:
        """The address of the list in this order; turned round if it is in it already."""
        turned = order == self.order and not self.turned
        return replace(self, order=order, turned=turned, page=1).address()

    def on_page(self, page: int) -> str:
        """The address of another page."""
        return replace(self, page=page).address()

    def query(self, today: date, basis: str, member: str) -> SummaryQuery:
        """What to ask the store; ``member``: only people whose care team names this one, empty for all."""
        tags = {"team": member, "status": self.status, "cue": self.cue}
        overdue = ("review=overdue",) if self.overdue else ()
        return SummaryQuery(
            day=today.isoformat(),
            basis=basis,
            tags=(*(f"{name}={text}" for name, text in tags.items() if text), *overdue),
            seen_before=(today - timedelta(days=self.unseen - 1)).isoformat() if self.unseen else "",
            behind=self.behind,
            order=self.order,
            descending=(self.order in _FALLING) != self.turned,
            count=PEOPLE_ON_A_PAGE,
            offset=PEOPLE_ON_A_PAGE * (self.page - 1),
        )


def asked(parameters: Mapping[str, str]) -> Asked:
    """Read the parameters of an address; InvalidInput for one that means nothing here."""

    def one_of(name: str, known: tuple[str, ...]) -> str:
        text = parameters.get(name, "")
        if text and text not in known:
            raise InvalidInput(f"The list can't be narrowed or ordered by {name} '{text[:40]}'.")
        return text

    return Asked(
        whose=cast("Literal['', 'mine', 'all']", one_of("list", ("mine", "all"))),
        status=one_of("status", STATUSES),
        cue=one_of("cue", tuple(CUES)),
        overdue=bool(one_of("review", ("overdue",))),
        unseen=_number(parameters, "unseen", 0, _LONGEST_UNSEEN),
        behind=bool(one_of("behind", ("yes",))),
        order=cast("Order", one_of("sort", tuple(COLUMNS)) or "name"),
        turned=bool(one_of("way", ("turned",))),
        page=_number(parameters, "page", 1, _LAST_PAGE),
    )


def _number(parameters: Mapping[str, str], name: str, usual: int, most: int) -> int:
    text = parameters.get(name, "").strip()
    if not text:
        return usual
    if not (text.isascii() and text.isdigit() and len(text) < 9 and usual <= int(text) <= most):
        raise InvalidInput(f"'{text[:40]}' is not a whole number from {usual} to {most}.")
    return int(text)
