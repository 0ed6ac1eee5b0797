"""Rules on the skill training: blocks, trials, the patient's own judgement, effort, hold, feedback.

The pre and post blocks are probes: a fixed number of trials without feedback, each posture once.
"""

from collections import defaultdict

from service.records.case import Case
from service.records.protocols import TrainingProtocol, training_protocols
from service.records.report import Report
from service.records.visit import Trial

__all__ = ["check_training"]

_PROBES = ("pre", "post")
_LONGEST_HOLD_S = 30
Numbered = list[tuple[int, Trial]]


def check_training(case: Case, report: Report) -> None:
    """Every trial by itself, then each block as a whole."""
    training = case.record.training
    if training is None:
        return
    below = report.below("training")
    if training.protocol is not None and case.protocol is None:
        known = ", ".join(training_protocols())
        below.error(
            "protocol", f"Protocol '{training.protocol[:60]}' is not known; use one of {known}.", "protocol"
        )
    blocks: dict[str, Numbered] = defaultdict(list)
    for number, trial in enumerate(training.trials):
        blocks[trial.block].append((number, trial))
        _trial(case, trial, below.below("trials", number))
    whole = all(trial.block is not None and trial.trial is not None for trial in training.trials)
    for block, trials in blocks.items():
        _block(case.protocol, block, trials, below)
        if whole:
            _gaps(case.protocol, block, trials, below)
    if "pre" in blocks and "post" not in blocks and training.post_block_not_done is None:
        below.warn("post_block_not_done", "There is no post block; say why.", "post-block-missing")


def _trial(case: Case, trial: Trial, report: Report) -> None:
    shown = trial.trial if trial.trial is not None else "?"
    if trial.observed in ("not observable", "not done") and trial.reason is None:
        report.error("reason", f"Say why trial {shown} could not be rated.", "trial-reason")
    if case.is_above_limit(trial.effort) and trial.observed != "not done":
        message = f"Effort '{trial.effort}' is above the cleared limit '{case.effort_limit}'."
        report.error("effort", message, "effort-limit")
    _hold(case.protocol, trial, report)
    _judgement(trial, report)
    _feedback(trial, report)
    _raters(case, trial, report)


def _hold(protocol: TrainingProtocol | None, trial: Trial, report: Report) -> None:
    hold = trial.hold_s
    if hold is None:
        if trial.observed == "closed":
            report.error("hold_s", f"Give the hold time of trial {trial.trial} in seconds.", "hold-given")
    elif hold <= 0:
        report.error("hold_s", "Hold time must be above 0 seconds.", "hold-range")
    elif hold > _LONGEST_HOLD_S:
        report.error("hold_s", f"Hold time {hold} s is above 30 s; check the unit.", "hold-range")
    elif protocol is not None and hold > protocol.hold_warning_s:
        message = f"Hold time {hold} s is above the site's limit of {protocol.hold_warning_s} s."
        report.warn("hold_s", message, "hold-limit")


def _judgement(trial: Trial, report: Report) -> None:
    if trial.own_judgement is None and trial.block in _PROBES and trial.observed != "not done":
        message = f"Record the patient's own judgement of trial {trial.trial}, or 'not asked'."
        report.error("own_judgement", message, "judgement-given")
    asked = trial.own_judgement in ("closed", "not closed", "unsure")
    if asked and trial.judged_before_result is False:
        message = "The patient's judgement must be recorded before the result is shown."
        report.error("judged_before_result", message, "judgement-first")


def _feedback(trial: Trial, report: Report) -> None:
    if trial.block in _PROBES:
        if trial.feedback not in (None, "none"):
            message = (
                f"Pre and post trials are done without feedback; this trial has '{trial.feedback}'. "
                "Move it to another block."
            )
            report.error("feedback", message, "feedback-in-probe")
    elif trial.block is not None and trial.feedback is None and trial.observed != "not done":
        message = f"Say which feedback trial {trial.trial} of the {trial.block} block had, or 'none'."
        report.error("feedback", message, "feedback-given")


def _raters(case: Case, trial: Trial, report: Report) -> None:
    first = trial.rater or (case.record.visit.clinician if case.record.visit is not None else None)
    second = trial.second_rater
    if first is None or second is None or second.identifier is None:
        return
    if first.identifier == second.identifier:
        report.error("second_rater", "Second rater must be a different person.", "second-rater")


def _block(protocol: TrainingProtocol | None, block: str, trials: Numbered, report: Report) -> None:
    seen: set[int] = set()
    for number, trial in trials:
        if trial.trial is not None and trial.trial in seen:
            message = f"Trial {trial.trial} of the {block} block is listed twice."
            report.error(("trials", number, "trial"), message, "trial-unique")
        seen.add(trial.trial)
    if block in _PROBES and protocol is not None:
        _probe(protocol, trials, report)
    if block == "error" and all(trial.intended == "close" for _, trial in trials):
        message = "No trial of the error block was meant to leave the folds open."
        report.warn(("trials", trials[0][0], "intended"), message, "error-block")
    if block == "faded" and _rises(trials):
        report.warn(
            ("trials", trials[-1][0], "feedback"), "Feedback rises in the faded block.", "faded-block"
        )


def _probe(protocol: TrainingProtocol, trials: Numbered, report: Report) -> None:
    used: set[str] = set()
    for number, trial in trials:
        if trial.trial is not None and trial.trial > protocol.probe_trials:
            message = (
                f"Pre and post blocks have {protocol.probe_trials} trials in this protocol; "
                f"trial {trial.trial} was given."
            )
            report.error(("trials", number, "trial"), message, "probe-size")
        posture = _posture(trial)
        if (
            posture is not None
            and posture in used
            and trial.trial is not None
            and trial.trial <= protocol.probe_trials
        ):
            message = (
                f"Posture '{posture}' is used twice; pre/post pairing by posture needs each posture once."
            )
            report.warn(("trials", number, "posture"), message, "probe-postures")
        used |= {posture} if posture is not None else set()


def _posture(trial: Trial) -> str | None:
    if trial.posture is None or trial.jaw is None:
        return None
    return f"{trial.posture}, jaw {trial.jaw}" if trial.posture == "head neutral" else trial.posture


def _rises(trials: Numbered) -> bool:
    """Is the share of trials with feedback higher in the second half than in the first?"""
    given = [
        trial.feedback not in (None, "none") for _, trial in sorted(trials, key=lambda one: one[1].trial or 0)
    ]
    half = len(given) // 2
    return half > 0 and sum(given[-half:]) > sum(given[:half])


def _gaps(protocol: TrainingProtocol | None, block: str, trials: Numbered, report: Report) -> None:
    given = {trial.trial for _, trial in trials}
    wanted = protocol.probe_trials if block in _PROBES and protocol is not None else max(given)
    for number in range(1, min(wanted, len(given) + 100) + 1):
        if number not in given:
            message = f"Trial {number} is missing; enter it or mark it 'not done'."
            report.error(("trials", trials[0][0], "trial"), message, "trial-missing")
