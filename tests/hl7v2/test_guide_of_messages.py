"""The guide's page of messages says what the tables say, and what the program does."""

import pytest
from adt import SYSTEMS, adt, mrg, pid
from demo_store import CONTEXT
from httpx import ASGITransport, AsyncClient

from service.app import create_app
from service.hl7v2.admission import EVENTS, admissions
from service.hl7v2.mapping import fields
from service.hl7v2.parsing import read
from service.hl7v2.problem import problem_kinds
from service.page.guide_messages import messages
from service.settings import Settings

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend():
    return "asyncio"


async def test_it_shows_every_field_every_error_and_every_event(tmp_path):
    app = create_app(Settings(data_dir=tmp_path))
    async with (
        app.router.lifespan_context(app),
        AsyncClient(transport=ASGITransport(app), base_url="http://test") as client,
    ):
        page = (await client.get("/guide/hl7v2")).text
    for name, rows in fields().items():
        for row in rows:
            assert f'<th scope="row">{name}-{row.field}</th>' in page
    for name in problem_kinds():
        assert f'<th scope="row">{name}</th>' in page
    for event in EVENTS:
        assert event in page
    assert "Patient.identifier" in page


FULL = "PID|1||7^^^HOSP^MR||Testsson^Tilda||19600203|F|||Way 1^^Town^ST^1^USA"
FULL += "||^PRN^PH^^^^^^^^^1|^WPN^PH^^^^^^^^^2"
FULL += "|" * 15 + "20260101|Y"


@pytest.mark.parametrize("row", [row for row in messages()["incoming"] if row[0].startswith("PID")])
def test_what_it_says_is_read_is_read(row):
    """Without the field the message says something else, in the element that the guide names."""
    number = int(row[0].partition("-")[2])
    texts = FULL.split("|")
    texts[number] = ""
    zone = CONTEXT.zone
    if number == 30:  # it counts where PID-29 is empty
        texts = [text if at != 29 else "" for at, text in enumerate(FULL.split("|"))]
        said = admissions(read(adt("A08", "|".join(texts))), SYSTEMS, zone)[0].person
        assert said.elements["deceasedBoolean"] is True
        return
    full = admissions(read(adt("A40", FULL, mrg("8"))), SYSTEMS, zone)[0].person
    element = row[1].partition(".")[2]
    if number == 3:
        assert full.identifiers
        return
    less = admissions(read(adt("A40", "|".join(texts), mrg("8"))), SYSTEMS, zone)[0].person
    assert full.elements[element] != less.elements.get(element)


def test_the_fields_it_names_of_other_segments_are_there():
    (one,) = admissions(read(adt("A40", pid("7"), mrg("8"), processing="T")), SYSTEMS, CONTEXT.zone)
    assert one.test
    assert [each.value for each in one.other] == ["8"]
