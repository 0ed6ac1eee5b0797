"""Code lists in the layouts their owners publish, read and kept; the files are small and invented."""

import json
from datetime import UTC, datetime

import pytest
from code_list_files import CORE, PACKAGE_SYSTEM, icd_10_cm, loinc, package, snomed

from service.errors import InvalidInput, NotFound
from service.fhir.code_systems import SNOMED
from service.store.code_list_writing import load_list, remove_list
from service.store.code_lists import CodeLists
from service.terminology.layouts import layout_of

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
LOINC, ICD = "http://loinc.org", "http://hl7.org/fhir/sid/icd-10-cm"


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "code-lists"


@pytest.fixture
def load(folder):
    def loaded(*paths, version=""):
        return load_list(folder, layout_of(paths, version), NOW, lambda _: None)

    return loaded


@pytest.mark.published("SNOMED CT Release File Specification (RF2); hl7.org/fhir/R4/snomedct.html")
def test_snomed_ct_snapshot_files(tmp_path, folder, load):
    held = load(*snomed(tmp_path))
    assert held.name == SNOMED
    assert held.systems == ((f"{SNOMED}|{SNOMED}/{CORE}/version/20260101", 5),)
    system = CodeLists(folder).code_system(SNOMED)
    concept = system.concept("100003")
    assert concept.display == "Held sip"  # preferred, not the fully specified name
    assert set(concept.parents) == {"100002", "100004"}
    assert [one["value"] for one in concept.tree["designation"]] == [
        "Slow sip held in the cheek (act)",
        "Held sip",
    ]
    assert concept.tree["designation"][0]["use"] == {
        "system": SNOMED,
        "code": "900000000000003001",
        "display": "Fully specified name",
    }
    assert concept.values("moduleId") == (CORE,)
    assert not system.concept("100005").active
    assert system.subsumes("100001", "100003")
    assert not system.subsumes("100002", "100004")
    assert set(system.below("100001")) == {"100001", "100002", "100003", "100004"}
    assert set(system.above("100003")) == {"100003", "100002", "100004", "100001"}
    assert system.children("100001") == ("100002", "100004")
    assert system.has("100009") is False
    assert system.has("100001:100002=100003") is None  # an expression
    assert [one.code for one in system.matching(["sip"], "100002")] == ["100002", "100003"]
    assert len(system.concepts) == 5
    assert list(system.concepts) == ["100001", "100002", "100003", "100004", "100005"]
    assert system.concepts.get("nothing") is None


def test_without_a_language_reference_set_the_full_name_is_shown(tmp_path, folder, load):
    load(*snomed(tmp_path, language=False))
    assert CodeLists(folder).code_system(SNOMED).concept("100002").display == "Slow sip of invented tea (act)"


def test_a_national_edition_needs_its_version_named(tmp_path, load):
    files = snomed(tmp_path, module="11000999106")
    with pytest.raises(InvalidInput, match="--version"):
        load(*files)
    version = f"{SNOMED}/11000999106/version/20260101"
    assert load(*files, version=version).systems == ((f"{SNOMED}|{version}", 5),)


@pytest.mark.published("LOINC Users' Guide, LOINC Table Structure; hl7.org/fhir/R4/loinc.html")
def test_the_loinc_table(tmp_path, folder, load):
    assert load(loinc(tmp_path)).systems == ((f"{LOINC}|2.70", 2),)
    system = CodeLists(folder).code_system(LOINC)
    concept = system.concept("90001-1")
    assert concept.display == 'Rim of a "tea" cup'
    assert concept.values("COMPONENT") == ("Rim",)
    assert concept.values("METHOD_TYP") == ()
    assert concept.active
    assert not system.concept("90002-9").active
    assert system.has("90003-7") is False


# The layout of the order file is from memory.
def test_the_icd_10_cm_order_file(tmp_path, folder, load):
    assert load(icd_10_cm(tmp_path)).systems == ((f"{ICD}|2026", 5),)
    system = CodeLists(folder).code_system(ICD)
    assert system.concept("A00.11").display == "Invented tea disease, cold, iced"
    assert system.concept("a00.11").code == "A00.11"
    assert system.above("A00.11") == ("A00.11", "A00.1", "A00")
    assert set(system.below("A00")) == {"A00", "A00.0", "A00.1", "A00.11"}
    assert system.concept("A00").values("header") == (True,)
    assert system.concept("B00").values("header") == ()
    with pytest.raises(InvalidInput, match="--version"):
        load(icd_10_cm(tmp_path, "order.txt"))


def test_a_package_and_single_resources(tmp_path, folder, load):
    held = load(package(tmp_path))
    assert (held.name, held.systems, held.value_sets) == (
        "lists.cups",
        (("https://lists.example.org/cups|3", 3),),
        1,
    )
    lists = CodeLists(folder)
    assert lists.code_system(PACKAGE_SYSTEM["url"]).above("mug") == ("mug", "cup")
    assert lists.value_set("https://lists.example.org/handles|3")["version"] == "3"
    assert lists.value_set("https://lists.example.org/handles|4") is None
    single = tmp_path / "single.json"
    single.write_text(json.dumps(PACKAGE_SYSTEM | {"url": "https://lists.example.org/other"}))
    assert load(single).name == "https://lists.example.org/other"
    assert [one.name for one in lists.all()] == ["https://lists.example.org/other", "lists.cups"]


def test_a_newer_version_takes_the_place_of_the_older_one_while_it_is_in_use(tmp_path, folder, load):
    load(*snomed(tmp_path))
    lists = CodeLists(folder)
    before = lists.code_system(SNOMED)
    load(*snomed(tmp_path, time="20260201"))
    assert before.concept("100001").display == "Invented act"  # whoever holds it goes on reading
    assert lists.code_system(SNOMED).tree["version"].endswith("20260201")
    assert len(lists.all()) == 1
    remove_list(folder, SNOMED)
    assert lists.code_system(SNOMED) is None
    with pytest.raises(NotFound):
        remove_list(folder, SNOMED)


def test_a_damaged_list_is_said_and_the_others_are_used(tmp_path, folder, load, caplog):
    load(*snomed(tmp_path))
    load(icd_10_cm(tmp_path))
    lists = CodeLists(folder)
    damaged = next(one.path for one in lists.all() if one.name == ICD)
    damaged.write_bytes(b"no database" * 1_000)
    assert lists.code_system(ICD) is None
    assert lists.code_system(SNOMED).concept("100001")
    assert "load it again" in caplog.text


def test_a_file_with_a_fault_changes_nothing(tmp_path, folder, load):
    load(icd_10_cm(tmp_path))
    broken = icd_10_cm(tmp_path)
    broken.write_bytes(broken.read_bytes() + b"no such line\r\n")
    with pytest.raises(InvalidInput, match=r"icd10cm-order-2026.txt, line 6"):
        load(broken)
    twice = icd_10_cm(tmp_path)
    twice.write_bytes(twice.read_bytes() * 2)
    with pytest.raises(InvalidInput, match="more than once"):
        load(twice)
    assert len(CodeLists(folder).code_system(ICD).concepts) == 5
    assert [path.suffix for path in folder.iterdir()] == [".codes"]


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("list.txt", b"one\ttwo\n", "no code list that can be read"),
        ("list.txt", b"", "no code list that can be read"),
        ("list.json", b"{", "is not JSON"),
        ("list.json", b'{"resourceType": "Patient"}', "no CodeSystem or ValueSet"),
        (
            "list.json",
            b'{"resourceType": "CodeSystem", "url": "urn:x", "content": "complete", "concept": 1}',
            "R4",
        ),
        ("list.tgz", b"\x1f\x8bno package", "not a package"),
    ],
)
def test_what_is_no_code_list_is_said(tmp_path, load, name, content, said):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InvalidInput, match=said):
        load(path)


def test_lists_are_loaded_one_at_a_time(tmp_path, load):
    with pytest.raises(InvalidInput, match="several lists"):
        load(loinc(tmp_path), icd_10_cm(tmp_path))
    with pytest.raises(InvalidInput, match="both needed"):
        load(snomed(tmp_path)[0])
    files = snomed(tmp_path)
    files[1].write_bytes(files[1].read_bytes() + "caf\u00e9".encode("latin-1"))
    with pytest.raises(InvalidInput, match="UTF-8"):
        load(*files)
