"""Own judgement as signal detection: how well closed is told from open, and how readily 'closed' is said.

A trial seen closed is a signal, 'closed' said is a yes. Log-linear correction, always applied (Hautus 1995):
H = (hits + 0.5) / (signals + 1), F = (false alarms + 0.5) / (noise + 1); d' = z(H) - z(F),
c = -(z(H) + z(F)) / 2 (Macmillan & Creelman 2005); c below 0: says 'closed' readily. The threshold is the
same criterion counted from the middle of the open trials, -z(F), and not from half-way: c + d' / 2. Of it
alone can be told how often 'closed' is said of an open trial.
"""

from dataclasses import dataclass
from statistics import NormalDist

from service.attainment.self_judgement import Cells

__all__ = ["MIN_TRIALS_OF_A_KIND", "Detection", "detection", "log_linear"]

MIN_TRIALS_OF_A_KIND = 5
"""Trials seen closed, and trials seen open, below which nothing is shown: pool visits first."""


@dataclass(frozen=True, slots=True)
class Detection:
    """Corrected rates (0 to 1), d', c and threshold in standard deviations; None with a ``reason``."""

    signals: int
    noise: int
    hit_rate: float | None
    false_alarm_rate: float | None
    d_prime: float | None
    criterion: float | None
    threshold: float | None
    reason: str = ""
    method: str = "d', c and threshold, log-linear correction"


def detection(cells: Cells) -> Detection:
    """Compute from the table of own judgement by observation, best pooled over visits."""
    signals = cells.both_closed + cells.said_open_was_closed
    noise = cells.said_closed_was_open + cells.both_open
    if min(signals, noise) < MIN_TRIALS_OF_A_KIND:
        few = f"fewer than {MIN_TRIALS_OF_A_KIND} trials seen closed, or seen open"
        return Detection(signals, noise, None, None, None, None, None, few)
    found = log_linear(cells.both_closed, cells.said_closed_was_open, signals, noise)
    return Detection(signals, noise, *found)


def log_linear(
    hits: int, false_alarms: int, signals: int, noise: int
) -> tuple[float, float, float, float, float]:
    """H, F, d', c and threshold of any numbers of trials, however few."""
    hit_rate, false_alarm_rate = (hits + 0.5) / (signals + 1), (false_alarms + 0.5) / (noise + 1)
    z_hit, z_false = NormalDist().inv_cdf(hit_rate), NormalDist().inv_cdf(false_alarm_rate)
    return hit_rate, false_alarm_rate, z_hit - z_false, -(z_hit + z_false) / 2, -z_false
