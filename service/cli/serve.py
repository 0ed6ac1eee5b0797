"""``serve``: run the service."""

from pathlib import Path

import click
import uvicorn

from service.app import create_app
from service.cli.local import data_dir_option, settings_for
from service.settings import Settings

__all__ = ["run", "serve"]


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
    run(settings_for(data_dir, **changes))


def run(settings: Settings) -> None:
    """Serve until stopped; the service writes its own request log."""
    uvicorn.run(
        create_app(settings), host=settings.host, port=settings.port, access_log=False, log_level="warning"
    )
