"""`tidewarden people`: who may use the pages."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import click

from adapters.cli.failures import bad_input
from adapters.pages.people import (
    ROLES,
    Role,
    add_person,
    list_people,
    remove_person,
)

_file = click.option(
    "--file",
    "path",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file of people: [pages] people of the configuration.",
)


@click.group(short_help="Enter who may use the pages.")
def people() -> None:
    """Enter who may use the pages, and what each may do there.

    The pages read the file when they start: start them again after a change.
    """


@people.command()
@click.argument("name")
@_file
@click.option(
    "--role",
    type=click.Choice(get_args(Role)),
    default="team",
    show_default=True,
    help="; ".join(f"{role}: {words}" for role, words in ROLES.items()) + ".",
)
@click.password_option(help="Asked for when it is not given, which keeps it out of the history.")
def add(name: str, path: Path, role: Role, password: str) -> None:
    """Enter NAME, or give NAME another role and password."""
    with bad_input():
        new = add_person(path, name, role, password)
    click.echo(f"{name} is {'entered' if new else 'changed'}: {ROLES[role]}.")


@people.command()
@click.argument("name")
@_file
def remove(name: str, path: Path) -> None:
    """Take NAME out."""
    with bad_input():
        remove_person(path, name)
    click.echo(f"{name} is taken out; start the pages again.")


@people.command(name="list")
@_file
def list_command(path: Path) -> None:
    """Say who is entered."""
    with bad_input():
        known = list_people(path)
    for name, role in known.items():
        click.echo(f"{name:20} {role}")
