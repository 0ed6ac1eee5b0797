"""The trials of a training visit: opening probe, training with feedback, probe after it."""

from decimal import Decimal

from service.synthetic.chance import Chance, share_of
from service.synthetic.parameters import parameters
from service.synthetic.person import Truth

__all__ = ["Tree", "trials"]

Tree = dict[str, object]
"""A part of a visit record."""

_POSTURES = (
    ("head neutral", "closed"),
    ("head neutral", "open"),
    ("chin down", "closed"),
    ("turned left", "closed"),
    ("turned right", "closed"),
)
_REASONS = ("view lost", "secretions", "movement")
_TENTHS = tuple(Decimal(tenths) / 10 for tenths in range(101))


def trials(person: Truth, visit: int, chance: Chance) -> list[Tree]:
    """The trials of the person's training visit of this number (from 1), block by block.

    Every trial of the first opening probe is seen and judged: goals and their baselines rest on it.
    """
    known = parameters().trial
    logit = person.logits[visit - 1]
    said = _said(person, visit)
    effort = "light" if logit < 0 else "medium"
    opening = share_of(logit)
    blocks = (
        ("pre", opening, said),
        ("feedback", share_of(logit + known.with_feedback), None),
        ("post", share_of(logit + known.after_training), said),
    )
    return [
        _trial(block, number, share, judged, chance, certain=visit == 1 and block == "pre")
        | {"effort": effort}
        for block, share, judged in blocks
        for number in range(1, 6)
    ]


def _said(person: Truth, visit: int) -> tuple[float, float]:
    """The chances to say closed of what was closed, and of what was not."""
    learnt, at_first = parameters().learnt, person.judging
    kept = learnt.kept_each_visit ** (visit - 1)
    return (
        learnt.closed_said_of_closed + kept * (at_first.closed_said_of_closed - learnt.closed_said_of_closed),
        learnt.closed_said_of_open + kept * (at_first.closed_said_of_open - learnt.closed_said_of_open),
    )


def _trial(  # noqa: PLR0913 - what a trial is made of
    block: str,
    number: int,
    share: float,
    said: tuple[float, float] | None,
    chance: Chance,
    *,
    certain: bool,
) -> Tree:
    known = parameters().trial
    posture, jaw = _POSTURES[number - 1]
    closed = chance.happens(share)
    made: Tree = {"block": block, "trial": number, "posture": posture, "jaw": jaw}
    if not certain and chance.happens(known.not_observable):
        made["observed"] = "not observable"
        made["reason"] = chance.one(_REASONS)
    else:
        made["observed"] = "closed" if closed else "not closed"
        made["hold_s"] = _TENTHS[chance.whole(20, 60) if closed else chance.whole(5, 15)]
    if said is None:
        made["feedback"] = "live image"
        made["cue"] = "minimal" if share > 0.5 else "moderate"
    else:
        made["own_judgement"] = _judgement(said, chance, closed=closed, certain=certain)
    return made


def _judgement(said: tuple[float, float], chance: Chance, *, closed: bool, certain: bool) -> str:
    if not certain and chance.happens(parameters().trial.unsure):
        return "unsure"
    return "closed" if chance.happens(said[0] if closed else said[1]) else "not closed"
