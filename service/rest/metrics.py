"""What the service counts of itself, in the text form of Prometheus: the only file that knows its library.

Numbers are those of one process. No label holds anything that a caller chose freely or that is about
anybody: routes are templates, methods those of HTTP.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, Histogram, ProcessCollector
from prometheus_client import generate_latest as written
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
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
        self._requests = Counter(
            "swallow_http_requests",
            "Requests that were answered; a status of 0 is none.",
            ["route", "method", "status"],
            registry=self._registry,
        )
        self._seconds = Histogram(
            "swallow_http_request_seconds",
            "From a request's head to the end of its answer.",
            ["route"],
            registry=self._registry,
            buckets=_SECONDS,
        )
        self._known: dict[tuple[str, str, int], tuple[Counter, Histogram]] = {}

    def answered(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count a request; ``route`` is the template of its address."""
        found = self._known.get((route, method, status)) or self._labelled(route, method, status)
        found[0].inc()
        found[1].observe(seconds)

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

    def _labelled(self, route: str, method: str, status: int) -> tuple[Counter, Histogram]:
        told = method if method in _METHODS else "other"
        found = (self._requests.labels(route, told, str(status)), self._seconds.labels(route))
        if told == method:  # callers may make up any number of methods
            self._known[route, method, status] = found
        return found


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
