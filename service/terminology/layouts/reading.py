"""Reading the text files of a code list line by line."""

from collections.abc import Iterator
from pathlib import Path

from service.errors import InvalidInput
from service.terminology.layouts.rows import Progress

__all__ = ["first_line", "lines", "unreadable"]

_LONGEST = 1_000_000
_TOLD = 1 << 20


def first_line(path: Path) -> bytes:
    """The first line of a file, without byte order mark and line end; InvalidInput if it can't be read."""
    try:
        with path.open("rb") as file:
            return file.readline(_LONGEST).removeprefix(b"\xef\xbb\xbf").rstrip(b"\r\n")
    except OSError as error:
        raise InvalidInput(f"{path.name} can't be read: {error.strerror}.") from None


def lines(path: Path, progress: Progress) -> Iterator[str]:
    """The lines of a UTF-8 file, with their ends."""
    read = 0
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for line in file:
                read += len(line)
                if read >= _TOLD:
                    progress(read)
                    read = 0
                yield line
    except UnicodeDecodeError:
        raise InvalidInput(f"{path.name} is not written in UTF-8.") from None
    except OSError as error:
        raise InvalidInput(f"{path.name} can't be read: {error.strerror}.") from None
    progress(read)


def unreadable(path: Path, number: int) -> InvalidInput:
    """What is said of a line that is not as its layout has it."""
    return InvalidInput(f"{path.name}, line {number}: not as the layout of this list has it.")
