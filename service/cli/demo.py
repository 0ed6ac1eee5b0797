"""``demo``: the main job on this machine, with invented people."""

import asyncio
import time
from datetime import date
from pathlib import Path

import click

from service.cli.loading import Loaded, into_store, load_all
from service.cli.local import now, opened, recorded, settings_for
from service.cli.people import by_identifier, person_name
from service.cli.record_files import record_files
from service.cli.serve import listening, serve_on
from service.operations.goal_attainment import compute
from service.operations.goal_table import goal_rows, rendered
from service.security.development_issuer import TOKENS_FILE, write_demo_tokens
from service.settings import Settings
from service.shipped import shipped
from service.store.contract import Store

__all__ = ["demo"]

PATIENTS = "https://clinic.example.org/patients"
STAFF = "https://clinic.example.org/staff"
PEOPLE = ("demo-01", "demo-02", "demo-03", "demo-04", "demo-05")


@click.command()
@click.option("--port", default=8080, show_default=True, help="Port; 0 takes a free one.")
@click.option(
    "--data-dir",
    default="demo-data",
    show_default=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder of the demo's database and tokens.",
)
def demo(port: int, data_dir: Path) -> None:
    """Load five invented people, show where their goals stand, and serve them on this machine only."""
    settings = settings_for(
        data_dir,
        database_url="",  # invented people do not belong among others
        host="127.0.0.1",
        port=port,
        development_issuer=True,
    )
    listener = listening(settings.host, port, "--port 8187, or make demo PORT=8187")
    base = f"http://127.0.0.1:{listener.getsockname()[1]}"
    click.echo("All people and data here are invented (HTEST).\n")
    loaded, table = asyncio.run(_prepare(settings))
    for refused in loaded.refused:
        click.echo(refused, err=True)
    click.echo(f"{loaded.summary()}\n\n{table}\n\n{_to_try(base, settings.data_dir / TOKENS_FILE)}")
    serve_on(listener, settings)


async def _prepare(settings: Settings) -> tuple[Loaded, str]:
    """Load the examples, answer the goal table, and write the tokens."""
    async with opened(settings) as opened_, recorded(opened_, "demo", "110107") as store:
        records = record_files([shipped("examples", "visits")], settings)
        loaded = await load_all(records, into_store(store, settings))
        rows = []
        for person in PEOPLE:
            id_ = (await by_identifier(store, "Patient", f"{PATIENTS}|{person}", settings)).id
            answer = await compute(store, id_, await _last_visit(store, id_, settings), zone=settings.zone)
            rows += goal_rows(await person_name(store, id_), answer)
        clinician = await by_identifier(store, "Practitioner", f"{STAFF}|slp-01", settings)
    write_demo_tokens(settings.data_dir, now=time.time(), clinician=f"Practitioner/{clinician.id}")
    return loaded, rendered(rows)


async def _last_visit(store: Store, id_: str, settings: Settings) -> date:
    """Day of the person's last probe."""
    answer = await compute(store, id_, now().astimezone(settings.zone).date(), zone=settings.zone)
    return answer.visits[-1].day


def _to_try(base: str, tokens: Path) -> str:
    """Three things to try, one per reader."""
    token = f'$(python3 -c \'import json; print(json.load(open("{tokens}"))["%s"])\')'
    return "\n".join(
        (
            f"Serving on {base}, this machine only; tokens for 8 hours are in {tokens}.",
            "Three things to try:",
            "",
            "  hospital integrator: the trials of all visits, as FHIR",
            f'    curl -H "Authorization: Bearer {token % "integrator"}" \\',
            f"      '{base}/fhir/Observation?code=trial-closure&_count=2'",
            "  clinician: open the page and paste the token called clinician",
            f"    {base}/app",
            "  researcher: everybody who permits research, de-identified",
            f'    curl -H "Authorization: Bearer {token % "researcher"}" \\',
            f"      '{base}/research/export?variant=safe-harbor'",
            "",
            "Stop with Ctrl-C.",
        )
    )
