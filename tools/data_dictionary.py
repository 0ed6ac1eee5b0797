"""The data dictionary of the research tables, made from their definitions; a test makes it again.

python -m tools.data_dictionary mappings/views/dictionary
"""

import sys
from pathlib import Path

from service.jobs.data_dictionary import as_csv, as_json, as_markdown
from service.jobs.tables import tables

__all__ = ["data_dictionary"]


def data_dictionary() -> dict[str, bytes]:
    """The files of the dictionary by name."""
    known = tables().values()
    return {
        "dictionary.csv": as_csv(known),
        "dictionary.json": as_json(known),
        "dictionary.md": as_markdown(known),
    }


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in data_dictionary().items():
        folder.joinpath(name).write_bytes(content)
