"""People and references as a person reads them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from xmpsync.cli.talk import ProgressLine, put, put_table, say, say_command
from xmpsync.errors import NoReference
from xmpsync.shoot.phrases import command, counted

if TYPE_CHECKING:
    from xmpsync.measuring.machine import Machine
    from xmpsync.plan.options import Options
    from xmpsync.shoot.people import People
    from xmpsync.shoot.references import References


def show_people(found: People, *, said: bool = False) -> None:
    """A line for each person, the answers kept, and what to name next. `said`: something was just said."""
    from xmpsync.cli.show import show_left_out, show_troubles
    from xmpsync.shoot.references import command_to_name

    columns = ("person", "faces", "perhaps", "lights", "sure", "alike to")
    rows = [
        (
            person.name,
            str(person.n_faces),
            str(person.n_perhaps) if person.n_perhaps else "",
            str(person.n_lights),
            "" if person.sure is None else f"{100 * person.sure:.0f} %",
            ", ".join(person.alike_to),
        )
        for person in found.persons
    ]
    put_table(columns, rows, right=("faces", "perhaps", "lights", "sure"), names=("person", "alike to"))
    if found.n_unknown:
        say(f"{counted(found.n_unknown, 'face')} not known for certain; unknown faces are not judged.")
    if found.answers:
        say("To remove a name: --forget NAME. All named places: --json.")
    if said and found.ask:
        say(f"Faces to name next: {command('people', found.ready.root)}")
    else:
        _ask(command_to_name(found.ask, found.ready.root))
    show_left_out(found.ready.left_out)
    show_troubles(found.ready.troubles)


def show_references(found: References) -> None:
    """The best frames for each person, and the command to go on with."""
    from xmpsync.cli.show import show_troubles
    from xmpsync.shoot.references import command_to_name

    rows = [
        (person if not i else "", candidate.frame_id, "; ".join(candidate.reasons))
        for person, candidates in found.by_person.items()
        for i, candidate in enumerate(candidates)
    ]
    put_table(("person", "frame", "why"), rows, names=("person", "frame"), yielding=("why",))
    without = [person for person, candidates in found.by_person.items() if not candidates]
    if without:
        say(f"No good frame for: {', '.join(without)}.")
    _ask(command_to_name(found.people.ask, found.people.ready.root))
    show_troubles(found.people.ready.troubles)
    if found.chosen:
        say("Look at these in your editor, set the look you like there, then:")
        put(found.command)


@contextmanager
def references_instead(
    shoot: Path, options: Options, machine: Machine, progress: ProgressLine, *, shown: bool
) -> Iterator[None]:
    """A block whose `NoReference` shows first which frames would make good references; the error goes on."""
    try:
        yield
    except NoReference:
        if shown:
            from xmpsync.shoot.references import find_references

            show_references(find_references(shoot, options, machine, progress))
        raise


def _ask(command: str) -> None:
    if command:
        say("Naming these faces settles most:")
        say_command(command)
