"""`xmpsync measure`: the slow part alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from xmpsync.cli.option_groups import (
    FILE,
    JSON,
    SHOOT,
    YES,
    cluster_options,
    confirmed,
    machine_options,
    selection_options,
)
from xmpsync.shoot.phrases import counted


@click.command(short_help="Measure every frame, for example overnight.")
@SHOOT
@selection_options
@machine_options
@cluster_options
@click.option("--save-scale", type=FILE, help="Save the learned editor's scale.")
@click.option(
    "--forget-faces", is_flag=True, help="Delete the identity numbers of all faces, after confirmation, and stop."
)
@YES
@JSON
def measure(shoot: Path, as_json: bool, yes: bool, save_scale: Path | None, forget_faces: bool, **values: Any) -> None:
    """Measure the skin of every frame and store it for all later commands. Stopping early loses nothing."""
    from xmpsync.cli.option_groups import machine_from, options_from
    from xmpsync.cli.show import show_measured
    from xmpsync.cli.talk import ProgressLine, put_json, say
    from xmpsync.shoot.documents import measure_document
    from xmpsync.shoot.overnight import forget_identities, measure_only

    if forget_faces:
        if not yes:
            confirmed(
                "Delete the identity numbers of all faces, and measurement stores that were set aside? Telling people "
                "apart then needs measuring again."
            )
        forgotten = forget_identities(shoot, machine_from(values))
        say(f"Identity numbers deleted from {counted(forgotten.n_measurements, 'measurement')}.")
        if forgotten.files:
            say(f"Also deleted, set aside earlier: {', '.join(forgotten.files)}")
        return
    with ProgressLine() as progress:
        found = measure_only(shoot, options_from(values, shoot), machine_from(values), progress, save_scale)
    if as_json:
        put_json(measure_document(found))
    show_measured(found)
    raise click.exceptions.Exit(1 if found.troubles else 0)
