"""How the command finds its sub-commands, and says what went wrong: every problem, no traceback."""

import sys
from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any

import click

from service.errors import Issue, ServiceError

__all__ = ["Commands", "Imported", "sentence"]


class Imported(Mapping[str, click.Command]):
    """Commands by name, each imported when it is asked for: most need a small part of the program alone."""

    def __init__(self, room: str, places: Mapping[str, str]) -> None:
        """``places`` are the file in ``room`` and the function of each, ``file:function``."""
        self._room = room
        self._places = places

    def __getitem__(self, name: str) -> click.Command:
        """Import a command."""
        file, _, function = self._places[name].partition(":")
        command: click.Command = getattr(import_module(f"{self._room}.{file}"), function)
        return command

    def __iter__(self) -> Iterator[str]:
        """The names there are."""
        return iter(self._places)

    def __len__(self) -> int:
        """How many there are."""
        return len(self._places)


class Commands(click.Group):
    """A group whose commands end with the service's errors as plain sentences and exit status 1."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except ServiceError as error:
            for issue in error.issues:
                click.echo(sentence(issue), err=True)
            sys.exit(1)


def sentence(issue: Issue) -> str:
    """A problem as one line: how grave, where, what is wrong and what to do."""
    place = str(issue.place)
    where = f"{place}: " if place else ""
    return f"{issue.severity}: {where}{issue.message}"
