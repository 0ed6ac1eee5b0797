"""When a destination is delivered to; pure."""

from datetime import datetime, time

from service.jobs.destination import Schedule

__all__ = ["is_time"]


def is_time(schedule: Schedule, now: datetime, last: datetime | None) -> bool:
    """Whether to deliver at ``now`` (of the site's zone) what waits, having done so ``last``."""
    if schedule.begin and not _is_between(
        now.time(), *map(time.fromisoformat, (schedule.begin, schedule.end))
    ):
        return False
    if not schedule.minutes or last is None:
        return True
    return (now - last).total_seconds() >= 60 * schedule.minutes


def _is_between(now: time, begin: time, end: time) -> bool:
    """A window may go over midnight; of equal times it is the whole day."""
    return begin <= now < end if begin < end else now >= begin or now < end
