"""The links of a searchset: itself, and the pages around it (FHIR R4 http.html, Paging)."""

from collections.abc import Mapping, Sequence
from hashlib import blake2s
from urllib.parse import quote, urlencode

from service.errors import InvalidInput

__all__ = ["Links"]

_PLACES = ("_after", "_before")
_MARK = "."


class Links:
    """The addresses of one search.

    A page's place is the position of a match and a checksum of what was asked, so that it can't be used with
    another search, or changed by accident. It needs no memory on this side, never expires and gives no
    rights: each page is asked for with the caller's own.
    """

    def __init__(self, address: str, used: Sequence[tuple[str, str]], given: Mapping[str, str]) -> None:
        """Take the address, the parameters that were used and the control parameters as given."""
        self._address = address
        self._used = used
        self._given = given
        asked = [address.rpartition("/fhir")[2], *sorted(used), given.get("_sort", "")]
        self._sum = blake2s(repr(asked).encode(), digest_size=8).hexdigest()

    def position(self, name: str) -> str:
        """The position given as ``_after`` or ``_before``, empty for none; InvalidInput if not ours."""
        text = self._given.get(name, "")
        position, _, checksum = text.rpartition(_MARK)
        if text and (checksum != self._sum or len(self._given.keys() & set(_PLACES)) > 1):
            raise InvalidInput(
                "This page link does not belong to this search; start the search again.",
                expression=f"http.{name}",
            )
        return position

    def here(self) -> str:
        """The search as it was understood."""
        return self._url(self._given)

    def first(self) -> str:
        """The first page."""
        return self._url(self._without_place())

    def to(self, name: str, position: str, count: int) -> str:
        """The page ``_after`` or ``_before`` a position."""
        place = {name: f"{position}{_MARK}{self._sum}", "_count": str(count)}
        return self._url({**self._without_place(), **place})

    def _without_place(self) -> dict[str, str]:
        return {name: value for name, value in self._given.items() if name not in _PLACES}

    def _url(self, steering: Mapping[str, str]) -> str:
        pairs = [*self._used, *((name, value) for name, value in steering.items() if value)]
        text = urlencode(pairs, safe=":,/$", quote_via=quote)
        return f"{self._address}?{text}" if text else self._address
