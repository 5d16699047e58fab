"""Errors that a person reads: each says what happened, whether anything was written, and what to do next.

Expected trouble inside a stage (no face, clipped skin, ...) is a value, not an exception; what is raised here
either ends one frame (`FrameError`) or the whole command (everything else).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

NOTHING_WRITTEN = "Nothing was written."


@dataclass(frozen=True, slots=True)
class Trouble:
    """A frame that could not be found, read, measured, solved or written, as a value: counts as a failure (exit 1)."""

    frame_id: str
    what: str
    next_step: str = ""

    @property
    def sentence(self) -> str:
        return f"{self.what} {self.next_step}".strip()


@dataclass(frozen=True, slots=True)
class LeftAlone:
    """A frame or file (relative to SHOOT) that was not worked on or not written, and why."""

    name: str
    reason: str


class XmpsyncError(Exception):
    """Base of all errors that are shown without a traceback.

    Parameters
    ----------
    what
        What happened, naming the file. One sentence.
    next_step
        What the reader can type or do now.
    written
        Whether anything was written, and where.
    """

    exit_code = 1

    def __init__(self, what: str, *, next_step: str = "", written: str = NOTHING_WRITTEN) -> None:
        super().__init__(what)
        self.what = what
        self.next_step = next_step
        self.written = written

    def __str__(self) -> str:
        return " ".join(part for part in (self.what, self.written, self.next_step) if part)


class WrongUsage(XmpsyncError):
    """The command line, or what it points at, is invalid (exit 2)."""

    exit_code = 2


class WrongOptions(WrongUsage):
    """Several options are invalid; `each` has its own sentence and next step, and all of them are shown (exit 2)."""

    def __init__(self, each: Sequence[WrongUsage]) -> None:
        what, steps = (dict.fromkeys(getattr(one, part) for one in each) for part in ("what", "next_step"))
        super().__init__(" ".join(what), next_step=" ".join(steps))
        self.each = tuple(each)


class NoReference(WrongUsage):
    """No reference is given, and none is remembered: what would make a good one can be shown (exit 2)."""


class Refused(XmpsyncError):
    """Refused for safety, nothing written (exit 3)."""

    exit_code = 3


class DiskNeedsAttention(XmpsyncError):
    """The disk holds something a person must look at; the message names it (exit 4)."""

    exit_code = 4


class OwnCheckFailed(XmpsyncError):
    """A result did not pass our own check: a bug of ours, nothing was written (exit 70)."""

    exit_code = 70


class FrameError(XmpsyncError):
    """One frame cannot be read, solved or written; the others go on (exit 1 at the end)."""


class RawUnreadable(FrameError):
    """The RAW file is missing, truncated, corrupt, or in a format that cannot be decoded here."""


class SidecarMalformed(FrameError):
    """The packet is not well-formed, not XMP, or ambiguous; never repaired.

    `line` and `column` count from 1; None where the trouble has no place (an empty file, a wrong encoding).
    """

    def __init__(
        self,
        what: str,
        *,
        line: int | None = None,
        column: int | None = None,
        next_step: str = "",
        written: str = NOTHING_WRITTEN,
    ) -> None:
        place = "" if line is None else f" (line {line}, column {column})"
        super().__init__(what + place, next_step=next_step, written=written)
        self.line = line
        self.column = column
