"""Sending over MLLP: whose acknowledgement it is, and everything that can happen to a connection."""

import asyncio
import ssl

import pytest
from message_receiver import Receiver

from service.errors import AddressRefused, DeliveryFailed
from service.hl7v2.result_message import Message
from service.jobs.mllp_client import MllpClient
from service.jobs.mllp_frames import framed
from service.jobs.outgoing import Outgoing

HERE = Outgoing("127.0.0.1")


def message(id_, extra=""):
    text = f"MSH|^~\\&|A|B|C|D|20260101||ORU^R01^ORU_R01|{id_}|T|2.5.1\rPID|1||1\r{extra}"
    return Message(id_, "Observation/1", text.encode())


def client(port, **more):
    return MllpClient("127.0.0.1", port, HERE, **{"answer_s": 0.3, **more})


async def answering(*steps):
    """A server that answers each frame with the next step: bytes, or None to close."""
    left = [*steps]

    async def serve(reader, writer):
        while left:
            try:
                await reader.readuntil(b"\x1c\r")
            except asyncio.IncompleteReadError:
                break
            step = left.pop(0)
            if step is None:
                break
            writer.write(step)
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    return server, server.sockets[0].getsockname()[1]


def ack(id_, code="AA", more=""):
    return framed(f"MSH|^~\\&|C|D|A|B|20260101||ACK|x{id_}|T|2.5.1\rMSA|{code}|{id_}\r{more}".encode())


async def sent(steps, *messages, **more):
    server, port = await answering(*steps)
    one = client(port, **more)
    try:
        return [await one.send(each) for each in messages]
    finally:
        await one.close()
        server.close()


def run(work):
    return asyncio.run(work)


def test_many_messages_go_over_one_connection():
    async def work():
        async with Receiver() as receiver:
            one = client(receiver.port)
            answers = [await one.send(message(str(number))) for number in range(20)]
            await one.close()
            assert receiver.connections == 1
            assert [answer.outcome for answer in answers] == ["taken"] * 20
            assert [str(got.segment("MSH")[10]) for got in receiver.received] == [str(n) for n in range(20)]

    run(work())


def test_an_acknowledgement_of_another_message_is_not_ours():
    (answer,) = run(sent([ack("0") + ack("7", "AE") + ack("1")], message("1")))
    assert (answer.control_id, answer.outcome) == ("1", "taken")


def test_one_that_comes_twice_does_not_answer_the_next():
    first, second = run(sent([ack("1") * 2, ack("1") + ack("2", "AE")], message("1"), message("2")))
    assert (first.outcome, second.outcome) == ("taken", "refused")


@pytest.mark.published("HL7 v2.5.1 tables 0008 and 0357 (from memory)")
@pytest.mark.parametrize(
    ("code", "error", "outcome"),
    [
        ("AA", "", "taken"),
        ("CA", "", "taken"),
        ("AE", "ERR||PID^1^3|204^Unknown key identifier^HL70357|E", "refused"),
        ("AR", "ERR|||200^Unsupported message type^HL70357|E", "refused"),
        ("CE", "ERR|||207^Application internal error^HL70357|E", "again"),
        ("CR", "ERR|||206^Application record locked^HL70357|E", "again"),
    ],
)
def test_what_becomes_of_a_message_is_what_its_answer_says(code, error, outcome):
    (answer,) = run(sent([ack("1", code, error + "\r")], message("1")))
    assert (answer.code, answer.outcome) == (code, outcome)
    assert all(place in " ".join(answer.errors) for place in ("PID-3",) if "PID" in error)


@pytest.mark.parametrize(
    "steps",
    [
        [None],
        [ack("1")[:-4], None],
        [b"\x0b" + b"x" * 2_000_000],
        [framed(b"what?")],
        [b""],
    ],
)
def test_no_answer_is_told_and_not_waited_for_forever(steps):
    with pytest.raises(DeliveryFailed):
        run(sent(steps, message("1")))


def test_a_connection_that_died_meanwhile_is_opened_anew():
    async def work():
        async with Receiver() as receiver:
            one = client(receiver.port)
            await one.send(message("1"))
            one._streams[1].transport.abort()
            assert (await one.send(message("2"))).outcome == "taken"
            await one.close()
            assert receiver.connections == 2

    run(work())


def test_where_nothing_listens_or_nobody_may_go():
    with pytest.raises(DeliveryFailed):
        run(client(1 << 15).send(message("1")))
    with pytest.raises(AddressRefused):
        run(MllpClient("127.0.0.1", 2575, Outgoing()).send(message("1")))
    with pytest.raises(AddressRefused, match="TLS"):
        run(MllpClient("public.example.org", 2575, Outgoing()).send(message("1")))


def test_over_tls_the_receiver_has_to_prove_its_name(certificates):
    async def work(authorities):
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(certificates / "server.pem")

        async def serve(reader, writer):
            await reader.readuntil(b"\x1c\r")
            writer.write(ack("1"))
            await writer.drain()

        server = await asyncio.start_server(serve, "127.0.0.1", 0, ssl=context)
        port = server.sockets[0].getsockname()[1]
        believed = ssl.create_default_context(cafile=authorities)
        one = MllpClient("localhost", port, Outgoing("localhost"), security=believed, answer_s=2)
        try:
            return await one.send(message("1"))
        finally:
            await one.close()
            server.close()

    assert run(work(certificates / "authority.pem")).outcome == "taken"
    with pytest.raises(DeliveryFailed):
        run(work(None))
