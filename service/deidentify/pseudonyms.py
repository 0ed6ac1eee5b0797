"""Random names in place of identifiers.

45 CFR 164.514(c): a re-identification code may not be derived from information about the person. So an id is
drawn, never computed; what it stands for is known only to the mapping the caller keeps elsewhere.
"""

from collections.abc import Callable, MutableMapping
from uuid import UUID

__all__ = ["Pseudonyms"]


class Pseudonyms:
    """Gives each ``Type/id`` a random UUID, the same one each time."""

    def __init__(self, known: MutableMapping[str, str], draw: Callable[[int], int]) -> None:
        """Take the mapping of what was given before (new names are added to it) and a source of random bits.

        ``draw(128)`` answers 128 random bits as an integer; it should be a cryptographic source.
        """
        self._known = known
        self._draw = draw

    def of(self, reference: str) -> str:
        """Answer the name of ``Type/id``, drawing one if it has none yet."""
        name = self._known.get(reference)
        if name is None:
            name = self._known[reference] = self.fresh()
        return name

    def fresh(self) -> str:
        """Draw a name that stands for nothing stored."""
        return str(UUID(int=self._draw(128), version=4))
