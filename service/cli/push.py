"""``push``: send what changed to another FHIR endpoint."""

import asyncio
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.followed import followed
from service.cli.local import data_dir_option, opened, recorded, settings_for
from service.jobs import delivery
from service.jobs.http_client import connect
from service.jobs.ledger import Ledger
from service.jobs.outgoing import Outgoing
from service.settings import Settings

__all__ = ["push"]


@click.command()
@click.argument("url")
@click.option(
    "--token-file",
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="File with the access token for the receiving end.",
)
@click.option("--attempts", default=6, show_default=True, help="Tries per transaction.")
@data_dir_option
def push(url: str, token_file: Path, attempts: int, data_dir: Path | None) -> None:
    """Send what changed since the last push to the FHIR base URL; safe to repeat."""
    token = token_file.read_text("utf-8").strip()
    asyncio.run(_push(settings_for(data_dir), url, token, attempts))


async def _push(settings: Settings, url: str, token: str, attempts: int) -> None:
    with tqdm(unit="patient", disable=None) as bar:

        def progress(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        outgoing = Outgoing(settings.outgoing_hosts)
        async with (
            followed(settings, "delivery") as counts,
            opened(settings) as opened_,
            recorded(opened_, "push", "110106") as store,
            connect(url, token, outgoing) as client,
        ):
            ledger = Ledger(settings.data_dir, url)
            result = await delivery.push(store, client, ledger, attempts=attempts, on_progress=progress)
            counts |= {
                "transactions": result.transactions,
                "resources": result.resources,
                "left_out": result.left_out,
            }
    click.echo(f"{result.resources} resources sent in {result.transactions} transactions.")
    for reason, count in sorted(result.reasons.items()):
        click.echo(f"{count} not sent: {reason}.")
