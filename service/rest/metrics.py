"""What the service counts of itself, in the text form of Prometheus: the only file that knows its library.

Numbers are those of one process. No label holds anything that a caller chose freely or that is about
anybody: routes are templates, methods those of HTTP.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import accumulate

from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, ProcessCollector
from prometheus_client import generate_latest as written
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily
from prometheus_client.registry import Collector

__all__ = ["METRICS_TYPE", "Metrics"]

METRICS_TYPE = CONTENT_TYPE_LATEST
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 120)


class Metrics:
    """Requests as they are answered, and what others tell of themselves when they are asked."""

    def __init__(self) -> None:
        """Count from nothing."""
        self._registry = CollectorRegistry()
        self._told = _Told()
        self._registry.register(self._told)
        ProcessCollector(registry=self._registry)
        self._requests: dict[tuple[str, str, int], _Requests] = {}
        self._registry.register(_Answered(self._requests))

    def answered(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count a request; ``route`` is the template of its address."""
        key = (route, method, status)
        found = self._requests.get(key)
        if found is None:  # callers may make up any number of methods
            key = (route, method if method in _METHODS else "other", status)
            found = self._requests.setdefault(key, _Requests())
        found.within[bisect_left(_SECONDS, seconds)] += 1
        found.seconds += seconds

    def tell(self, name: str, sentence: str, read: Callable[[], float], *, grows: bool = False) -> None:
        """Answer with what ``read`` answers then; ``grows``: it never falls as long as the process lives."""
        self._told.numbers.append(_Number(name, sentence, (), lambda: {(): read()}, grows))

    def tell_each(
        self,
        name: str,
        sentence: str,
        labels: tuple[str, ...],
        read: Callable[[], Mapping[tuple[str, ...], float]],
        *,
        grows: bool = False,
    ) -> None:
        """The same for several numbers by the values of their labels; what is not known is left out."""
        self._told.numbers.append(_Number(name, sentence, labels, read, grows))

    def text(self) -> bytes:
        """Answer every number as of now."""
        return written(self._registry)


@dataclass(slots=True)
class _Requests:
    """Requests of one route, method and status: how many took up to each of ``_SECONDS``, the last longer."""

    within: list[int] = field(default_factory=lambda: [0] * (len(_SECONDS) + 1))
    seconds: float = 0.0


class _Answered(Collector):
    """Tells of requests. They are counted apart: the library's own counters take 13 us of each."""

    def __init__(self, requests: Mapping[tuple[str, str, int], _Requests]) -> None:
        self._requests = requests

    def collect(self) -> Iterator[CounterMetricFamily | HistogramMetricFamily]:
        counted = CounterMetricFamily(
            "swallow_http_requests",
            "Requests that were answered; a status of 0 is none.",
            labels=("route", "method", "status"),
        )
        took: dict[str, _Requests] = {}
        for (route, method, status), some in self._requests.items():
            counted.add_metric((route, method, str(status)), sum(some.within))
            whole = took.setdefault(route, _Requests())
            whole.within = [one + other for one, other in zip(whole.within, some.within, strict=True)]
            whole.seconds += some.seconds
        yield counted
        yield _histogram(took)


def _histogram(took: Mapping[str, _Requests]) -> HistogramMetricFamily:
    told = HistogramMetricFamily(
        "swallow_http_request_seconds",
        "From a request's head to the end of its answer.",
        labels=("route",),
    )
    bounds = [*map(str, map(float, _SECONDS)), "+Inf"]
    for route, some in took.items():
        told.add_metric((route,), [*zip(bounds, accumulate(some.within), strict=True)], some.seconds)
    return told


@dataclass(frozen=True, slots=True)
class _Number:
    name: str
    sentence: str
    labels: tuple[str, ...]
    read: Callable[[], Mapping[tuple[str, ...], float]]
    grows: bool


class _Told(Collector):
    def __init__(self) -> None:
        self.numbers: list[_Number] = []

    def collect(self) -> Iterator[CounterMetricFamily | GaugeMetricFamily]:
        for one in self.numbers:
            family = CounterMetricFamily if one.grows else GaugeMetricFamily
            told = family(one.name, one.sentence, labels=one.labels)
            for values, number in one.read().items():
                told.add_metric(values, number)
            yield told
