"""Escape sequences and character sets (HL7 v2.5.1 chapter 2, 2.7), there and back."""

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.hl7v2.encoding import CHARACTER_SETS, Delimiters, escaped, segment, unescaped, written

CODECS = sorted({*CHARACTER_SETS.values()})
PRINTED = st.text(st.characters(codec="latin-1", categories=("L", "N", "P", "S", "Zs")))


@pytest.mark.parametrize("codec", CODECS)
@given(data=st.data())
def test_what_is_written_is_read_again_in_every_character_set(codec, data):
    text = data.draw(st.text(st.characters(codec=codec)))
    told = escaped(text, codec=codec)
    assert not {*told} & {*"|^~&\r\n\x0b\x1c"}
    assert unescaped(told.encode(codec).decode(codec), codec=codec) == text


@given(st.text())
def test_lines_of_formatted_text_end_by_a_command(text):
    told = escaped(text, "FT")
    assert "\r" not in told
    assert "\n" not in told
    assert unescaped(told) == text.replace("\r\n", "\n").replace("\r", "\n")


@pytest.mark.published("python-hl7 0.4.5: reading of escape sequences")
@given(PRINTED)
def test_another_library_reads_the_same_text(text):
    note = segment("NTE", {3: written([text], "FT"), 4: "RE"})
    message = hl7.parse(f"MSH|^~\\&|a\r{note}\r")
    assert message.unescape(str(message.segment("NTE")[3])) == text


@given(st.text(), st.sampled_from(CODECS))
def test_nothing_that_comes_makes_reading_fail(text, codec):
    assert isinstance(unescaped(text, codec=codec), str)


@pytest.mark.published("HL7 v2.5.1 chapter 2, 2.7.1 to 2.7.6 (from memory)")
@pytest.mark.parametrize(
    ("told", "meant"),
    [
        (r"Pierre DuRho\S\ne \T\ Cie", "Pierre DuRho^ne & Cie"),
        (r"\F\\R\\E\ ", "|~\\ "),
        (r"a\H\ bold \N\ text", "a bold  text"),
        (r"\X0D0A\ ", "\r\n "),
        (r"one\.br\two\.sp+2\three\.in+4\ ", "one\ntwo\n\nthree "),
        (r"\Zown\ stays, and what is not closed \E", r"\Zown\ stays, and what is not closed \E"),
    ],
)
def test_sequences_of_the_standard(told, meant):
    assert unescaped(told) == meant


def test_the_delimiters_are_those_of_the_message():
    assert unescaped("a?F?b?S?c?E?", Delimiters("#", "*", "!", "?", "%")) == "a#b*c?"
