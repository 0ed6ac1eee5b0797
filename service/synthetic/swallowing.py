"""What a visit found of swallowing: functional intake and, at the first and last look, a swallow study.

Both follow the logit of closing: who closes well takes in more and less enters their airway. How is the
registry's own and stands in its README; no publication gives these numbers.
"""

from decimal import Decimal

from service.synthetic.chance import Chance, share_of
from service.synthetic.person import Truth
from service.synthetic.trials import Tree

__all__ = ["function", "study"]

_SWALLOWED: tuple[tuple[int, int | None, str, str, float], ...] = (
    (0, 5, "spoon", "none", 0.0),
    (0, 10, "cup", "none", 0.3),
    (0, 10, "cup", "supraglottic swallow", -0.4),
    (2, 10, "cup", "none", -0.5),
    (4, 5, "spoon", "none", -1.0),
    (7, None, "", "none", -1.4),
)
"""IDDSI level, mL, how it was given, manoeuvre, and what it adds to the log odds that something enters."""
_ENTRIES = ((2, "none"), (3, "none"), (4, "throat clear"), (5, "throat clear"), (6, "cough effective"))
_ASPIRATED = ((7, "cough ineffective"), (8, "none"))
_RESIDUE = ("none", "trace", "mild", "moderate", "severe")


def function(logit: float, chance: Chance, *, whole: bool) -> Tree:
    """Functional intake at this logit; ``whole`` adds the weight and how long a meal takes."""
    level = _within(1, round(chance.normal(4.6 + 0.9 * logit, 0.6)), 7)
    found: Tree = {
        "oral_intake_level": level,
        "tube": "yes" if level <= 3 else "no",
        "eat10_total": _within(0, round(chance.normal(16 - 5 * logit, 3.0)), 40),
        "pneumonia_since_last_visit": int(chance.happens(0.02 + 0.05 * share_of(-logit))),
        "liquid_level": _within(0, round(1.5 - 0.8 * logit), 4),
        "food_level": _within(3, round(5 + logit), 7),
    }
    if whole:
        found["weight_kg"] = Decimal(chance.whole(480, 920)) / 10
        found["meal_minutes"] = _within(10, round(chance.normal(30 - 4 * logit, 5.0)), 90)
    return found


def study(person: Truth, day: str, logit: float, chance: Chance) -> Tree:
    """The swallow study of a day, with six boluses."""
    endoscopic = person.site.method == "endoscopic"
    found: Tree = {
        "method": person.site.method,
        "date": day,
        "blinded": "yes" if chance.happens(0.3) else "no",
        "view_quality": "good" if chance.happens(0.9) else "limited",
        "recording_kept": "yes",
        "boluses": [
            _bolus(number, kind, logit, chance, endoscopic=endoscopic)
            for number, kind in enumerate(_SWALLOWED, 1)
        ],
    }
    if endoscopic:
        found["secretion_rating"] = _within(0, round(chance.normal(1 - 0.5 * logit, 0.6)), 3)
    return found


def _bolus(
    number: int,
    kind: tuple[int, int | None, str, str, float],
    logit: float,
    chance: Chance,
    *,
    endoscopic: bool,
) -> Tree:
    level, volume, delivery, manoeuvre, odds = kind
    vallecula = _within(0, round(chance.normal(1.2 - 0.5 * logit, 0.8)), 4)
    found: Tree = {
        "sequence": number,
        "consistency": level,
        **({"amount": "1 piece"} if volume is None else {"volume_ml": volume, "delivery": delivery}),
        **_airway(share_of(odds - 0.9 * logit - 0.6), chance, endoscopic=endoscopic),
        "residue_vallecula": _RESIDUE[vallecula],
        "residue_pyriform": _RESIDUE[_within(0, vallecula - chance.whole(0, 1), 4)],
        "swallows_to_clear": 1 + vallecula // 2,
        "manoeuvre": manoeuvre,
    }
    if manoeuvre != "none":
        found["effect"] = chance.one(("better", "better", "same"))
    return found


def _airway(entered: float, chance: Chance, *, endoscopic: bool) -> Tree:
    if not chance.happens(entered):
        return {"airway_score": 1}
    score, response = chance.one(_ASPIRATED if chance.happens(entered / 2) else _ENTRIES)
    timing = chance.one(("before", "during", "after"))
    found: Tree = {
        "airway_score": score,
        "timing": [timing],
        "residue_related": "yes" if timing == "after" else "no",
        "response": response,
    }
    if endoscopic and timing == "during":
        found["inferred"] = True
    return found


def _within(low: int, value: int, high: int) -> int:
    return min(max(low, value), high)
