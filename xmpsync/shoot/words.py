"""Counted nouns and local times for sentences that a photographer reads."""

from __future__ import annotations

from datetime import datetime

_PLURALS = {"person": "people", "kind of light": "kinds of light", "body": "bodies"}


def counted(n: int, noun: str) -> str:
    """The number and the noun, singular or plural: 1 frame, 2 frames."""
    return f"{n} {noun if n == 1 else _PLURALS.get(noun, noun + 's')}"


def local_time(utc: str) -> str:
    """A moment given in ISO 8601 as date and time of day where this computer is; empty where it is not known."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return ""
