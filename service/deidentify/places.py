"""Places as they are let out.

By 45 CFR 164.514(b)(2)(i)(B) nothing smaller than a state leaves but three ZIP digits, and these only where
the area they stand for holds more than 20,000 people. Which do not is a dated table that is handed in;
without a table, or for anything that is no ZIP code, the answer is ``000``. A limited data set
(164.514(e)(2)(ii)) keeps town and ZIP code, of which five digits leave here.
"""

import re
from collections.abc import Collection

__all__ = ["HIDDEN_ZIP3", "town", "zip3", "zip5"]

HIDDEN_ZIP3 = "000"

_ZIP = re.compile(r"(\d{3})\d{2}(?:-?\d{4})?", re.ASCII)
_TOWN = re.compile(r"[^\W\d_]+(?:(?:\. |[ .'’-])[^\W\d_]+){0,4}\.?")
_LONGEST_TOWN = 40


def zip3(postal_code: str, restricted: Collection[str]) -> str:
    """First three digits of a five- or nine-digit ZIP code, or ``000``.

    ``restricted`` are the three-digit areas of 20,000 people or fewer; an empty table hides everything.
    """
    found = _ZIP.fullmatch(postal_code.strip())
    if found is None or not restricted or found[1] in restricted:
        return HIDDEN_ZIP3
    return found[1]


def zip5(postal_code: str) -> str | None:
    """The five digits of a five- or nine-digit ZIP code."""
    found = _ZIP.fullmatch(postal_code.strip())
    return found and found[0][:5]


def town(city: str) -> str | None:
    """A town's name: at most five words of letters alone, so no house, telephone or record number."""
    return city if len(city) <= _LONGEST_TOWN and _TOWN.fullmatch(city) else None
