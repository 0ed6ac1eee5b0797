"""``serve``: run the service."""

import socket
import sys
from pathlib import Path

import click
import uvicorn
from starlette.types import ASGIApp

from service.app import create_app
from service.cli.local import data_dir_option, settings_for
from service.cli.safety import check_safety
from service.rest.protocol import Protocol, limited
from service.rest.request_log import log_to_stderr
from service.settings import Settings

__all__ = ["listening", "serve", "serve_on", "server"]

_SWITCH_SECONDS = 0.0005
"""How long a thread may keep others waiting. A search changes threads twice, and each time waits for what
writes or judges a long record; Python's own 5 ms are made for fewer changes."""


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


def listening(host: str, port: int) -> socket.socket:
    """A bound socket; a taken port is a plain sentence."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # TCP named: only then does asyncio send small answers at once (TCP_NODELAY), not 40 ms later
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        raise click.ClickException(
            f"Can't listen on {host}, port {port} ({error.strerror}); choose another with --host and --port."
        ) from None
    return listener


def serve_on(listener: socket.socket, settings: Settings) -> None:
    """Serve on a bound socket until stopped; the service writes its own request log."""
    log_to_stderr()
    sys.setswitchinterval(_SWITCH_SECONDS)
    protocol = limited(settings.max_connections, settings.receive_seconds)
    server(create_app(settings), protocol).run(sockets=[listener])


def server(app: ASGIApp, protocol: type[Protocol] = Protocol) -> uvicorn.Server:
    """The server around an application."""
    # what proxies say of the address is believed in one place (SWALLOW_TRUST_FORWARDED), not here
    return uvicorn.Server(
        uvicorn.Config(
            app,
            http=protocol,
            loop="uvloop",
            ws="none",
            access_log=False,
            log_level="warning",
            proxy_headers=False,
            server_header=False,
        )
    )
