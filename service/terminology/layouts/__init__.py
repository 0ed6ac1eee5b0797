"""Code lists as their owners publish them, read as rows: one file per layout.

A site brings the files it may use; none travels with the program.
"""

from collections.abc import Sequence
from pathlib import Path

from service.errors import InvalidInput
from service.terminology.layouts.fhir_resources import FhirResources
from service.terminology.layouts.icd_10_cm_order import Icd10CmOrder
from service.terminology.layouts.loinc_table import LoincTable
from service.terminology.layouts.reading import first_line
from service.terminology.layouts.rows import Layout
from service.terminology.layouts.snomed_rf2 import SnomedRf2

__all__ = ["Layout", "layout_of"]

_KINDS: tuple[type[Layout], ...] = (FhirResources, SnomedRf2, LoincTable, Icd10CmOrder)
_KNOWN = (
    "Known are FHIR resources (.json) and packages (.tgz), the LOINC table (Loinc.csv), SNOMED CT snapshot "
    "files (RF2) and the ICD-10-CM order file."
)


def layout_of(paths: Sequence[Path], version: str = "") -> Layout:
    """Answer how these files of one list are read; ``version`` where they do not say it themselves.

    InvalidInput if they are of no known layout, or not of one.
    """
    kinds = {path: _kind(path) for path in paths}
    if unknown := [path.name for path, kind in kinds.items() if kind is None]:
        raise InvalidInput(f"{', '.join(unknown)}: no code list that can be read. {_KNOWN}")
    if len({*kinds.values()}) > 1:
        raise InvalidInput("These files are of several lists; load one list at a time.")
    kind = kinds[paths[0]]
    assert kind is not None  # noqa: S101 - looked at above
    return kind(paths, version)


def _kind(path: Path) -> type[Layout] | None:
    line = first_line(path)
    return next((kind for kind in _KINDS if kind.fits(path, line)), None)
