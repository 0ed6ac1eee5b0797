"""Where each value of an input stands: its pointer, line and column in a text, row and column in a sheet."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.errors import Place

__all__ = ["Path", "Places"]

Path = tuple[str | int, ...]
"""Steps from the top of a document to a value, e.g. ``("training", "trials", 2, "hold_s")``."""


@dataclass(frozen=True, slots=True)
class Places:
    """The places of one document: ``marks`` are (line, column) counted from 1, ``rows`` those of sheets."""

    marks: Mapping[Path, tuple[int, int]] = field(default_factory=dict)
    rows: Mapping[Path, Place] = field(default_factory=dict)

    def at(self, path: Path) -> Place:
        """The place of ``path``; of a value that is absent, the place of what should hold it."""
        here = Place(expression=_expression(path), pointer=_pointer(path))
        for length in range(len(path), -1, -1):
            start = path[:length]
            if row := self.rows.get(start):
                return replace(here, source=row.source, row=row.row, field=_heading(path[length:]))
            if mark := self.marks.get(start):
                return replace(here, line=mark[0], column=mark[1])
        return here

    def with_rows(self, rows: Mapping[Path, Place]) -> "Places":
        """The same places and those of a sheet's rows."""
        return replace(self, rows={**self.rows, **rows})


def _heading(steps: Path) -> str:
    """The column of a value in a row: ``hold_s``, ``rater_name``."""
    names = [step for step in steps if isinstance(step, str)]
    return "_".join(dict.fromkeys((*names[:1], *names[-1:])))


def _pointer(path: Path) -> str:
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path)


def _expression(path: Path) -> str:
    steps = (f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return "VisitRecord" + "".join(steps)
