"""CSV sheets in the forms spreadsheets write, and every way they go wrong."""

import pytest

from service.errors import InvalidInput
from service.records.places import Places
from service.records.reading import Document
from service.records.sheets import Sheet, attach, read_sheet

HEAD = "record,block,trial,posture,observed,effort,hold_s,rater_system,rater_value,rater_name"
ROW = "r1,pre,1,chin down,closed,light,1.50,urn:staff,7,Ann"
TREE = {
    "block": "pre", "trial": "1", "posture": "chin down", "observed": "closed", "effort": "light",
    "hold_s": "1.50",
    "rater": {"identifier": {"system": "urn:staff", "value": "7"}, "name": "Ann"},
}  # fmt: skip


def _read(text: str | bytes, kind="trials") -> Sheet:
    return read_sheet(text if isinstance(text, bytes) else text.encode(), kind, source="t.csv")


def _refusals(text: str | bytes, kind="trials") -> list[tuple[str, str]]:
    with pytest.raises(InvalidInput) as caught:
        _read(text, kind)
    return [(issue.message, str(issue.place)) for issue in caught.value.issues]


def _document(**fields) -> Document:
    return Document({"record": {"system": "urn:records", "value": "r1"}, **fields}, Places())


@pytest.mark.parametrize(
    "text",
    [
        f"{HEAD}\n{ROW}\n",
        f"\ufeff{HEAD}\r\n{ROW}\r\n",
        f"{HEAD}\n{ROW}".replace(",", "\t"),
        f"{HEAD}\r\n{ROW}\r\n".replace(",", ";").replace("1.50", "1,50"),
        f"{HEAD}\n{ROW}\n".replace("chin down", '"chin down"'),
        f"\n{HEAD}\n\n{ROW}\n,,,,,,,,,\n",
    ],
    ids=["comma", "BOM and Windows line ends", "tab", "semicolon and decimal comma", "quoted", "blank rows"],
)  # fmt: skip
def test_the_forms_spreadsheets_write(text) -> None:
    [(_, record, tree)] = _read(text).rows
    assert (record, tree) == ("r1", TREE)


def test_several_words_in_a_cell() -> None:
    head = "record,sequence,consistency,airway_score,timing,residue_vallecula,residue_pyriform,manoeuvre"
    [(_, _, tree)] = _read(f"{head}\nr1,1,0,3,before; after,none,none,none", "boluses").rows
    assert tree["timing"] == ["before", "after"]


def test_a_comma_in_text_stays_in_a_semicolon_sheet() -> None:
    text = f"{HEAD}\n{ROW}".replace(",", ";").replace("Ann", "Exampleton, Ann")
    assert _read(text).rows[0][2]["rater"]["name"] == "Exampleton, Ann"


def test_every_shifted_row_is_named() -> None:
    assert _refusals(f"{HEAD}\n{ROW}\n{ROW},\nr1,pre,2\n") == [
        ("Row 3 has 11 cells, the heading has 10; a column is shifted.", "t.csv row 3"),
        ("Row 4 has 3 cells, the heading has 10; a column is shifted.", "t.csv row 4"),
    ]


def test_every_wrong_heading_is_named() -> None:
    said = [message for message, _ in _refusals("record,foo,block,block,\na,b,c,d,e")]
    assert said[0].startswith("Heading 'foo' is not known; use: block, cue, effort")
    assert said[1:] == [
        "Heading 'block' is there 2 times; keep one.",
        "A column has no heading.",
        "Heading 'trial' is missing.",
        "Heading 'posture' is missing.",
        "Heading 'observed' is missing.",
        "Heading 'effort' is missing.",
    ]


@pytest.mark.parametrize("text", ["", "\n\n", "\ufeff", " , ,\n"])
def test_an_empty_sheet_is_refused(text) -> None:
    message = "t.csv is empty; a row of headings and one row per entry are expected."
    assert _refusals(text) == [(message, "")]


def test_headings_alone_are_refused() -> None:
    assert _refusals(HEAD) == [("t.csv has headings but no rows.", "t.csv row 1")]


def test_an_open_quote_is_refused_with_its_line() -> None:
    assert _refusals(f'{HEAD}\nr1,"pre,1\n')[0][0].startswith("t.csv line 2 is not valid CSV")


def test_text_that_is_not_utf8_is_refused() -> None:
    assert _refusals(HEAD.encode("utf-16"))[0][0].startswith("The text is not UTF-8 (byte 1")


def test_rows_follow_the_rows_the_record_has() -> None:
    document = _document(training={"protocol": "standard", "trials": [{"block": "pre"}]})
    attached = attach(document, _read(f"{HEAD}\n{ROW}"))
    assert attached.tree["training"] == {"protocol": "standard", "trials": [{"block": "pre"}, TREE]}
    assert (
        str(attached.places.at(("training", "trials", 1, "rater", "name"))) == "t.csv row 2 column rater_name"
    )
    assert attached.places.at(("training", "trials", 0, "block")).row is None
    assert document.tree["training"]["trials"] == [{"block": "pre"}]


def test_a_record_without_training_gets_one() -> None:
    assert attach(_document(), _read(f"{HEAD}\n{ROW}")).tree["training"] == {"trials": [TREE]}


def test_rows_of_another_record_are_refused() -> None:
    sheet = _read(f"{HEAD}\n{ROW}\n{ROW.replace('r1', 'r2')}\n{ROW.replace('r1', '')}")
    with pytest.raises(InvalidInput) as caught:
        attach(_document(), sheet)
    assert [(issue.message, str(issue.place)) for issue in caught.value.issues] == [
        ("Row 3 belongs to record 'r2', but this record is 'r1'.", "t.csv row 3 column record"),
        ("Row 4 names no record; write 'r1' in the column 'record'.", "t.csv row 4 column record"),
    ]


@pytest.mark.parametrize("training", ["yes", [1], {"trials": "five"}])
def test_a_record_that_can_not_hold_rows_is_refused(training) -> None:
    with pytest.raises(InvalidInput, match="must be a group with a list 'trials'"):
        attach(_document(training=training), _read(f"{HEAD}\n{ROW}"))
