"""The runs of jobs: each is counted and leaves one line in the log, with counts and never with content."""

import logging
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from service.correlation import within

__all__ = ["Runs"]

_log = logging.getLogger("service.jobs")


class Runs:
    """The runs of this process, by the name of the job."""

    def __init__(self) -> None:
        """Start with none."""
        self.in_work: Counter[str] = Counter()
        self.ended: Counter[str] = Counter()
        self.failed: Counter[str] = Counter()

    @contextmanager
    def run(self, job: str) -> Iterator[dict[str, int]]:
        """One run, which notes its counts in what it is given; one that is broken off failed."""
        counts: dict[str, int] = {}
        begun, why = time.monotonic(), ""
        self.in_work[job] += 1
        try:
            with within(f"job {job}", {}):
                yield counts
        except BaseException as error:
            why = type(error).__name__
            raise
        finally:
            self.in_work[job] -= 1
            self.tell(job, time.monotonic() - begun, counts, why)

    def tell(self, job: str, seconds: float, counts: Mapping[str, int], why: str = "") -> None:
        """Note that a run ended; ``why`` it failed is the class of an exception."""
        (self.failed if why else self.ended)[job] += 1
        told = {"job": job, "seconds": round(seconds, 3), **counts, **({"error": why} if why else {})}
        level, how = (logging.ERROR, "failed") if why else (logging.INFO, "ended")
        _log.log(level, "%s %s", job, how, extra={"told": told})
