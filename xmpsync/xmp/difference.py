"""What an edit changes, as a text that a person can read."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from xmpsync.errors import SidecarMalformed
from xmpsync.xmp.encoding import decode

_LINE_END = re.compile(r"\r\n|\r|\n")
_LONG_LINE_BREAK = re.compile(r"(?<=>)(?=<)|\s+(?=[^\s=<>\"']+=[\"'])")


@dataclass(frozen=True, slots=True)
class DifferenceSettings:
    """How the difference is shown."""

    longest_line: int = 120
    """Characters. Longer lines (packets without line ends) are shown broken at tags and attributes."""
    context: int = 2
    """Unchanged lines shown around a change."""


SETTINGS = DifferenceSettings()


def unified_diff(before: bytes | None, after: bytes, name: str, settings: DifferenceSettings = SETTINGS) -> str:
    """A unified difference of two packets, in any encoding, ending in a line end; empty where they read the same.

    `before` None: the sidecar is new. White space lines (padding) are counted instead of shown. Lines too long to read
    are shown broken. Both are for the eye; the bytes written are not touched by it.
    """
    old = [] if before is None else _lines(before, settings)
    new = _lines(after, settings)
    difference = difflib.unified_diff(
        old,
        new,
        "/dev/null" if before is None else name,
        name,
        lineterm="",
        n=settings.context,
    )
    return "".join(line + "\n" for line in difference)


def _lines(data: bytes, settings: DifferenceSettings) -> list[str]:
    lines: list[str] = []
    blank = 0
    for line in _LINE_END.split(_text(data)):
        if not line.strip():
            blank += len(line) + 1
            continue
        if blank > settings.longest_line:
            lines.append(f"  ({blank} characters of padding)")
        blank = 0
        if len(line) <= settings.longest_line:
            lines.append(line.rstrip())
        else:
            lines += [part.rstrip() for part in _LONG_LINE_BREAK.split(line) if part.strip()]
    return lines


def _text(data: bytes) -> str:
    try:
        return decode(data).utf8.decode("utf-8")
    except SidecarMalformed:
        return data.decode("utf-8", "backslashreplace")
