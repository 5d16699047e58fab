"""The steps made on the page, kept in the state folder so that a crash loses none.

A step is the whole of what is in force after it: the options as the command line gives them, and the answers about
people. Undoing one is going back to the step before.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from xmpsync.disk.files import RealFileSystem
from xmpsync.errors import Refused
from xmpsync.plan.options import Options
from xmpsync.shoot.names_given import Answer

CHOICES_NAME = "review.json"
MAX_BYTES = 4 * 2**20
"""Bytes of kept steps that are written and read; the oldest steps go when there are more."""
MAX_STEPS = 200
"""Steps that can be undone."""


@dataclass(frozen=True, slots=True)
class Step:
    """What is in force after one choice."""

    options: Options
    answers: tuple[Answer, ...]


class _KeptStep(msgspec.Struct):
    options: dict[str, Any]
    answers: tuple[Answer, ...]


class _Kept(msgspec.Struct):
    steps: list[_KeptStep]
    at: int
    schema: int = 2


def read_steps(state: Path) -> tuple[list[Step], int] | None:
    """The kept steps and which of them is in force; None where none are kept.

    What would write more than sidecars' own fields is left out: it counts only when asked for now.

    Raises Refused where the file is not what we write.
    """
    fs, path = RealFileSystem.around(state), state / CHOICES_NAME
    stat = fs.stat(path)
    if stat is None:
        return None
    try:
        if not stat.is_regular or stat.size > MAX_BYTES:
            raise ValueError("it is not a plain file of ours")
        kept = msgspec.json.decode(fs.read(path, 0, MAX_BYTES), type=_Kept)
        if kept.schema != 2 or not 0 <= kept.at < len(kept.steps):
            raise ValueError("its steps do not fit together")
    except (OSError, ValueError, msgspec.DecodeError) as error:
        raise Refused(
            f"The choices kept in {path} cannot be used: {error}.",
            next_step="Move the file away, or look what it is.",
        ) from error
    return [Step(Options.from_manifest(step.options).narrowed(), step.answers) for step in kept.steps], kept.at


def keep_steps(state: Path, steps: Sequence[Step], at: int) -> None:
    """Replace the kept steps, as a whole file. The step in force is always kept, older ones as far as there is room."""
    fs, path = RealFileSystem.around(state), state / CHOICES_NAME
    kept = [msgspec.json.encode(_KeptStep(step.options.to_manifest(), step.answers)) for step in steps]
    first = 0
    while first < at and sum(map(len, kept[first:])) + len(kept) - first > MAX_BYTES - 1000:
        first += 1
    data = msgspec.json.encode(_Kept([], at - first)).replace(
        b'"steps":[]', b'"steps":[' + b",".join(kept[first:]) + b"]"
    )
    temporary = path.with_name(f"{CHOICES_NAME}.{secrets.token_hex(4)}.new")
    with fs.create(temporary) as file:
        file.write(data)
        file.sync()
    fs.replace(temporary, path)
    fs.sync_dir(state)


def carried(now: Sequence[Answer], old: Sequence[Answer], new: Sequence[Answer]) -> tuple[Answer, ...]:
    """The answers `now` after what led from `old` to `new`: somebody else's answers in between stay."""
    gone = [answer for answer in old if answer not in new]
    rest = [answer for answer in now if answer not in gone]
    return (*rest, *(answer for answer in new if answer not in old and answer not in rest))
