"""Each training visit on its own: the probe, the block after training, and the patient's own judgement.

The probe of a visit shows what was kept; the block after training shows the session. They stand side by side
and are never mixed (Maas 2008).
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from operator import attrgetter

from service.attainment.change import Apart, Paired, apart, by_posture
from service.attainment.self_judgement import Cells, SelfJudgement, cells, self_judgement
from service.attainment.trials import Accuracy, Block, Hold, accuracy, hold_time, probes

__all__ = ["VisitResult", "pooled_judgement", "visit_results"]


@dataclass(frozen=True, slots=True)
class VisitResult:
    """One day's probe and what belongs beside it.

    ``acquisition`` is the last post block's share less the probe's; ``retention`` the probe's share less the
    visit before's post share: differences of shares, -1 to 1, None when either block is missing.
    ``by_posture`` pairs the two blocks when each posture occurs once in both; where they can't be paired,
    ``apart`` compares them as separate trials. ``cue_levels`` counts the probe's trials by cue level; trials
    that do not say are counted under an empty text.
    """

    day: date
    probe: Block
    closure: Accuracy
    hold: Hold
    own: SelfJudgement
    after: Block | None
    after_closure: Accuracy | None
    acquisition: Fraction | None
    retention: Fraction | None
    by_posture: Paired | None
    apart: Apart | None
    cue_levels: Mapping[str, int]

    @property
    def without_cues(self) -> bool | None:
        """Whether all scored trials of the probe were done without cues; None if one does not say."""
        levels = {trial.cue for trial in self.probe.trials if trial.scored}
        return None if not levels or "" in levels else levels == {"independent"}


def visit_results(blocks: Iterable[Block]) -> tuple[VisitResult, ...]:
    """Results of every day with a probe, in day order."""
    blocks = tuple(blocks)
    after = {block.day: block for block in blocks if block.kind == "post"}
    results: list[VisitResult] = []
    for probe in probes(blocks):
        results.append(_result(probe, after.get(probe.day), results[-1] if results else None))
    return tuple(results)


def pooled_judgement(results: Iterable[VisitResult]) -> SelfJudgement:
    """Own judgement over the probes of all visits."""
    table = Cells()
    left_out: dict[str, int] = {}
    for result in results:
        table += result.own.cells
        for why, n in result.own.left_out.items():
            left_out[why] = left_out.get(why, 0) + n
    return self_judgement(table, left_out)


def _result(probe: Block, after: Block | None, before: VisitResult | None) -> VisitResult:
    closure = accuracy(probe.trials)
    after_closure = accuracy(after.trials) if after else None
    previous = before.after_closure if before else None
    pairs = by_posture(probe.trials, after.trials, attrgetter("closed")) if after else None
    return VisitResult(
        day=probe.day,
        probe=probe,
        closure=closure,
        hold=hold_time(probe.trials),
        own=self_judgement(*cells(probe.trials)),
        after=after,
        after_closure=after_closure,
        acquisition=_less(after_closure, closure),
        retention=_less(closure, previous),
        by_posture=pairs,
        apart=_apart(closure, after_closure) if after_closure and not pairs else None,
        cue_levels=Counter(trial.cue for trial in probe.trials),
    )


def _less(later: Accuracy | None, earlier: Accuracy | None) -> Fraction | None:
    if later is None or earlier is None or later.share is None or earlier.share is None:
        return None
    return later.share - earlier.share


def _apart(before: Accuracy, after: Accuracy) -> Apart | None:
    return apart(before.k, before.n, after.k, after.n)
