"""JSON and YAML to a plain tree: what is read, what is refused, and where things stand."""

import time
from decimal import Decimal

import pytest

from service.errors import InvalidInput
from service.records.reading import Document, read_record


def _yaml(text: str | bytes) -> Document:
    return read_record(text if isinstance(text, bytes) else text.encode(), "yaml")


def _refusal(data: bytes, syntax="yaml") -> tuple[str, int | None]:
    with pytest.raises(InvalidInput) as caught:
        read_record(data, syntax)
    [issue] = caught.value.issues
    return issue.message, issue.place.line


def test_scalars_follow_the_yaml_core_schema_narrowed_to_json() -> None:
    text = "a: yes\nb: no\nc: true\nd: null\ne: 02139\nf: '02139'\ng: 2026-02-03\nh: 12\n"
    text += "i: 0x1F\nj: .inf\nk: +1\nl: on"
    assert _yaml(text).tree == {
        "a": "yes", "b": "no", "c": True, "d": None, "e": "02139", "f": "02139", "g": "2026-02-03", "h": 12,
        "i": "0x1F", "j": ".inf", "k": "+1", "l": "on",
    }  # fmt: skip


@pytest.mark.parametrize("syntax", ["json", "yaml"])
def test_decimals_keep_their_text(syntax) -> None:
    value = read_record(b'{"a": 1.50}', syntax).tree["a"]
    assert value == Decimal("1.5")
    assert str(value) == "1.50"


def test_names_of_fields_are_always_text() -> None:
    assert _yaml("-2: a\n+1: b\n0: c\nyes: d").tree == {"-2": "a", "+1": "b", "0": "c", "yes": "d"}


def test_json_and_yaml_give_the_same_tree() -> None:
    text = b'{"a": [1, {"b": "x", "c": null}], "d": false}'
    assert read_record(text, "json").tree == read_record(text, "yaml").tree


def test_every_value_has_its_line_and_pointer() -> None:
    places = _yaml(
        "visit:\n  type: training\ntrials:\n  - {block: pre, a/b~c: 1}\n  - {block: post}\n"
    ).places
    assert (places.at(("visit", "type")).line, places.at(("visit", "type")).column) == (2, 3)
    assert places.at(("trials", 1, "block")).line == 5
    assert places.at(("trials", 0, "a/b~c")).pointer == "/trials/0/a~1b~0c"
    assert places.at(("trials", 0, "block")).expression == "VisitRecord.trials[0].block"
    assert str(places.at(("visit", "type"))) == "/visit/type (line 2)"


def test_an_absent_value_stands_where_its_holder_does() -> None:
    places = _yaml("a: 1\nvisit:\n  type: training\n").places
    assert places.at(("visit", "clinician", "name")).line == 2
    assert places.at(("nowhere",)).line is None


@pytest.mark.parametrize(
    ("data", "message", "line"),
    [
        (b"a: 1\nb: 2\na: 3", "Field 'a' is given twice (first on line 1); keep one.", 3),
        (b"a:\n  b: 1\n  b: 2", "Field 'b' is given twice (first on line 2); keep one.", 3),
        (b"a: &x 1\nb: 2", "Anchor '&x' is not accepted; write the value out where it is wanted.", 1),
        (b"a: 1\nb: *x", "Alias '*x' is not accepted; write the value out.", 2),
        (b"a: !!str 1", "YAML tag 'tag:yaml.org,2002:str' is not accepted; write the plain value.", 1),
        (b"a: 1\n---\nb: 2", "The text holds several YAML documents; send one visit record at a time.", 2),
        (b"? [a, b]\n: c", "The name of a field must be plain text.", 1),
        (b"- a", "A visit record is a group of named fields, such as 'visit_record: 1'.", 1),
        (b"", "The text is empty; a visit record is expected.", None),
        (b"# nothing\n", "The text is empty; a visit record is expected.", None),
        (b"a: 1\nb: \xff", "The text is not UTF-8 (byte 9, line 2). Save the file as UTF-8 first.", 2),
        ("a: 1".encode("utf-16"), "The text is not UTF-8 (byte 1, line 1). Save the file as UTF-8 first.", 1),
    ],
)  # fmt: skip
def test_what_two_readers_could_read_differently_is_refused(data, message, line) -> None:
    assert _refusal(data) == (message, line)


@pytest.mark.parametrize("cut", [b"a: [1,\nb: 2", b"a: 'x\nb: 2\n", b'a: "x', b"a:\n  - {b: 1", b"a: b: c"])
def test_truncated_yaml_is_refused_with_its_line(cut) -> None:
    message, line = _refusal(cut)
    assert message.startswith("This is not valid YAML: ")
    assert line is not None


def test_an_alias_bomb_is_refused_at_its_first_anchor() -> None:
    bomb = "a: &a [x, x]\n" + "".join(
        f"{chr(98 + n)}: &{chr(98 + n)} [*{chr(97 + n)}, *{chr(97 + n)}]\n" for n in range(20)
    )
    assert _refusal(bomb.encode()) == (
        "Anchor '&a' is not accepted; write the value out where it is wanted.",
        1,
    )


@pytest.mark.parametrize("syntax", ["json", "yaml"])
@pytest.mark.parametrize("piece", [b"[", b"{", b'{"a":', b'[{"a":'])
def test_ten_megabytes_of_nesting_are_refused_quickly(syntax, piece) -> None:
    began = time.perf_counter()
    message, _ = _refusal(piece * (10_000_000 // len(piece)), syntax)
    assert "nested deeper than 64 levels" in message or "must be plain text" in message
    assert time.perf_counter() - began < 5


def test_block_nesting_counts_too() -> None:
    assert _refusal(b"- " * 100_000)[0] == "The text is nested deeper than 64 levels."


def test_depth_up_to_the_limit_is_read() -> None:
    text = b"a: " + b"[" * 9 + b"]" * 9
    assert read_record(text, "yaml", max_depth=10).tree["a"] is not None
    with pytest.raises(InvalidInput):
        read_record(text, "yaml", max_depth=9)


@pytest.mark.parametrize("syntax", ["json", "yaml"])
def test_a_byte_order_mark_is_accepted(syntax) -> None:
    assert read_record(b'\xef\xbb\xbf{"a": 1}', syntax).tree == {"a": 1}


def test_repeated_names_in_json_are_refused() -> None:
    assert "given twice" in _refusal(b'{"a": 1, "a": 2}', "json")[0]


@pytest.mark.parametrize("data", [b"a: \x00", b"a: \x07", b"\x89PNG\r\n", b"PK\x03\x04"])
def test_what_is_no_text_is_refused(data) -> None:
    assert _refusal(data)[0].startswith(("This is not valid YAML", "The text is not UTF-8"))
