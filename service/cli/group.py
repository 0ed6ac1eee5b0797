"""How the command says what went wrong: every problem, its place, no traceback."""

import sys
from typing import Any

import click

from service.errors import Issue, ServiceError

__all__ = ["Commands", "sentence"]


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
