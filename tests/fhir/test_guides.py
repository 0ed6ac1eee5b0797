"""Guides: packages and folders of definitions, as they come from outside."""

import gzip
import io
import json
import tarfile

import pytest

from service.errors import InvalidInput
from service.fhir import guides
from service.fhir.guides import read_guide

VALUE_SET = {"resourceType": "ValueSet", "url": "http://example.org/fhir/ValueSet/teeth", "status": "active"}
MANIFEST = {"name": "example.teeth", "version": "1.2.0"}


def package(path, files, *, links=()):
    with tarfile.open(path, "w:gz") as archive:
        for name, content in files.items():
            data = content if isinstance(content, bytes) else json.dumps(content).encode()
            member = tarfile.TarInfo(name)
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))
        for name, target in links:
            member = tarfile.TarInfo(name)
            member.type, member.linkname = tarfile.SYMTYPE, target
            archive.addfile(member)
    return path


@pytest.mark.conformance("E8")
def test_a_package(tmp_path):
    files = {
        "package/package.json": MANIFEST,
        "package/ValueSet-teeth.json": VALUE_SET,
        "package/Patient-example.json": {"resourceType": "Patient"},
        "package/example/ValueSet-other.json": VALUE_SET | {"url": "http://example.org/other"},
    }
    guide = read_guide(package(tmp_path / "teeth.tgz", files))
    assert (guide.name, guide.version, guide.definitions) == ("example.teeth", "1.2.0", (VALUE_SET,))


@pytest.mark.conformance("E8")
@pytest.mark.parametrize("inner", ["", "package"])
def test_a_folder(tmp_path, inner):
    folder = tmp_path / "teeth" / inner
    folder.mkdir(parents=True)
    (folder / "ValueSet-teeth.json").write_text(json.dumps(VALUE_SET))
    (folder / "notes.txt").write_text("not JSON")
    guide = read_guide(tmp_path / "teeth")
    assert (guide.name, guide.definitions) == ("teeth", (VALUE_SET,))


def test_numbers_keep_their_digits(tmp_path):
    extension = {"url": "http://example.org/x", "valueDecimal": 1}
    text = json.dumps(VALUE_SET | {"extension": [extension]}).replace(": 1}", ": 1.10}").encode()
    (one,) = read_guide(package(tmp_path / "teeth.tgz", {"package/a.json": text})).definitions
    assert str(one["extension"][0]["valueDecimal"]) == "1.10"


def test_what_does_not_belong_in_a_package_is_passed_over(tmp_path):
    files = {
        "package/../../ValueSet-out.json": VALUE_SET | {"url": "http://example.org/out"},
        "/package/ValueSet-root.json": VALUE_SET | {"url": "http://example.org/root"},
        "package/ValueSet-teeth.json": VALUE_SET,
    }
    path = package(tmp_path / "teeth.tgz", files, links=[("package/passwd.json", "/etc/passwd")])
    before = sorted(tmp_path.iterdir())
    assert [one["url"] for one in read_guide(path).definitions] == [VALUE_SET["url"]]
    assert sorted(tmp_path.iterdir()) == before


def test_a_link_in_a_folder_is_passed_over(tmp_path):
    folder = tmp_path / "teeth"
    folder.mkdir()
    outside = tmp_path / "outside.json"
    outside.write_text(json.dumps(VALUE_SET))
    (folder / "inside.json").symlink_to(outside)
    with pytest.raises(InvalidInput, match="holds no"):
        read_guide(folder)


@pytest.mark.parametrize(
    ("limit", "value"), [("_MOST_FILES", 1), ("_MOST_BYTES", 1_000), ("_MOST_BYTES_A_FILE", 10)]
)
def test_what_a_package_unpacks_to_is_bounded(tmp_path, monkeypatch, limit, value):
    files = {"package/package.json": MANIFEST, "package/ValueSet-teeth.json": VALUE_SET}
    path = package(tmp_path / "teeth.tgz", files)
    assert read_guide(path).definitions
    monkeypatch.setattr(guides, limit, value)
    with pytest.raises(InvalidInput, match=r"more than|larger than"):
        read_guide(path)


def test_a_bomb_is_not_read_to_its_end(tmp_path):
    path = tmp_path / "bomb.tgz"
    header = tarfile.TarInfo("package/zeros.json")
    header.size = 2**40
    with gzip.open(path, "wb", compresslevel=1) as out:
        out.write(header.tobuf())
        out.write(bytes(1_000_000))
    with pytest.raises(InvalidInput, match="larger than"):
        read_guide(path)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a package",
        gzip.compress(b"not a tar file" * 100, mtime=0),
        gzip.compress(bytes(10_000), mtime=0)[:30],
    ],
    ids=["empty", "not zipped", "no archive", "cut off"],
)
def test_what_is_no_package_is_refused(tmp_path, content):
    path = tmp_path / "teeth.tgz"
    path.write_bytes(content)
    with pytest.raises(InvalidInput):
        read_guide(path)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"{", "is not JSON"),
        (b'"\xff"', "is not JSON"),
        (b"[" * 100_000, "is not JSON"),
        (
            {"resourceType": "StructureDefinition", "url": "x", "differential": {"element": [{}]}},
            "can't be read",
        ),
        ({"resourceType": "StructureDefinition", "url": "x", "snapshot": []}, "can't be read"),
        ({"resourceType": "Patient"}, "holds no"),
    ],
)
def test_files_that_cannot_be_used_are_named(tmp_path, content, why):
    path = package(tmp_path / "teeth.tgz", {"package/StructureDefinition-a.json": content})
    with pytest.raises(InvalidInput, match=why):
        read_guide(path)


def test_a_guide_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InvalidInput, match=r"no guide at teeth\.tgz"):
        read_guide(tmp_path / "teeth.tgz")
