"""The sockets the service listens on."""

import asyncio
import socket

from service.cli.serve import listening


def test_small_answers_are_sent_at_once():
    """Without TCP_NODELAY each answer of two packets waits for the caller's delayed acknowledgement."""

    async def connected():
        seen = asyncio.get_running_loop().create_future()

        async def accept(_reader, writer):
            one = writer.get_extra_info("socket")
            seen.set_result(one.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        listener = listening("127.0.0.1", 0)
        async with await asyncio.start_server(accept, sock=listener):
            _, writer = await asyncio.open_connection(*listener.getsockname())
            flag = await seen
            writer.close()
        return flag

    assert asyncio.run(connected())
