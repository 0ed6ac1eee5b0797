"""The texts of visit records that could name somebody: everything in them that is not a word of the trade."""

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

from service.records.reading import read_record
from service.terminology.codes import codes, slug

_DATE = re.compile(r"\d{4}-\d\d-\d\d")
_ALLOWED = {"US", "MA", "NH", "IL", "OR", "WY", "male", "female"} | {
    *("closure", "intake", "endoscopic", "videofluoroscopic", "maintain", "minimal", "Stop"),
}
"""What the policy lets out of the people (state, country, gender), and parts of the trade's labels."""
_SHORT = 4


def identifiers(paths: list[Path]) -> set[str]:
    """Every name, part of an address, number, full date, note and sentence of the records."""
    trade = _words_of_the_trade()
    found: set[str] = set()
    for path in paths:
        for text in _texts(read_record(path.read_bytes(), "yaml").tree):
            day = _DATE.match(text)
            if day:
                found |= {text, day[0]}
            elif text not in _ALLOWED and slug(text) not in trade and text not in trade:
                found.add(text)
                found |= {word for word in _names(text) if slug(word) not in trade and word not in _ALLOWED}
    return {text for text in found if len(text) >= _SHORT}


def _words_of_the_trade() -> set[str]:
    rows = codes().rows()
    return {row.code for row in rows} | {row.system for row in rows} | {slug(row.display) for row in rows}


def _texts(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        for value in node.values():
            yield from _texts(value)
    elif isinstance(node, list):
        for value in node:
            yield from _texts(value)
    elif isinstance(node, (str, date)):
        yield str(node)


def _names(text: str) -> list[str]:
    """Words written with a capital, and the local part of an e-mail address."""
    return re.findall(r"\b[A-Z][a-z]{3,}\b", text) + re.findall(r"[\w.]+(?=@)", text)
