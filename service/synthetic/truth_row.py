"""What is true of a person as a row of ``truth.csv``: what methods are checked against. No export has it."""

from service.synthetic.person import Truth

__all__ = ["TRUTH", "truth_row"]

TRUTH = (
    "patient_id",
    "site",
    "condition",
    "course",
    "own_judgement",
    "adherence",
    "visits_planned",
    "gap_before",
    "ending",
    "ends_after",
    "first_logit",
    "last_logit",
)
"""Columns; logits are those of closing in the opening probe, of the first and the last visit planned."""


def truth_row(person: Truth) -> tuple[str | int, ...]:
    """The values of ``TRUTH``; numbers to four places, empty for who leaves as planned or has no gap."""
    return (
        person.id,
        person.site.name,
        person.condition.name,
        person.course.name,
        person.judging.name,
        f"{person.adherence:.4f}",
        len(person.logits),
        person.gap_before or "",
        person.ending,
        person.ends_after or "",
        f"{person.logits[0]:.4f}",
        f"{person.logits[-1]:.4f}",
    )
