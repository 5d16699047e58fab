"""`xmpsync correct`: propose, show, ask, write."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from xmpsync.cli.option_groups import FILE, JSON, SHOOT, YES, machine_options, selection_options, solve_options
from xmpsync.shoot.phrases import counted


@click.command(short_help="Propose and write white balance and exposure for every frame.")
@SHOOT
@solve_options
@click.option("--dry-run", is_flag=True, help="Print the plan and write nothing beside the measurement store.")
@YES
@click.option("--lights", is_flag=True, help="Show every light, however many; without it --yes shows none.")
@click.option("--frames-table", is_flag=True, help="Show the values of every frame.")
@click.option("--diff", is_flag=True, help="Show every sidecar's changes line by line.")
@click.option("--tag", metavar="WORD", help="Add this keyword to frames that need handwork.")
@click.option("--report", type=FILE, help="Also write the page to look at.")
@click.option(
    "--embed-dng", is_flag=True, help="Write into the packet inside DNG files, for editors that ignore sidecars."
)
@click.option(
    "--write-regions", is_flag=True,
    help="Also write face regions with the names of people into sidecars: they travel with the files.",
)  # fmt: skip
@click.option("--metadata-date", is_flag=True, help="Also set xmp:MetadataDate.")
@selection_options
@machine_options
@JSON
def correct(
    shoot: Path,
    dry_run: bool,
    yes: bool,
    lights: bool,
    frames_table: bool,
    diff: bool,
    as_json: bool,
    report: Path | None,
    **values: Any,
) -> None:
    """Bring the skin of every frame in SHOOT to the reference.

    \b
    xmpsync correct SHOOT --reference K1_0412 --dry-run
    xmpsync correct SHOOT --reference K1_0412
    xmpsync correct SHOOT --reference Ada=K1_0412@0.4,0.3 --reference Ben=K1_0098

    Each person keeps their own skin colour. The reference frame is never changed. Without options those of the
    newest run are used again.
    """
    from xmpsync.cli.option_groups import machine_from, options_from
    from xmpsync.cli.show_correct import (
        show_all_lights,
        show_diffs,
        show_lights,
        show_proposal,
        show_summary,
        show_written,
    )
    from xmpsync.cli.show_people import references_instead
    from xmpsync.cli.talk import ProgressLine, put_json, say
    from xmpsync.errors import WrongUsage
    from xmpsync.shoot.correct import carry_out, prepare_correction
    from xmpsync.shoot.documents import correction_document

    if not dry_run and not yes and not sys.stdin.isatty():
        raise WrongUsage(
            "Confirmation needs a terminal.",
            next_step="Add --dry-run to look, or --yes to write without confirmation.",
        )
    with ProgressLine() as progress:
        options, machine = options_from(values, shoot), machine_from(values)
        with references_instead(shoot, options, machine, progress, shown=not as_json):
            found = prepare_correction(shoot, options, machine, progress, writes=not dry_run)
    if report is not None:
        from xmpsync.review.page import write_report

        write_report(report, found)
        say(f"The page to look at: {report}")
    if not as_json:
        asks = not dry_run and not yes
        if diff:
            show_diffs(found)
        if frames_table:
            show_proposal(found, data=not asks)
        if lights:
            show_all_lights(found, data=not asks)
        elif not yes:
            show_lights(found, data=not asks)
    show_summary(found, frames_table=frames_table, brief=yes)
    outcome = None
    n_files = len(found.proposal.plan.changes)
    if not dry_run and n_files:
        if not yes and not click.confirm(f"Write {counted(n_files, 'file')}?", err=True):
            say("Nothing was written.")
            raise click.exceptions.Exit(1 if found.troubles else 0)
        with ProgressLine() as progress:
            outcome = carry_out(found, machine_from(values), progress)
    if as_json:
        put_json(correction_document(found, outcome))
    show_written(found, outcome)
    raise click.exceptions.Exit(1 if found.troubles or (outcome is not None and outcome.left_alone) else 0)
