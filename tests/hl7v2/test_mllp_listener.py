"""Taking ADT messages over MLLP: acknowledged in both modes, done once, and unharmed by whatever comes."""

import asyncio
import json
import ssl
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime

import pytest
from adt import SYSTEMS, adt, mrg, pid
from demo_store import CONTEXT
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from v2_oracle import judged

from service.hl7v2.acknowledgement import answer_in
from service.hl7v2.parsing import read
from service.hl7v2.problem import problem_kinds
from service.jobs.adt_intake import AdtIntake
from service.jobs.mllp_frames import framed
from service.jobs.mllp_listener import Limits, MllpListener, networks_of
from service.jobs.mllp_security import Security, server_security
from service.store.contract import Query
from service.store.sqlite import SqliteStore

NOW = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)
HERE = networks_of("127.0.0.0/8")


@pytest.fixture
def store(tmp_path):
    opened = SqliteStore(tmp_path / "store.sqlite", clock=lambda: NOW)
    yield opened
    asyncio.run(opened.close())


def intake(store):
    return AdtIntake(store, SYSTEMS, CONTEXT, lambda: NOW)


@asynccontextmanager
async def listening(store, security=None, **limits):
    taker = intake(store)
    listener = MllpListener(taker.handle, taker.too_large, Limits(HERE, **limits), security)
    port = await listener.listen("127.0.0.1", 0)
    try:
        yield port, taker, listener
    finally:
        await listener.close()


async def asked(port, *contents, answers=1, **more):
    """Everything answered to messages over one connection."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, **more)
    found = []
    try:
        for content in contents:
            writer.write(framed(content))
            for _ in range(answers):
                answer = await asyncio.wait_for(reader.readuntil(b"\x1c\r"), 5)
                found.append(answer.strip(b"\x0b\x1c\r") + b"\r")
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()
    return found


def codes_of(answers):
    return [answer_in(read(one)).code for one in answers]


async def count(store):
    return len([one async for one in store.changes() if one.type == "Patient"])


def test_a_message_is_acknowledged_as_the_standard_says(store, tmp_path):
    async def work():
        async with listening(store) as (port, _, _):
            return await asked(
                port, adt("A04", pid("7"), control_id="X7"), adt("A08", "PID|1||7", control_id="X8")
            )

    taken, refused = asyncio.run(work())
    for one in (taken, refused):
        _, warnings = judged(one.decode(), tmp_path)
        assert warnings == []
    head = read(taken).header
    assert [head.text(number) for number in (3, 4, 5, 6)] == ["SWALLOW", "CLINIC", "ADT", "HOSP"]
    assert (head.text(9), head.text(9, 2), head.text(9, 3)) == ("ACK", "A04", "ACK")
    (msa,) = read(taken).all("MSA")
    assert (msa.text(1), msa.text(2)) == ("AA", "X7")
    (err,) = read(refused).all("ERR")
    assert [err.text(2, number) for number in (1, 2, 3, 4, 5)] == ["PID", "1", "3", "1", "4"]
    assert (err.text(3), err.text(3, 3), err.text(4)) == ("204", "HL70357", "E")


def test_every_problem_is_told_at_once(store):
    bad = "PID|1||7^^^NOWHERE||||1960023|X" + "|" * 22 + "P"
    (answer,) = asyncio.run(intake(store).handle(adt("A40", bad, control_id="1"), "127.0.0.1"))
    told = [(err.text(5), err.text(2), err.text(2, 3)) for err in read(answer).all("ERR")]
    assert sorted(told) == [
        ("authority", "PID", "3"),
        ("no-such-code", "PID", "30"),
        ("no-such-code", "PID", "8"),
        ("not-a-time", "PID", "7"),
        ("segment", "MRG", ""),
    ]
    header = adt("Q01", pid("7"), processing="X", version="3.0", control_id="")
    (answer,) = asyncio.run(intake(store).handle(header, "127.0.0.1"))
    assert answer_in(read(answer)).code == "AR"
    assert sorted(err.text(3) for err in read(answer).all("ERR")) == ["101", "201", "202", "203"]


def test_nothing_of_the_person_is_in_an_answer(store):
    bad = adt("A40", "PID|1||Secret7^^^NOWHERE||Geheim^Maria||1960023|X")
    (answer,) = asyncio.run(intake(store).handle(bad, "127.0.0.1"))
    assert not [word for word in (b"Secret", b"Geheim", b"Maria", b"1960") if word in answer]


@pytest.mark.published("HL7 v2.5.1 chapter 2, 2.9.3 enhanced acknowledgement and table 0155 (from memory)")
@pytest.mark.parametrize(
    ("accept", "application", "good", "bad"),
    [
        ("AL", "NE", ["CA"], ["CE"]),
        ("AL", "AL", ["CA", "AA"], ["CA", "AE"]),
        ("AL", "ER", ["CA"], ["CA", "AE"]),
        ("NE", "AL", ["AA"], ["AE"]),
        ("NE", "NE", [], []),
        ("ER", "NE", [], ["CE"]),
        ("SU", "SU", ["CA", "AA"], []),
        ("", "", ["AA"], ["AE"]),
    ],
)
def test_enhanced_mode_answers_what_was_asked_for(store, accept, application, good, bad):
    for expected, person in ((good, pid("7")), (bad, "PID|1")):
        message = adt("A08", person, msh15=accept, msh16=application)
        assert codes_of(asyncio.run(intake(store).handle(message, "127.0.0.1"))) == expected


def test_a_message_that_comes_twice_is_answered_alike_and_done_once(store):
    async def work():
        taker = intake(store)
        first = await taker.handle(adt("A04", pid("7"), control_id="1"), "127.0.0.1")
        await taker.handle(adt("A08", pid("7", name="Later^Name"), control_id="2"), "127.0.0.1")
        again = await taker.handle(adt("A04", pid("7"), control_id="1"), "127.0.0.1")
        assert again == first
        assert taker.counts == {"taken": 2, "repeated": 1, "refused": 0}
        # another message with an old id is no repetition: senders begin to count anew
        (other,) = await taker.handle(adt("A04", pid("8"), control_id="1"), "127.0.0.1")
        assert answer_in(read(other)).code == "AA"
        (found,) = [
            one async for one in store.changes() if one.type == "Patient" and b'"Later"' in one.content
        ]
        assert found.version == 2

    asyncio.run(work())


def test_what_was_refused_is_tried_again_when_it_comes_again(store):
    async def work():
        taker = intake(store)
        bad = adt("A08", pid("1", "2"), control_id="9")
        for one in ("1", "2"):
            await taker.handle(adt("A04", pid(one), control_id=one), "127.0.0.1")
        assert codes_of(await taker.handle(bad, "127.0.0.1")) == ["AE"]
        await taker.handle(adt("A40", pid("1"), mrg("2"), control_id="3"), "127.0.0.1")
        assert codes_of(await taker.handle(bad, "127.0.0.1")) == ["AA"]

    asyncio.run(work())


def test_each_message_leaves_an_audit_event(store):
    async def work():
        taker = intake(store)
        await taker.handle(adt("A04", pid("7"), control_id="1"), "127.0.0.1")
        await taker.handle(adt("A04", "PID|1", control_id="2"), "127.0.0.1")
        page = await store.audited(Query("AuditEvent"))
        events = [json.loads(one.content) for one in page.versions if b"mllp" in one.content]
        return sorted(events, key=lambda one: one["outcome"], reverse=True)

    refused, taken = asyncio.run(work())
    assert (taken["outcome"], refused["outcome"]) == ("0", "4")
    assert {one["agent"][0]["altId"] for one in (taken, refused)} == {"ADT of HOSP"}
    assert next(one["what"]["reference"] for one in taken["entity"]).startswith("Patient/")


def test_delimiters_are_those_of_the_message_and_characters_those_of_its_set(store):
    async def work():
        taker = intake(store)
        odd = adt("A04", pid("7", name="O|Neill^Zo\xeb"), control_id="1", msh18="8859/1").decode()
        odd = odd.replace("O|Neill", "O\\F\\Neill").translate(str.maketrans("|^~\\&", "#*!?%"))
        assert codes_of(await taker.handle(odd.encode("latin-1"), "127.0.0.1")) == ["AA"]
        wide = adt("A04", pid("8", name="Őri^Test"), control_id="2", msh18="UNICODE UTF-8")
        assert codes_of(await taker.handle(wide, "127.0.0.1")) == ["AA"]
        return [json.loads(one.content)["name"][0] async for one in store.changes() if one.type == "Patient"]

    assert asyncio.run(work()) == [
        {"family": "O#Neill", "given": ["Zoë"]},
        {"family": "Őri", "given": ["Test"]},
    ]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (adt("A04", pid("7"), msh18="BIG-5"), "103"),
        (adt("A04", pid("7"), msh18="UNICODE UTF-8").replace(b"Tilda", b"\xff\xfe"), "102"),
        (adt("A04", pid("7")).replace(b"Tilda", b"Zo\xeb"), "102"),
        (b"MSH", "100"),
        (b"PID|1||7", "100"),
        (b"MSH|||||", "100"),
        (b"", "100"),
    ],
)
def test_what_is_no_message_is_rejected(store, content, code):
    (answer,) = asyncio.run(intake(store).handle(content, "127.0.0.1"))
    assert answer_in(read(answer)).code == "AR"
    assert read(answer).all("ERR")[0].text(3) == code


def test_a_message_too_large_is_rejected_and_ends_its_connection(store):
    async def work():
        async with listening(store, message_bytes=2_000) as (port, _, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"\x0b" + adt("A04", pid("7"), "NTE|1||" + "x" * 100_000, control_id="BIG"))
            answer = (await reader.readuntil(b"\x1c\r")).strip(b"\x0b\x1c\r")
            assert await reader.read() == b""
            writer.close()
            return answer

    answer = answer_in(read(asyncio.run(work())))
    assert (answer.code, answer.control_id) == ("AR", "BIG")


def test_frames_that_are_none_are_dropped_and_the_next_is_taken(store):
    async def work():
        async with listening(store) as (port, _, _):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            good = framed(adt("A04", pid("7"), control_id="OK"))
            for noise in (b"\r\n", b"\x1c\r", b"noise", b"\x0bhalf of one", b"\x0b\x1c", b"\x1c\x1c\r\r"):
                writer.write(noise + good)
                found = []
                while "OK" not in found:
                    found.append(
                        answer_in(read((await reader.readuntil(b"\x1c\r")).strip(b"\x0b\x1c\r"))).control_id
                    )
            writer.close()
            assert await count(store) == 1

    asyncio.run(work())


def test_limits_of_connections_networks_and_time(store):
    async def work():
        async with listening(store, connections=2, receive_s=0.2, idle_s=0.5) as (port, _, listener):
            first = await asyncio.open_connection("127.0.0.1", port)
            second = await asyncio.open_connection("127.0.0.1", port)
            await asyncio.sleep(0.05)
            third = await asyncio.open_connection("127.0.0.1", port)
            assert await third[0].read() == b""  # one too many
            first[1].write(b"\x0bMSH|^~")  # begun and not ended
            began = asyncio.get_running_loop().time()
            assert await first[0].read() == b""
            assert asyncio.get_running_loop().time() - began < 0.45
            assert await second[0].read() == b""  # said nothing
            assert (listener.taken, listener.refused) == (2, 1)
            for one in (first, second, third):
                one[1].close()
            assert codes_of(await asked(port, adt("A04", pid("7")))) == ["AA"]
            listener._limits = Limits(networks_of("192.0.2.0/24"))
            with pytest.raises((asyncio.IncompleteReadError, ConnectionError)):
                await asked(port, adt("A04", pid("7")))

    asyncio.run(work())


def test_who_has_no_certificate_of_the_authority_is_not_heard(store, certificates):
    security = server_security(
        Security(certificates / "authority.pem", certificates / "server.pem", certificates / "server.pem")
    )

    async def work():
        async with listening(store, security) as (port, _, _):
            known = ssl.create_default_context(cafile=certificates / "authority.pem")
            known.load_cert_chain(certificates / "client.pem")
            assert codes_of(await asked(port, adt("A04", pid("7")), ssl=known)) == ["AA"]
            stranger = ssl.create_default_context(cafile=certificates / "authority.pem")
            with pytest.raises((ssl.SSLError, asyncio.IncompleteReadError, ConnectionError)):
                await asked(port, adt("A04", pid("8")), ssl=stranger)
            with pytest.raises((asyncio.IncompleteReadError, ConnectionError)):
                await asked(port, adt("A04", pid("8")))
            assert await count(store) == 1

    asyncio.run(work())


def test_a_message_in_work_is_answered_when_the_service_stops(store):
    async def work():
        begun = asyncio.Event()

        async def slow(content, address):
            begun.set()
            await asyncio.sleep(0.1)
            return await intake(store).handle(content, address)

        listener = MllpListener(slow, slow, Limits(HERE))
        port = await listener.listen("127.0.0.1", 0)
        waiting = asyncio.create_task(asked(port, adt("A04", pid("7"))))
        await begun.wait()
        await listener.close()
        assert codes_of(await waiting) == ["AA"]

    asyncio.run(work())


MESSAGES = [adt("A04", pid("7")), adt("A40", pid("7"), mrg("8")), adt("A37", pid("7"), pid("8"))]
BYTES = st.one_of(
    st.binary(max_size=200),
    st.builds(lambda text: text.encode(), st.text("MSHPIDEVN|^~\\&\r\n1A047", max_size=120)),
    st.builds(
        lambda one, at, what, cut: one[:at] + what + one[at + cut :],
        st.sampled_from(MESSAGES),
        st.integers(0, 200),
        st.one_of(
            st.binary(max_size=8), st.sampled_from([b"\\X", b"\\.sp9999\\", b"^" * 50, b"~" * 50, b'""'])
        ),
        st.integers(0, 20),
    ),
)


def test_no_bytes_harm_it(store):
    """Every message is answered, every connection lives or ends, and afterwards a good message is taken."""
    refusals = {kind.code for kind in problem_kinds().values()}
    internal = []

    @settings(max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(BYTES)
    def fuzz(content):
        answers = runner.run(taker.handle(content, "127.0.0.1"))
        for one in answers:
            for err in read(one).all("ERR"):
                assert err.text(3) in refusals
                internal.extend([content] if err.text(5) == "internal" else [])

    with asyncio.Runner() as runner:
        taker = intake(store)
        fuzz()
        assert internal == []
        assert codes_of(runner.run(taker.handle(adt("A04", pid("last")), "127.0.0.1"))) == ["AA"]


def test_no_bytes_on_the_wire_harm_it(store):
    @settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(st.lists(st.one_of(BYTES, BYTES.map(framed), st.just(b"\x0b"), st.just(b"\x1c\r")), max_size=6))
    def fuzz(parts):
        async def work():
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"".join(parts))
            writer.write_eof()
            await asyncio.wait_for(reader.read(), 5)
            writer.close()

        runner.run(work())

    with asyncio.Runner() as runner:
        taker = intake(store)
        listener = MllpListener(taker.handle, taker.too_large, Limits(HERE))
        port = runner.run(listener.listen("127.0.0.1", 0))
        fuzz()
        assert codes_of(runner.run(asked(port, adt("A04", pid("last"))))) == ["AA"]
        runner.run(listener.close())
