"""``serve``: run the service."""

import asyncio
import gc
import signal
import socket
import sys
from pathlib import Path

import click
import uvicorn

from service.app import Service, create_app
from service.cli.local import data_dir_option, settings_for
from service.cli.safety import check_safety
from service.rest.log_lines import logged_to_stderr
from service.rest.protocol import limited
from service.settings import Settings

__all__ = ["listening", "serve", "serve_on", "suit_requests"]

_SWITCH_SECONDS = 0.0005
"""How long a thread may keep others waiting. A search changes threads twice, and each time waits for what
writes or judges a long record; Python's own 5 ms are made for fewer changes."""
_COLLECTED_AFTER = (10_000, 20, 20)
"""New objects after which the youngest are searched for garbage, and how often older ones are: requests that
wait for their AuditEvents hold so many that Python's 700 would have each of them searched again and again."""
_SETTLED_S = 10.0
"""Seconds after its start in which a process has loaded and compiled most of what it ever will."""
_TICK_S = 0.1
"""How often uvicorn looks whether it was told to stop, and renews the date it sends."""


@click.command()
@click.option("--host", help="Address to listen on; default SWALLOW_HOST, else 127.0.0.1.")
@click.option("--port", type=int, help="Port; default SWALLOW_PORT, else 8080.")
@click.option(
    "--development-issuer",
    is_flag=True,
    help="Accept tokens signed by the key in the data folder; this machine only.",
)
@data_dir_option
def serve(host: str | None, port: int | None, development_issuer: bool, data_dir: Path | None) -> None:
    """Run the service over the database in the data folder."""
    changes = {name: value for name, value in (("host", host), ("port", port)) if value is not None}
    if development_issuer:
        changes["development_issuer"] = True
    settings = settings_for(data_dir, **changes)
    check_safety(settings)
    listener = listening(settings.host, settings.port)
    click.echo(f"Serving on http://{settings.host}:{listener.getsockname()[1]}")
    serve_on(listener, settings)


def listening(host: str, port: int, instead: str = "--host and --port") -> socket.socket:
    """A bound socket; a taken port is a plain sentence, ``instead`` is what another is chosen by."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # TCP named: only then does asyncio send small answers at once (TCP_NODELAY), not 40 ms later
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise not_listening(host, port, error, instead) from None
    return listener


def not_listening(
    host: str, port: int, error: OSError, instead: str = "--host and --port"
) -> click.ClickException:
    """Say in a sentence why nothing can be served there, and how to choose another place."""
    return click.ClickException(
        f"Can't listen on {host}, port {port} ({error.strerror}); choose another with {instead}."
    )


def serve_on(listener: socket.socket, settings: Settings) -> None:
    """Serve on a bound socket until stopped; the service writes its own request log."""
    suit_requests()
    app = create_app(settings)
    # what proxies say of the address is believed in one place (SWALLOW_TRUST_FORWARDED), not here
    config = uvicorn.Config(
        app,
        http=limited(settings.max_connections, settings.receive_seconds),
        loop="uvloop",
        ws="none",
        access_log=False,
        log_level="warning",
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=settings.stop_seconds,
    )
    # once it has stopped in order the server raises the signal again, which would end the process by it
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    with logged_to_stderr(settings.log_level):
        _Server(config, app, settings.drain_seconds).run(sockets=[listener])


def suit_requests() -> None:
    """Set Python up for many short requests beside long work."""
    sys.setswitchinterval(_SWITCH_SECONDS)
    gc.set_threshold(*_COLLECTED_AFTER)


class _Server(uvicorn.Server):
    """uvicorn, which says that it is not ready before it stops, for a time if asked to."""

    def __init__(self, config: uvicorn.Config, app: Service, drain_s: int) -> None:
        super().__init__(config)
        self._app = app
        self._drain_s = drain_s

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen; soon the collector is told that what is there stays.

        Else each of its full searches would hold everybody up for 50 to 100 ms.
        """
        for one in sockets or ():
            try:
                one.listen(self.config.backlog)  # uvloop would go on without a word if it can't
            except OSError as error:
                host, port = one.getsockname()[:2]
                raise not_listening(host, port, error) from None
        await super().startup(sockets)
        asyncio.get_running_loop().call_later(_SETTLED_S, gc.freeze)

    async def main_loop(self) -> None:
        """Serve until told to stop, then until whoever sends requests here may have noticed."""
        await super().main_loop()
        self._app.services.readiness.stopping = True
        for tick in range(round(self._drain_s / _TICK_S)):
            await asyncio.sleep(_TICK_S)
            await self.on_tick(tick)
