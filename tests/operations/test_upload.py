"""Records and sheets as they arrive."""

import pytest
from sample_visits import visit_tree

from service.errors import InvalidInput, UnsupportedMediaType
from service.fhir.json import dump
from service.operations.upload import Upload, UploadPart, read_upload
from service.settings import Settings

RECORD = dump(visit_tree("demo-01-visit-2") | {"training": {"trials": []}})
TRIALS = (
    b"record,block,trial,posture,observed,own_judgement,effort,hold_s\n"
    b"demo-01-visit-2,pre,1,chin down,closed,closed,light,2.50\n"
)


def read(*parts):
    return read_upload(Upload(parts), Settings()).tree


@pytest.mark.parametrize(
    ("media_type", "file_name"),
    [
        ("application/json", ""),
        ("application/json; charset=utf-8", "visit.txt"),
        ("application/yaml", ""),
        ("text/yaml", ""),
        ("", "visit.json"),
        ("application/octet-stream", "visit.yml"),
    ],
)
def test_a_record_is_read_by_its_media_type_or_else_its_name(media_type, file_name):
    assert read(UploadPart("record", RECORD, media_type, file_name))["visit_record"] == 1


@pytest.mark.parametrize(
    ("media_type", "file_name"), [("text/csv", "visit.yaml"), ("", ""), ("", "visit.pdf")]
)
def test_anything_else_is_no_visit_record(media_type, file_name):
    with pytest.raises(UnsupportedMediaType, match="application/json or application/yaml"):
        read(UploadPart("record", RECORD, media_type, file_name))


def test_rows_of_a_sheet_join_the_record():
    tree = read(UploadPart("record", RECORD, "application/json"), UploadPart("trials", TRIALS, "text/csv"))
    assert [trial["posture"] for trial in tree["training"]["trials"]] == ["chin down"]


def test_a_problem_in_a_sheet_names_the_file():
    with pytest.raises(InvalidInput, match=r"(?i)t.csv"):
        read(UploadPart("record", RECORD, "application/json"), UploadPart("trials", b"", "text/csv", "t.csv"))


@pytest.mark.parametrize("count", [0, 2])
def test_exactly_one_record_is_wanted(count):
    with pytest.raises(InvalidInput, match=f"Exactly one part 'record' is expected; {count} were sent"):
        read(*[UploadPart("record", RECORD, "application/json")] * count)


def test_a_part_of_another_name_is_refused():
    with pytest.raises(InvalidInput, match="Part 'photo' is not one of record, trials, boluses"):
        read(UploadPart("record", RECORD, "application/json"), UploadPart("photo", b""))
