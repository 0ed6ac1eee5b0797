"""What ``/metrics`` tells of the store, jobs, destinations, subscriptions and messages of this process."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import cast

from service.fhir.topics import topics
from service.jobs.backlog import Backlog
from service.jobs.bulk_export import BulkExports
from service.jobs.destination_state import alarms
from service.jobs.subscription_state import SubscriptionState
from service.rest.call import Services
from service.rest.metrics import Metrics
from service.store.beside import Beside

__all__ = ["tell_of_jobs", "tell_of_messages", "tell_of_the_store"]


def tell_of_the_store(metrics: Metrics, store: Beside) -> None:
    """Tell of writes."""
    metrics.tell("swallow_store_writes_in_work", "Writes that wait or run.", lambda: store.writing)
    metrics.tell("swallow_store_writes", "Writes that were committed.", lambda: store.written, grows=True)


def tell_of_jobs(metrics: Metrics, services: Services) -> None:
    """Tell of runs, exports, destinations, subscriptions and cards."""
    runs, backlog = services.runs, cast("Backlog", services.backlog)
    for how, ran, grows in (
        ("ended", runs.ended, True),
        ("failed", runs.failed, True),
        ("in_work", runs.in_work, False),
    ):
        sentence = f"Runs of jobs: {how.replace('_', ' ')}."
        metrics.tell_each(f"swallow_job_runs_{how}", sentence, ("job",), partial(_by_job, ran), grows=grows)
    bulk = cast("BulkExports", services.bulk)
    metrics.tell("swallow_bulk_export_lines", "Lines of bulk exports.", lambda: bulk.lines, grows=True)
    metrics.tell_each(
        "swallow_list_rows_behind", "Rows of the list that are behind.", (), lambda: backlog.rows
    )
    for number, sentence, grows in (
        ("waiting", "Patients with changes that a destination has not.", False),
        ("parked", "Those of them whose changes are not tried until somebody says so.", False),
        ("oldest_s", "Age of the oldest change that a destination has not; 0: it has all.", False),
        ("rests_s", "Seconds for which a destination is left alone after failures.", False),
        ("sent", "Resources that arrived.", True),
        ("failed", "Tries in vain.", True),
    ):
        name = f"swallow_delivery_{number.replace('_s', '_seconds')}"
        read = partial(_by_destination, backlog, number)
        metrics.tell_each(name, sentence, ("destination",), read, grows=grows)
    metrics.tell_each(
        "swallow_delivery_alarm",
        "1 where somebody should look, by the limits of the settings.",
        ("destination",),
        lambda: {(one.name,): bool(alarms(one, services.settings)) for one in backlog.destinations},
    )
    metrics.tell_each(
        "swallow_delivery_state",
        "1 for the state a destination is in.",
        ("destination", "state"),
        lambda: {(one.name, one.state): 1 for one in backlog.destinations},
    )
    _tell_of_subscriptions(metrics, backlog)
    told = partial(_by_outcome, services.cds_feedback)
    metrics.tell_each("swallow_cds_feedback", "What became of cards.", ("outcome",), told, grows=True)


def _tell_of_subscriptions(metrics: Metrics, backlog: Backlog) -> None:
    """By topic and status, as ids of subscriptions are chosen by callers."""
    for name, sentence, read in (
        ("swallow_subscriptions", "Subscriptions.", lambda _one: 1.0),
        ("swallow_subscription_events_waiting", "Events not taken.", lambda one: float(one.waiting)),
        ("swallow_subscription_oldest_event_seconds", "Age of the oldest of them.", lambda one: one.oldest_s),
    ):
        join = max if name.endswith("seconds") else sum
        told = partial(_by_topic, backlog, read, join)
        metrics.tell_each(name, sentence, ("topic", "status"), told)


def _by_topic(
    backlog: Backlog,
    read: Callable[[SubscriptionState], float],
    join: Callable[[Iterable[float]], float],
) -> dict[tuple[str, ...], float]:
    numbers: dict[tuple[str, ...], list[float]] = {}
    known = {topic.url.rpartition("/")[2] for topic in topics()}
    for one in backlog.subscriptions:
        topic = one.topic if one.topic in known else "none"
        numbers.setdefault((topic, one.status), []).append(read(one))
    return {key: join(found) for key, found in numbers.items()}


def _by_destination(backlog: Backlog, number: str) -> dict[tuple[str, ...], float]:
    return {(one.name,): float(getattr(one, number)) for one in backlog.destinations}


def tell_of_messages(metrics: Metrics, counts: Mapping[str, int]) -> None:
    """Tell of messages by their outcome, as ``counts`` stand when they are asked for."""
    sentence = "HL7 v2 messages that came, by what became of them."
    read = partial(_by_outcome, counts)
    metrics.tell_each("swallow_mllp_messages", sentence, ("outcome",), read, grows=True)


def _by_outcome(counts: Mapping[str, int]) -> dict[tuple[str, ...], float]:
    return {(outcome,): number for outcome, number in counts.items()}


def _by_job(runs: Counter[str]) -> dict[tuple[str, ...], float]:
    return {(job,): number for job, number in runs.items()}
