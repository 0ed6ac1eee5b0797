"""Regular expressions of rules that come from elsewhere: RE2, whose time grows with the text and no faster.

It has no lookaround and no backreferences, which are what makes others run for ever; a pattern with these
can't be read here. The only file that imports it.
"""

import re
from functools import lru_cache
from typing import Any

import re2

from service.fhir.fhirpath.values import CannotError

__all__ = ["is_match", "replaced"]

_MOST_MEMORY = 1 << 17
"""Bytes of a compiled pattern: more than any rule needs, and a long text takes a second, not minutes."""
_GROUP = re.compile(rb"\$(\d)")
_OPTIONS = re2.Options()
_OPTIONS.dot_nl = True  # FHIRPath 5.6: single line mode
_OPTIONS.log_errors = False
_OPTIONS.max_mem = _MOST_MEMORY


def is_match(text: str, pattern: str, *, whole: bool = False) -> bool:
    """Whether the pattern is found in the text, or is all of it; CannotError if it can't be read."""
    compiled = _compiled(pattern)
    found = compiled.fullmatch(text.encode()) if whole else compiled.search(text.encode())
    return found is not None


def replaced(text: str, pattern: str, new: str) -> str:
    """Replace what the pattern finds; ``$1`` in ``new`` is what its first group found, ``$0`` all of it."""
    compiled, raw, made = _compiled(pattern), text.encode(), new.encode()
    pieces: list[bytes] = []
    done = place = 0
    while place <= len(raw) and (found := compiled.search(raw, place)) is not None:
        start, end = found.span()
        pieces += (raw[done:start], _filled(made, found))
        done = end
        place = end if end > start else _next(raw, end)
    return b"".join((*pieces, raw[done:])).decode()


def _filled(new: bytes, found: Any) -> bytes:
    try:
        return _GROUP.sub(lambda group: found.group(int(group[1])) or b"", new)
    except IndexError:
        raise CannotError("its regular expression has fewer groups than are asked for") from None


def _next(raw: bytes, place: int) -> int:
    """Where the character after this place begins, in UTF-8."""
    place += 1
    while place < len(raw) and raw[place] & 0xC0 == 0x80:  # inside a character
        place += 1
    return place


@lru_cache(maxsize=256)
def _compiled(pattern: str) -> Any:
    try:
        return re2.compile(pattern.encode(), _OPTIONS)
    except re2.error as error:
        why = error.args[0] if error.args else ""
        text = why.decode(errors="replace") if isinstance(why, bytes) else str(why)
        raise CannotError(f"it has a regular expression that can't be read: {text[:100]}") from None
