"""Trials of vocal-fold closure: what was seen, what was left out, and how sure the share is.

The goal measure is the probe: the first block of a day that is done before any feedback. Blocks after
feedback show the session, not what was kept (Maas 2008, performance and learning), and never count here.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from statistics import median
from typing import Literal

from msgspec import Struct

from service.attainment.intervals import Interval, clopper_pearson, wilson

__all__ = ["Accuracy", "Block", "Hold", "Judgement", "Observed", "Trial", "accuracy", "hold_time", "probes"]

Observed = Literal["closed", "not-closed", "not-observable", "not-done"]
Judgement = Literal["closed", "not-closed", "unsure", "not-asked"]


class Trial(Struct, frozen=True, gc=False):  # made fifteen times as fast as a dataclass, for each of hundreds
    """One attempt at closing the vocal folds.

    ``reason`` says why it was not observable or not done. ``judged_before_result`` is whether the patient
    was asked before seeing the result. ``hold`` is in seconds. ``cue`` is the cue level (independent,
    minimal-cues and so on), empty if not said. ``evidence`` names the source of the observation,
    ``judgement_evidence`` that of the judgement (opaque here).
    """

    number: int
    observed: Observed
    reason: str = ""
    judgement: Judgement = "not-asked"
    judged_before_result: bool = True
    posture: str = ""
    hold: Fraction | None = None
    evidence: str = ""
    judgement_evidence: str = ""
    cue: str = ""

    @property
    def scored(self) -> bool:
        """Whether the trial counts in a share."""
        return self.observed in ("closed", "not-closed")

    @property
    def closed(self) -> bool | None:
        """Whether it was seen closed; None if it does not count."""
        return self.observed == "closed" if self.scored else None

    @property
    def agreed(self) -> bool | None:
        """Whether the patient's own judgement was right; None if it can't be held against what was seen."""
        return self.judgement == self.observed if self.compared else None

    @property
    def compared(self) -> bool:
        """Whether the patient's own judgement can be held against what was seen."""
        return self.scored and self.judgement in ("closed", "not-closed") and self.judged_before_result


@dataclass(frozen=True, slots=True)
class Block:
    """The trials of one block of one visit. ``kind`` is pre, education, feedback, error, faded or post."""

    kind: str
    day: date
    trials: tuple[Trial, ...]
    time: datetime | None = None


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Closed trials (k) of scored trials (n).

    ``share`` is exact, 0 to 1, or None with a ``reason``. ``left_out`` counts trials by why they left n.
    """

    k: int
    n: int
    share: Fraction | None
    wilson: Interval | None
    left_out: Mapping[str, int]
    reason: str = ""
    method: str = "closed of scored trials"

    @property
    def bounds(self) -> tuple[Fraction, Fraction] | None:
        """The shares if every left-out trial had been open, and if every one had been closed."""
        missing = sum(self.left_out.values())
        every = self.n + missing
        return (Fraction(self.k, every), Fraction(self.k + missing, every)) if every else None

    @property
    def clopper_pearson(self) -> Interval | None:
        """The exact interval, as a second opinion; it takes longer to compute."""
        return clopper_pearson(self.k, self.n)


@dataclass(frozen=True, slots=True)
class Hold:
    """Median seconds held over closed trials; open trials only have an attempt's length and stay out."""

    seconds: Fraction | None
    n: int
    left_out: Mapping[str, int]
    reason: str = ""
    method: str = "median of closed trials"


def probes(blocks: Iterable[Block]) -> list[Block]:
    """The first pre block of each day, in day order; a second one the same day does not count."""
    pre = [block for block in blocks if block.kind == "pre"]
    # Without a time of day the order given decides (sort is stable).
    pre.sort(key=lambda block: (block.day, block.time.timestamp() if block.time else 0.0))
    first: dict[date, Block] = {}
    for block in pre:
        first.setdefault(block.day, block)
    return list(first.values())


def accuracy(trials: Iterable[Trial]) -> Accuracy:
    """Closed of scored trials, with the interval and what was left out."""
    trials = tuple(trials)
    unscored = [trial for trial in trials if not trial.scored]
    k, n = sum(trial.observed == "closed" for trial in trials), len(trials) - len(unscored)
    return Accuracy(
        k=k,
        n=n,
        share=Fraction(k, n) if n else None,
        wilson=wilson(k, n),
        left_out=Counter(map(_why_unscored, unscored)),
        reason="" if n else "no trial was scored",
    )


def hold_time(trials: Iterable[Trial]) -> Hold:
    """Median hold of the closed trials, in seconds."""
    trials = tuple(trials)
    closed = [trial for trial in trials if trial.observed == "closed"]
    holds = [trial.hold for trial in closed if trial.hold is not None]
    left_out = Counter({"not closed": len(trials) - len(closed), "no hold time": len(closed) - len(holds)})
    return Hold(
        seconds=median(holds) if holds else None,
        n=len(holds),
        left_out=+left_out,  # + drops zero counts
        reason="" if holds else "no closed trial with a hold time",
    )


def _why_unscored(trial: Trial) -> str:
    state = trial.observed.replace("-", " ")
    return f"{state}: {trial.reason}" if trial.reason else state
