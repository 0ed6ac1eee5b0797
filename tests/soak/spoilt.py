"""Ten minutes of spoilt resources, other ones each time."""

import secrets

from tests.bench.measure import Size
from tests.hostile.mutations import MOST_MILLISECONDS, spoil_for

__all__ = ["spoilt_resources"]


def spoilt_resources(seconds: float) -> list[Size]:
    """Spoil official examples at random and check them; an AssertionError names the one that is not borne."""
    borne = spoil_for(seconds, secrets.randbits(32))
    return [
        Size(f"spoilt resources the validator has borne in {seconds / 60:.0f} minutes", borne.tried, ""),
        Size("issues it told of them", borne.issues, ""),
        Size("the slowest of them, by size", borne.slowest, "ms/kB", most=MOST_MILLISECONDS),
    ]
