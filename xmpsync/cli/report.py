"""`xmpsync report`: the page to look at."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from xmpsync.cli.options import FILE, SHOOT, machine_options, selection_options, solve_options


@click.command(short_help="Write a page with pictures, figures and findings.")
@SHOOT
@click.argument("file", type=FILE)
@solve_options
@selection_options
@machine_options
def report(shoot: Path, file: Path, **values: Any) -> None:
    """Write FILE, one HTML page with everything in it: before and after, the strip of skin, numbers, findings.

    Shows what a correction now would change; nothing is written into the shoot. The pictures are made by the colour
    model, not by your editor.
    """
    from xmpsync.cli.options import machine_from, options_from
    from xmpsync.cli.show import show_troubles
    from xmpsync.cli.talk import ProgressLine, say
    from xmpsync.review.page import write_report
    from xmpsync.shoot.correct import prepare_correction

    with ProgressLine() as progress:
        found = prepare_correction(shoot, options_from(values, shoot), machine_from(values), progress, writes=False)
    write_report(file, found)
    show_troubles(found.troubles)
    say(f"The page to look at: {file}")
    raise click.exceptions.Exit(1 if found.troubles else 0)
