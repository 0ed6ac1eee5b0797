"""Long work leaves the event loop free."""

import asyncio
import threading

import pytest

from service.errors import InvalidInput
from service.interactions import transaction
from service.interactions.aside import aside


def test_the_loop_goes_on_meanwhile():
    async def both():
        seen = threading.Event()
        work = asyncio.create_task(aside(seen.wait, 10))
        await asyncio.sleep(0.01)
        seen.set()
        return await work

    assert asyncio.run(both())


def test_what_the_work_raises_reaches_its_caller():
    with pytest.raises(InvalidInput, match="no"):
        asyncio.run(aside(_refuse, "no"))


def _refuse(text):
    raise InvalidInput(text)


def test_a_bundle_is_checked_beside_the_loop(client, monkeypatch):
    seen = threading.Event()
    checked = []

    def slow(*arguments, **named):
        checked.append(seen.wait(10))
        return check(*arguments, **named)

    check = transaction.check
    monkeypatch.setattr(transaction, "check", slow)

    async def both():
        body = b'{"resourceType": "Bundle", "type": "transaction"}'
        work = asyncio.create_task(transaction.process(client.store, body, context=client.context))
        await asyncio.sleep(0.05)
        seen.set()
        return await work

    assert b"transaction-response" in asyncio.run(both())
    assert checked == [True]
