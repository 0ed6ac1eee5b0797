"""Where the data files lie that travel with the program; not in the settings, whose library loads slowly."""

from pathlib import Path

__all__ = ["shipped"]


def shipped(*parts: str) -> Path:
    """Path of a data file that travels with the service (``mappings/…``, ``examples/…``).

    In a wheel they lie inside the package; in a checkout beside it.
    """
    package = Path(__file__).parent
    root = package / "_data" if (package / "_data").is_dir() else package.parent
    return root.joinpath(*parts)
