"""`xmpsync people` and `xmpsync references`: who was found, and which frames would make good references."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from xmpsync.cli.option_groups import JSON, SHOOT, machine_options, selection_options


@click.command(short_help="List the people found; name, join or separate them.")
@SHOOT
@click.option(
    "--name", "names", multiple=True, metavar="PERSON=NAME", help="Name a person: 'person 3=Ada'. Repeatable."
)
@click.option("--same", multiple=True, nargs=2, metavar="A B", help="A and B are the same person.")
@click.option("--apart", multiple=True, metavar="FRAME@x,y", help="The face there is a person of its own. Repeatable.")
@click.option("--forget", multiple=True, metavar="NAME", help="Remove the name NAME that you gave. Repeatable.")
@selection_options
@machine_options
@JSON
def people(
    shoot: Path,
    names: tuple[str, ...],
    same: tuple[tuple[str, str], ...],
    apart: tuple[str, ...],
    forget: tuple[str, ...],
    as_json: bool,
    **values: Any,
) -> None:
    """List the people of SHOOT: faces, lights, least probability, and people who look alike.

    Names given here are kept in the shoot's state folder, listed by every command that uses them, and removed with
    --forget. Names in face regions of the sidecars take precedence; contradictions are listed. No sidecar changes.
    """
    from xmpsync.cli.option_groups import machine_from, options_from
    from xmpsync.cli.show_people import show_people
    from xmpsync.cli.talk import ProgressLine, put_json
    from xmpsync.shoot.documents import people_document
    from xmpsync.shoot.people import PeopleWish, find_people

    wish = PeopleWish(names, same, apart, forget)
    with ProgressLine() as progress:
        found = find_people(shoot, options_from(values, shoot), machine_from(values), progress, wish)
    if as_json:
        put_json(people_document(found))
    else:
        show_people(found, said=wish != PeopleWish())
    raise click.exceptions.Exit(1 if found.ready.troubles else 0)


@click.command(short_help="List frames that make good references.")
@SHOOT
@selection_options
@machine_options
@JSON
def references(shoot: Path, as_json: bool, **values: Any) -> None:
    """List the best reference frames for each person, with reasons and the next command line.

    A good reference is well lit by one light, not clipped, has enough pixels, shows several people, and its numbers are
    known or set by hand. The look itself is your choice.
    """
    from xmpsync.cli.option_groups import machine_from, options_from
    from xmpsync.cli.show_people import show_references
    from xmpsync.cli.talk import ProgressLine, put_json
    from xmpsync.shoot.documents import references_document
    from xmpsync.shoot.references import find_references

    with ProgressLine() as progress:
        found = find_references(shoot, options_from(values, shoot), machine_from(values), progress)
    if as_json:
        put_json(references_document(found))
    else:
        show_references(found)
    raise click.exceptions.Exit(1 if found.people.ready.troubles else 0)
