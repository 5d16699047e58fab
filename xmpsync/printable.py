"""The one way by which text from outside (file names, persons' names, a manifest's words) reaches a terminal."""

from __future__ import annotations

import unicodedata

_JOINERS = "\u200c\u200d"
"""Format characters that spelling needs (Unicode 15, chapter 23.2): shown as they are, they move no cursor."""


def printable(text: object) -> str:
    """One line in which nothing acts: control and format characters (directions among them), line ends and bytes that
    are not valid Unicode stand as `\\\\xNN` or `\\\\uNNNN`. Letters, marks and spaces of every script stay."""
    line = str(text)
    if line.isascii() and line.isprintable():
        return line
    return "".join(_shown(letter) for letter in line)


def printable_lines(text: str) -> str:
    """The same for text of several lines: line feeds and tabs stay."""
    return "\n".join("\t".join(printable(part) for part in line.split("\t")) for line in text.split("\n"))


def _shown(letter: str) -> str:
    kind = unicodedata.category(letter)
    if "\udc80" <= letter <= "\udcff":  # a byte that is not UTF-8 (PEP 383)
        return f"\\x{ord(letter) - 0xDC00:02x}"
    if kind in ("Cc", "Cs", "Cn", "Co", "Zl", "Zp") or (kind == "Cf" and letter not in _JOINERS):
        return letter.encode("unicode_escape", "backslashreplace").decode("ascii")
    return letter
