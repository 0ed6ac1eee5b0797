"""The sockets the service listens on."""

import asyncio
import socket
import subprocess
import sys
from pathlib import Path

from service.cli.serve import listening

COMMAND = Path(sys.executable).with_name("swallow-interop")


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


def test_who_listens_second_ends_and_says_why(tmp_path):
    """Two may bind one port while neither listens; the second to listen must not stay and serve nobody."""
    with listening("127.0.0.1", 0) as holder:
        port = str(holder.getsockname()[1])
        words = [COMMAND, "serve", "--port", port, "--data-dir", str(tmp_path)]
        with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:  # noqa: S603
            assert process.stdout is not None
            assert process.stdout.readline().startswith("Serving on")  # it has bound
            holder.listen()
            try:
                said = process.communicate(timeout=30)[1]
            finally:
                process.kill()
    assert process.returncode == 1
    assert f"Can't listen on 127.0.0.1, port {port}" in said
