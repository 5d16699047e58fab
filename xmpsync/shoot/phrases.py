"""Counted nouns and local times for sentences that a photographer reads."""

from __future__ import annotations

import shlex
from datetime import datetime
from pathlib import Path

_PLURALS = {"person": "people", "kind of light": "kinds of light", "body": "bodies"}


def counted(n: int, noun: str) -> str:
    """The number and the noun, singular or plural: 1 frame, 2 frames."""
    return f"{n} {noun if n == 1 else _PLURALS.get(noun, noun + 's')}"


def command(name: str, root: Path, *rest: str) -> str:
    """A command line to copy, quoted for a shell."""
    return shlex.join(["xmpsync", name, str(root), *rest])


def local_time(utc: str) -> str:
    """A moment given in ISO 8601 as date and time of day where this computer is; empty where it is not known."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return ""
