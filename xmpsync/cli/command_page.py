"""`xmpsync report` and `xmpsync review`: the page to look at, as a file and alive."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from xmpsync.cli.option_groups import (
    FILE,
    SHOOT,
    machine_from,
    machine_options,
    options_from,
    selection_options,
    solve_options,
)
from xmpsync.cli.show import show_troubles
from xmpsync.cli.talk import ProgressLine, put, say


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
    from xmpsync.review.page import write_report
    from xmpsync.shoot.correct import prepare_correction

    with ProgressLine() as progress:
        found = prepare_correction(shoot, options_from(values, shoot), machine_from(values), progress, writes=False)
    write_report(file, found)
    show_troubles(found.troubles)
    say(f"The page to look at: {file}")
    raise click.exceptions.Exit(1 if found.troubles else 0)


@click.command(short_help="Serve the page on this machine: choose, look, write, roll back.")
@SHOOT
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port to listen on (default: a free one).")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@solve_options
@selection_options
@machine_options
def review(shoot: Path, port: int, no_browser: bool, **values: Any) -> None:
    """Serve the page of SHOOT on this machine only; its address is printed on stdout.

    Without options the choices made on the page last time are used again, else those of the newest run. What is
    written there goes through the same plan and run as `correct`.
    """
    import webbrowser

    from xmpsync.measuring.memory import stays
    from xmpsync.review.guard import Keys
    from xmpsync.review.server import application, listen, server
    from xmpsync.shoot.review import Review

    sockets, port = listen(port)
    with ProgressLine() as progress:
        found = Review(shoot, options_from(values, shoot), machine_from(values), progress)
    stays()
    if found.from_kept:
        say("The choices made on the page last time are used again; the page shows them as a command line.")
    keys = Keys(port)
    address = f"http://{keys.hosts[0]}/?token={keys.token}"
    put(address)
    sys.stdout.flush()
    say("Serving on this machine only, until Ctrl-C.")
    if not no_browser:
        webbrowser.open(address)
    try:
        server(application(found, keys)).run(sockets=sockets)
    except KeyboardInterrupt:
        say("Stopped.")
    finally:
        found.close()
