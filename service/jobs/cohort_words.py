"""The names of a cohort's answers: endings, bands and reasons, and what each says to a reader."""

from typing import Final, Literal

__all__ = [
    "ADHERENCE_BANDS",
    "COMPETING",
    "DOSE_BANDS",
    "ENDINGS",
    "IN_COHORT",
    "JUDGED",
    "LEFT_OUT",
    "MOST_VISITS",
    "NOT_THESE_TABLES",
    "NO_LOG",
    "WORDS",
    "Stratum",
]

Stratum = Literal["site", "state", "zip3", "setting", "condition", "gender", "age-class", "first-visit-year"]

COMPETING: Final = ("died", "medical-change", "discharged")
"""Ends after which a goal is not attained in this care any more, each told apart."""
ENDINGS: Final = ("attained", *COMPETING, "waiting")
NO_LOG: Final = "no log"
DOSE_BANDS: Final = ((10, "under 10"), (20, "10 to under 20"), (40, "20 to under 40"), (None, "40 and more"))
"""Upper ends of bands of repetitions a day; common practice, no source."""
ADHERENCE_BANDS: Final = ((50, "under 50 %"), (80, "50 to under 80 %"), (None, "80 % and more"))
"""Upper ends of bands of done of prescribed; common practice, no source: no standard measure exists."""
JUDGED: Final = (
    "both_closed",
    "said_closed_was_open",
    "said_open_was_closed",
    "both_open",
    "unsure",
    "not_asked",
    "after_result",
)
"""Trials of the opening probe whose closure was rated, by what the patient said of them."""
MOST_VISITS: Final = 24
"""Later visits are told together with this one."""
IN_COHORT: Final = "in the cohort"
NOT_THESE_TABLES: Final = "site or policy not asked for"
LEFT_OUT: Final = (
    "condition not asked for",
    "age not asked for or not known",
    "first visit not in the years asked for or not known",
    "no goal of a kind asked for that was pursued",
    "goal without the day it began",
    "goal never measured since it began",
)
"""Why a person is in no group, in the order in which it is looked at; the first that holds is told."""
WORDS: Final = {
    "attained": "attained",
    "died": "died",
    "medical-change": "medical change",
    "discharged": "discharged before",
    "ended": "care ended before",
    "waiting": "still waiting",
    "left": "not attained when last seen",
    "both_closed": "said closed, was closed",
    "said_closed_was_open": "said closed, was open",
    "said_open_was_closed": "said open, was closed",
    "both_open": "said open, was open",
    "unsure": "unsure",
    "not_asked": "not asked",
    "after_result": "said after the result was shown",
}
