import json
import lzma

import pytest
from r4_core import FOLDER

from service.fhir.validation import extensions
from tools.definitions_elements import packed
from tools.definitions_extensions import extension_tables


@pytest.mark.published("hl7.fhir.r4.core 4.0.1")
def test_the_shipped_extensions_are_those_a_build_makes(tell):
    shipped = lzma.decompress(extensions.FILE.read_bytes())
    built = extension_tables(FOLDER)
    assert json.loads(shipped) == built
    assert shipped == lzma.decompress(packed(built))
    tell(f"{len(built)} extensions of the published package")
