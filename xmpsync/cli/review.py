"""`xmpsync review`: the page, alive, until Ctrl-C."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from xmpsync.cli.options import SHOOT, machine_options, selection_options, solve_options


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
    import sys
    import webbrowser

    from xmpsync.cli.options import machine_from, options_from
    from xmpsync.cli.talk import ProgressLine, put, say
    from xmpsync.review.guard import Keys
    from xmpsync.review.server import application, listen, server
    from xmpsync.shoot.review import Review

    sockets, port = listen(port)
    with ProgressLine() as progress:
        found = Review(shoot, options_from(values, shoot), machine_from(values), progress)
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
