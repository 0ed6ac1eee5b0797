"""``terminology``: the code lists that this site may use and has loaded."""

import sys
from pathlib import Path

import click
from tqdm import tqdm

from service.cli.local import data_dir_option, now, settings_for
from service.store.code_list_writing import load_list, remove_list
from service.store.code_lists import CodeLists, Held
from service.terminology.layouts import layout_of

__all__ = ["terminology"]


@click.group()
def terminology() -> None:
    """Load, list and remove code lists (SNOMED CT, LOINC, ICD-10-CM, FHIR packages).

    None travels with the program: the site loads what it is licensed to use, on each machine that serves. A
    running service uses what was loaded from the next request on.
    """


@terminology.command("load")
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.option("--version", default="", help="Version of the list, where its files do not say it.")
@data_dir_option
def load(files: tuple[Path, ...], version: str, data_dir: Path | None) -> None:
    """Load the files of one code list; it takes the place of another version of it.

    Read are CodeSystems and ValueSets as FHIR resources (.json) or in a package (.tgz), the LOINC table
    (Loinc.csv), SNOMED CT snapshot files (RF2: concepts, descriptions, relationships, language reference set)
    and the ICD-10-CM order file.
    """
    folder = settings_for(data_dir).code_list_folder
    layout = layout_of(files, version)
    total = sum(path.stat().st_size for path in files)
    with tqdm(
        total=total, unit="B", unit_scale=True, disable=not sys.stderr.isatty(), leave=False
    ) as progress:
        held = load_list(folder, layout, now(), progress.update)
    click.echo(_line(held))


@terminology.command("list")
@data_dir_option
def list_(data_dir: Path | None) -> None:
    """Print every list that was loaded: its name, what is in it, and when it was loaded."""
    for held in CodeLists(settings_for(data_dir).code_list_folder).all():
        click.echo(_line(held))


@terminology.command("remove")
@click.argument("name")
@data_dir_option
def remove(name: str, data_dir: Path | None) -> None:
    """Remove a list by the name that 'list' prints."""
    remove_list(settings_for(data_dir).code_list_folder, name)


def _line(held: Held) -> str:
    parts = [f"{count} codes of {canonical}" for canonical, count in held.systems]
    parts += [f"{held.value_sets} value sets"] if held.value_sets else []
    return f"{held.name}: {', '.join(parts) or 'nothing that lists codes'}; loaded {held.loaded}"
