"""`xmpsync check`: how well the skin matches as the sidecars stand now."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from xmpsync.cli.options import JSON, SHOOT, machine_options, selection_options, solve_options


@click.command(short_help="Show how well the skin matches as the sidecars stand now.")
@SHOOT
@solve_options
@selection_options
@machine_options
@click.option("--frames-table", is_flag=True, help="Show every face, and where each camera's colour comes from.")
@JSON
def check(shoot: Path, frames_table: bool, as_json: bool, **values: Any) -> None:
    """Measure how far the skin of every frame is from the reference, as the sidecars stand now.

    Exits 0 when at least 95 % of the judged faces are within the tolerance, 1 otherwise. Writes nothing into the
    shoot. Without options the references of the newest run are used.
    """
    from xmpsync.cli.options import machine_from, options_from
    from xmpsync.cli.show_check import show_check
    from xmpsync.cli.show_people import references_instead
    from xmpsync.cli.talk import ProgressLine, put_json
    from xmpsync.shoot.check import check_shoot
    from xmpsync.shoot.documents import check_document

    with ProgressLine() as progress:
        options, machine = options_from(values, shoot), machine_from(values)
        with references_instead(shoot, options, machine, progress, shown=not as_json):
            found = check_shoot(shoot, options, machine, progress)
    if as_json:
        put_json(check_document(found))
    show_check(found, frames_table=frames_table and not as_json)
    raise click.exceptions.Exit(0 if found.passed and not found.ready.troubles else 1)
