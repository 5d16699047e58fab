"""`xmpsync completion`: what a shell needs to complete commands and options by the tab key."""

from __future__ import annotations

import os
from pathlib import PurePath

import click

SHELLS = ("bash", "zsh", "fish")


@click.command(short_help="Print the shell's script for completion by the tab key.")
@click.argument("shell", type=click.Choice(SHELLS), required=False)
def completion(shell: str | None) -> None:
    """Print the script that makes SHELL complete commands and options (default: the shell that $SHELL names).

    \b
    bash:  xmpsync completion bash > ~/.xmpsync-complete    then in ~/.bashrc:  . ~/.xmpsync-complete
    zsh:   xmpsync completion zsh > ~/.xmpsync-complete     then in ~/.zshrc:   . ~/.xmpsync-complete
    fish:  xmpsync completion fish > ~/.config/fish/completions/xmpsync.fish
    """
    from click.shell_completion import get_completion_class

    from xmpsync.cli.talk import put
    from xmpsync.errors import WrongUsage

    name = shell or PurePath(os.environ.get("SHELL", "")).name
    found = get_completion_class(name) if name in SHELLS else None
    if found is None:
        raise WrongUsage("The shell is not known.", next_step=f"Name it: xmpsync completion {{{','.join(SHELLS)}}}")
    group = click.get_current_context().find_root().command
    put(found(group, {}, "xmpsync", "_XMPSYNC_COMPLETE").source())
