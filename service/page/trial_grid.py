"""A visit's trials as a grid: a row per posture, a column per block, each trial as it was seen and judged."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.page.facts import answer
from service.records.worded import WordedObservation

__all__ = ["BLOCKS", "GridTrial", "TrialGrid", "trial_grid"]

BLOCKS = {
    "pre": "Before feedback",
    "education": "Education",
    "feedback": "With feedback",
    "error": "Deliberate error",
    "faded": "Feedback fading",
    "post": "After training",
}
"""Name of each block of a training visit, in the order of the visit."""


@dataclass(frozen=True, slots=True)
class GridTrial:
    """One trial: what was seen (closed, not closed, or why not), what the person said, effort, hold and cues.

    ``seen`` is closed, open or neither (the sign before the words); ``differs`` is whether the person said
    otherwise than was seen. ``id`` is the Observation's.
    """

    id: str
    number: int
    seen: str
    observed: str
    own: str
    differs: bool
    effort: str
    hold: str
    cue: str


@dataclass(frozen=True, slots=True)
class TrialGrid:
    """``blocks`` are the names of the columns; a row is a posture and a list of trials per column."""

    blocks: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[GridTrial, ...], ...]], ...]

    def trial(self, id_: str) -> tuple[str, str, GridTrial] | None:
        """A trial by its Observation's id, with its posture and block; None if it is not here."""
        for posture, cells in self.rows:
            for block, trials in zip(self.blocks, cells, strict=True):
                for one in trials:
                    if one.id == id_:
                        return posture, block, one
        return None


def trial_grid(
    trials: Iterable[WordedObservation], judgements: Iterable[WordedObservation]
) -> TrialGrid | None:
    """Sort a visit's trials into the grid; None without any."""
    said = {focus.target: one for one in judgements for focus in one.focus}
    trials = [one for one in trials if one.part("training-block").answer in BLOCKS]
    if not trials:
        return None
    blocks = [block for block in BLOCKS if any(_block(one) == block for one in trials)]
    postures = list(dict.fromkeys(_posture(one) for one in sorted(trials, key=_order)))
    return TrialGrid(
        tuple(BLOCKS[block] for block in blocks),
        tuple((posture, _row(posture, blocks, trials, said)) for posture in postures),
    )


def _row(
    posture: str,
    blocks: Sequence[str],
    trials: Sequence[WordedObservation],
    said: dict[str, WordedObservation],
) -> tuple[tuple[GridTrial, ...], ...]:
    return tuple(
        tuple(
            _trial(one, said.get(one.reference))
            for one in sorted(trials, key=_order)
            if (_block(one), _posture(one)) == (block, posture)
        )
        for block in blocks
    )


def _order(one: WordedObservation) -> tuple[int, int]:
    """The first block decides in which order postures stand."""
    return list(BLOCKS).index(_block(one)), one.part("trial-number").whole or 0


def _block(one: WordedObservation) -> str:
    return one.part("training-block").answer


def _posture(one: WordedObservation) -> str:
    head, jaw = answer(one.part("posture")), answer(one.part("jaw-position"))
    return (head + (f", jaw {jaw}" if jaw else "")) or "posture not recorded"


def _trial(one: WordedObservation, judgement: WordedObservation | None) -> GridTrial:
    seen = {"closed": "closed", "not-closed": "open"}.get(one.answer, "neither")
    own = judgement.answer if judgement else ""
    return GridTrial(
        id=one.id,
        number=one.part("trial-number").whole or 0,
        seen=seen,
        observed=answer(one)
        or f"not observable: {answer(one.part('reason-not-rated')) or 'no reason given'}",
        own=f"said {answer(judgement)}" if judgement and own else "not asked",
        differs=(seen, own) in {("closed", "not-closed"), ("open", "closed")},
        effort=answer(one.part("effort-instructed")),
        hold=_seconds(one.part("hold-duration").number("s")),
        cue=answer(one.part("cue-level")),
    )


def _seconds(hold: Fraction | None) -> str:
    return "" if hold is None else f"{float(hold):g} s"
