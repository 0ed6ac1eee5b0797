"""The card of ``patient-view`` (CDS Hooks 2.0): where a person's goals stand, and what needs attention.

Made of the computed answer, as the page and the command are; pure.
"""

import re
from collections import Counter
from typing import Any
from uuid import uuid4

from service.attainment.answers import GoalAnswer, PatientAnswer
from service.operations.goal_table import goal_rows

__all__ = ["LONGEST_SUMMARY", "card"]

LONGEST_SUMMARY = 139
"""A summary has fewer than 140 characters."""
_MARKUP = re.compile(r"([\\`*_{}\[\]<>()#+!|~-])")
_NO_CUES = "No attention cue; that does not mean safety."


def card(answer: PatientAnswer, root: str) -> dict[str, Any] | None:
    """Answer the card, None where there are neither goals nor cues; ``root`` is the service's address."""
    if not answer.goals and not answer.cues:
        return None
    return {
        "uuid": str(uuid4()),
        "summary": _summary(answer),
        "detail": _detail(answer),
        "indicator": "warning" if answer.cues else "info",
        "source": {"label": "swallow-interop, computed from what was recorded", "url": f"{root}/guide"},
        "links": [{"label": "Open the swallowing goals", "url": f"{root}/app/launch", "type": "smart"}],
    }


def _summary(answer: PatientAnswer) -> str:
    found = Counter(_word(goal) for goal in answer.goals if goal.stated.lifecycle == "active")
    goals = ", ".join(f"{number} {status}" for status, number in found.items()) or "no open goal"
    number = len(answer.cues)
    cues = f"; {number} attention cue{'s' if number != 1 else ''}" if number else ""
    text = f"Swallowing goals: {goals}{cues}"
    return text if len(text) <= LONGEST_SUMMARY else f"{text[: LONGEST_SUMMARY - 1]}…"


def _word(goal: GoalAnswer) -> str:
    return (goal.status.code or "not yet measured").replace("-", " ")


def _detail(answer: PatientAnswer) -> str:
    lines = [f"Computed as of {answer.as_of}; nothing computed changes what was stated.", ""]
    for _, goal, baseline, latest, computed, stated, *_ in goal_rows("", answer):
        lines.append(
            f"- {_plain(goal)}: **{_plain(computed)}** (stated: {_plain(stated)}); "
            f"baseline {_plain(baseline)}, latest {_plain(latest)}"
        )
    cues = [f"- {_plain(cue.sentence)}" for cue in answer.cues] or [_NO_CUES]
    return "\n".join([*lines, "", *cues])


def _plain(text: str) -> str:
    """Words in which no markup is read."""
    return _MARKUP.sub(r"\\\1", text)
