"""Our own guide as a package in the standard layout: one ``.tgz`` with ``package/package.json``."""

import gzip
import io
import tarfile
from collections.abc import Iterator
from functools import cache

from service import __version__
from service.fhir.canonical import CANONICAL_ROOT
from service.fhir.json import dump
from service.shipped import shipped

__all__ = ["FILE_NAME", "GUIDE_NAME", "guide_package"]

GUIDE_NAME = "swallow-interop.guide"
FILE_NAME = f"{GUIDE_NAME}-{__version__}.tgz"


@cache
def guide_package() -> bytes:
    """Answer the package; the same files give the same bytes."""
    written = io.BytesIO()
    with tarfile.open(fileobj=written, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, content in _files():
            member = tarfile.TarInfo(f"package/{name}")
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return gzip.compress(written.getvalue(), mtime=0)


def _files() -> Iterator[tuple[str, bytes]]:
    yield (
        "package.json",
        dump(
            {
                "name": GUIDE_NAME,
                "version": __version__,
                "type": "fhir.ig",
                "title": "Swallow studies, skill training and goals",
                "canonical": CANONICAL_ROOT,
                "fhirVersions": ["4.0.1"],
                "dependencies": {"hl7.fhir.r4.core": "4.0.1"},
            }
        ),
    )
    for folder in ("profiles", "terminology"):
        for path in sorted(shipped("mappings", folder).glob("*.json")):
            yield path.name, path.read_bytes()
    for folder, type_ in (("forms", "Questionnaire"), ("operations", "OperationDefinition")):
        for path in sorted(shipped("mappings", folder).glob("*.json")):
            yield f"{type_}-{path.name}", path.read_bytes()
    for path in sorted(shipped("examples", "fhir").glob("*.json")):
        yield f"example/{path.name}", path.read_bytes()
