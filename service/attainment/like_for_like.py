"""Swallows compared only with their like: same consistency, volume and amount.

Two studies by the same method are compared bolus by bolus with the same manoeuvre; a manoeuvre's effect only
against a swallow of the same study without it. Of several alike the worst counts. Scores are compared in
order, never subtracted.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from service.attainment.airway import GROUPS
from service.attainment.study import Study, Swallow

__all__ = ["Compared", "Comparison", "Effect", "compare_studies", "manoeuvre_effects", "study_before"]

Effect = Literal["better", "same", "worse", "no comparison"]
_Kind = tuple[int, Fraction | None, str]
_Key = tuple[_Kind, str]


@dataclass(frozen=True, slots=True)
class Compared:
    """One kind of swallow: worst score of one side and the other, and what that means.

    ``effect`` goes by the scores' order, ``group_effect`` by the physiological group. ``evidence`` names the
    swallows of the two worst scores.
    """

    consistency: int
    volume: Fraction | None
    amount: str
    manoeuvre: str
    first: int | None
    second: int
    effect: Effect
    group_effect: Effect
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """What two studies share; ``reason`` when nothing. ``left_out`` counts kinds of swallow not compared.

    ``against`` is the day of the earlier study.
    """

    against: date
    pairs: tuple[Compared, ...]
    left_out: int
    reason: str = ""


def study_before(earlier: Sequence[Study], study: Study) -> Study | None:
    """The newest of the earlier studies by the same method, else the newest of all; None without any."""
    alike = [one for one in earlier if one.method == study.method]
    return next(reversed(alike or earlier), None)


def compare_studies(before: Study, after: Study) -> Comparison:
    """Pair the kinds of swallow both studies have, with the same manoeuvre; none if their methods differ.

    An endoscope and X-ray see different moments of the swallow, so their scores are not of one series. A
    method that was not recorded keeps nothing apart.
    """
    first, second = _worst(before.swallows), _worst(after.swallows)
    if before.method and after.method and before.method != after.method:
        reason = f"not comparable: different methods ({before.method} before, {after.method} now)"
        return Comparison(before.day, (), len(first.keys() | second.keys()), reason)
    shared = sorted(first.keys() & second.keys(), key=_order)
    return Comparison(
        against=before.day,
        pairs=tuple(_compared(key, first[key], second[key]) for key in shared),
        left_out=len(first.keys() ^ second.keys()),
        reason="" if shared else "not comparable: different boluses",
    )


def manoeuvre_effects(swallows: Iterable[Swallow]) -> tuple[Compared, ...]:
    """Each kind of swallow with a manoeuvre, against the same without it in the same study."""
    worst = _worst(swallows)
    return tuple(
        _compared(key, worst.get((key[0], "")), score)
        for key, score in sorted(worst.items(), key=lambda item: _order(item[0]))
        if key[1]
    )


def _order(key: _Key) -> tuple[int, Fraction, str, str]:
    """By consistency, then volume, amount and manoeuvre."""
    (consistency, volume, amount), manoeuvre = key
    return consistency, volume or Fraction(0), amount, manoeuvre


def _worst(swallows: Iterable[Swallow]) -> dict[_Key, tuple[int, str]]:
    """Worst score of each kind and manoeuvre, with its source."""
    found: dict[_Key, tuple[int, str]] = {}
    for one in swallows:
        if one.score is not None:
            key = one.kind, one.manoeuvre
            if key not in found or one.score > found[key][0]:
                found[key] = one.score, one.evidence
    return found


def _compared(key: _Key, before: tuple[int, str] | None, after: tuple[int, str]) -> Compared:
    kind, manoeuvre = key
    first, second = before[0] if before else None, after[0]
    groups = (None if first is None else GROUPS[first], GROUPS[second])
    sources = tuple(one[1] for one in (before, after) if one and one[1])
    return Compared(*kind, manoeuvre, first, second, _effect(first, second), _effect(*groups), sources)


def _effect(first: int | None, second: int) -> Effect:
    if first is None:
        return "no comparison"
    return "same" if first == second else "better" if second < first else "worse"
