"""Options that several commands share, and how they become `Options` and `Machine`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from xmpsync.measuring.machine import Machine
    from xmpsync.plan.options import Options

F = TypeVar("F", bound=Callable[..., Any])

FOLDER = click.Path(path_type=Path, file_okay=False)
FILE = click.Path(path_type=Path, dir_okay=False)

SHOOT = click.argument("shoot", type=FOLDER)
JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON document (described in docs/json.md).")
YES = click.option("--yes", is_flag=True, help="Go on without confirmation.")
STATE = click.option(
    "--state",
    type=FOLDER,
    help="Keep measurements and backups in this folder instead of SHOOT/.xmpsync.",
)


def confirmed(question: str) -> None:
    """Ask before something is deleted; without a terminal or without a yes the command ends here."""
    from xmpsync.errors import WrongUsage

    if not sys.stdin.isatty():
        raise WrongUsage("Confirmation needs a terminal.", next_step="Add --yes to delete without confirmation.")
    if not click.confirm(question, err=True):
        click.echo("Nothing was deleted.", err=True)
        raise click.exceptions.Exit(0)


def _group(*options: Callable[[F], F]) -> Callable[[F], F]:
    """One decorator of several options, shown by `--help` in this order."""

    def decorate(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


class Jobs(click.ParamType):  # type: ignore[type-arg,unused-ignore]  # generic from click 8.3 on
    """A number of worker processes, or `auto`."""

    name = "jobs"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int | None:
        """1 to 64; None for `auto`."""
        return None if value in (None, "auto") else click.IntRange(1, 64).convert(value, param, ctx)


cluster_options = _group(
    click.option("--scheduler", metavar="ADDRESS", help="Measure on the workers of this dask scheduler."),
    click.option(
        "--map", multiple=True, metavar="LOCAL=REMOTE", help="The workers call the folder LOCAL so. Repeatable."
    ),
)
"""Workers on other machines."""


machine_options = _group(
    STATE,
    click.option("--no-store", is_flag=True, help="Keep no measurements."),
    click.option("--remeasure", is_flag=True, help="Measure again what the store holds."),
    click.option(
        "--jobs",
        type=Jobs(),
        metavar="N|auto",
        default="auto",
        show_default=True,
        help="Worker processes; auto goes by processors and free memory.",
    ),
    click.option("--no-people", is_flag=True, help="Make no identity numbers of faces."),
)
"""How to work: where state lives, how many workers, what to reuse."""


selection_options = _group(
    click.option("--frames", multiple=True, metavar="GLOB", help="Only frames whose name or path matches."),
    click.option("--min-rating", type=int, metavar="0..5", help="Only frames rated this or better."),
    click.option("--include-rejected", is_flag=True, help="Also frames rated -1."),
)
"""Which frames."""


solve_options = _group(
    click.option(
        "--reference",
        "references",
        multiple=True,
        metavar="[PERSON=]FRAME[@x,y]",
        help="Frame whose skin is right; @x,y picks the face or patch there. Or PERSON=lab:L,a,b. Repeatable.",
    ),
    click.option(
        "--skin", multiple=True, metavar="[PERSON=]FRAME@x,y", help="Skin is here (where no face is found)."
    ),
    click.option("--neutral", multiple=True, metavar="FRAME@x,y", help="Something neutral is here."),
    click.option(
        "--neutral-weight", type=float, default=0.0, show_default=True, metavar="0..1",
        help="0: skin exact; 1: marked neutrals exact.",
    ),
    click.option(
        "--strength", type=float, default=1.0, show_default=True, metavar="0..1",
        help="How far each light group moves from its as-shot mood to the reference.",
    ),
    click.option(
        "--strength-at", multiple=True, metavar="FRAME=0..1", help="Strength for the light group of FRAME."
    ),
    click.option(
        "--nudge", multiple=True, metavar="FRAME=WARMER,MAGENTA,BRIGHTER",
        help="Added by eye to one frame: mired, tint, EV (K1_0412=+5,0,-0.1).",
    ),
    click.option(
        "--nudge-light", multiple=True, metavar="FRAME=WARMER,MAGENTA,BRIGHTER",
        help="The same for every frame of the light group of FRAME.",
    ),
    click.option("--keep", multiple=True, metavar="FRAME", help="Hold this frame as it is; others follow it."),
    click.option("--leave-out", multiple=True, metavar="FRAME", help="Neither change nor count this frame."),
    click.option("--keep-custom", is_flag=True, help="Hold all frames that have a white balance set by hand."),
    click.option("--only", type=click.Choice(["wb", "exposure"]), help="Write only these fields."),
    click.option(
        "--tolerance", type=float, nargs=2, default=(2.0, 0.25), show_default=True, metavar="DE00 EV",
        help="What counts as matched.",
    ),
    click.option(
        "--clock", multiple=True, metavar="BODY=+HH:MM:SS", help="Correct the clock of one camera body."
    ),
    click.option(
        "--body", multiple=True, metavar="PATTERN=NAME",
        help="A name for the camera body of these frames, where the files hold no serial number.",
    ),
    click.option(
        "--camera-profile", "camera_profiles", multiple=True, type=FILE,
        help="A camera profile file as the DNG specification defines it, matched by camera model.",
    ),
    click.option(
        "--scale", type=FILE,
        help="An editor's scale learned in another shoot.",
    ),
)  # fmt: skip
"""What the skin should be, and how far to go."""


def options_from(values: dict[str, Any], shoot: Path) -> Options:
    """`Options` from a command's parameters, which have the names of its fields; those that a command lacks keep their
    default. Paths to frames become relative to the shoot."""
    from dataclasses import fields

    from xmpsync.plan.options import Options
    from xmpsync.shoot.pointers import below

    given = {one.name: values[one.name] for one in fields(Options) if values.get(one.name) is not None}
    if "tolerance" in values:
        given["tolerance_de00"], given["tolerance_ev"] = values["tolerance"]
    for name in ("references", "keep", "leave_out", "skin", "neutral"):
        given[name] = tuple(below(shoot, text) for text in values.get(name, ()))
    for name in ("strength_at", "nudge", "nudge_light"):
        parts = (text.rpartition("=") for text in values.get(name, ()))
        given[name] = tuple(f"{below(shoot, frame)}{equals}{number}" for frame, equals, number in parts)
    given["camera_profiles"] = tuple(str(path.absolute()) for path in values.get("camera_profiles", ()))
    given["scale"] = str(values["scale"].absolute()) if values.get("scale") else None
    return Options(**given)


def machine_from(values: dict[str, Any]) -> Machine:
    """`Machine` from a command's parameters."""
    from xmpsync.errors import WrongUsage
    from xmpsync.measuring.capacity import capacity
    from xmpsync.measuring.machine import Cluster, Machine

    jobs, scheduler, maps = values.get("jobs"), values.get("scheduler"), tuple(values.get("map", ()))
    if maps and not scheduler:
        raise WrongUsage("--map counts only with --scheduler.", next_step="Add --scheduler ADDRESS.")
    jobs, carried = (jobs if isinstance(jobs, int) else None), capacity()
    return Machine(
        state=values.get("state"),
        use_store=not values.get("no_store", False),
        remeasure=values.get("remeasure", False),
        n_workers=jobs if jobs is not None else carried.n_workers,
        n_workers_remark=carried.remark if jobs is None else None,
        people=not values.get("no_people", False),
        cluster=Cluster.parse(scheduler, maps) if scheduler else None,
    )
