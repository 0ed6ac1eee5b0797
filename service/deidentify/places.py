"""Places as 45 CFR 164.514(b)(2)(i)(B) lets them out: nothing smaller than a state but three ZIP digits.

The three digits may stay only where the area they stand for holds more than 20,000 people. Which do not is a
dated table that is handed in; without a table, or for anything that is no ZIP code, the answer is ``000``.
"""

import re
from collections.abc import Collection

__all__ = ["HIDDEN_ZIP3", "zip3"]

HIDDEN_ZIP3 = "000"

_ZIP = re.compile(r"(\d{3})\d{2}(?:-?\d{4})?", re.ASCII)


def zip3(postal_code: str, restricted: Collection[str]) -> str:
    """First three digits of a five- or nine-digit ZIP code, or ``000``.

    ``restricted`` are the three-digit areas of 20,000 people or fewer; an empty table hides everything.
    """
    found = _ZIP.fullmatch(postal_code.strip())
    if found is None or not restricted or found[1] in restricted:
        return HIDDEN_ZIP3
    return found[1]
