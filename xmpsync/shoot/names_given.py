"""What the photographer said about faces: this face is that person. Kept in the state folder, listed, removable.

The faces are anchored by frame and place, so that an answer outlives labels, which a solve gives anew each time.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from xmpsync.disk.files import RealFileSystem, make_dirs
from xmpsync.errors import DiskNeedsAttention
from xmpsync.faces.matching import MatchSettings, marked_face
from xmpsync.measurement import Face
from xmpsync.write.lock import held

ANSWERS_NAME = "people.json"
MAX_BYTES = 4 * 2**20
"""An answer takes about 100 bytes: a file beyond this was not made by hand on a command line."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The face at `x`, `y` (fractions of the upright picture) of a frame is `name`."""

    frame_id: str
    x: float
    y: float
    name: str


@dataclass(frozen=True, slots=True)
class _Document:
    schema: int = 1
    answers: tuple[Answer, ...] = ()


def read_answers(state: Path) -> tuple[Answer, ...]:
    """The answers kept for a shoot.

    Raises DiskNeedsAttention when the file is not what we write.
    """
    fs, path = RealFileSystem.around(state), state / ANSWERS_NAME
    try:
        stat = fs.stat(path)
        if stat is None:
            return ()
        if not stat.is_regular or stat.size > MAX_BYTES:
            raise ValueError("not a plain file of ours")
        document = msgspec.json.decode(fs.read(path, 0, MAX_BYTES), type=_Document)
        if document.schema != 1:
            raise ValueError(f"schema {document.schema} is of another version")
    except (OSError, ValueError, msgspec.DecodeError) as error:
        raise DiskNeedsAttention(
            f"The names given to people in {path} cannot be read: {error}.",
            next_step="Move the file and name the people again.",
        ) from error
    return document.answers


def write_answers(state: Path, answers: Sequence[Answer]) -> None:
    """Keep these answers and no others; without any the file goes."""
    fs, path = RealFileSystem.around(state), state / ANSWERS_NAME
    try:
        if not answers:
            if fs.stat(path) is not None:
                fs.remove(path)
            return
        make_dirs(fs, state)
        beside = path.with_name(f"{ANSWERS_NAME}.{secrets.token_hex(4)}.new")
        with fs.create(beside) as file:
            file.write(msgspec.json.format(msgspec.json.encode(_Document(1, tuple(answers))), indent=1))
            file.sync()
        fs.replace(beside, path)
        fs.sync_dir(state)
    except OSError as error:
        raise DiskNeedsAttention(
            f"The names cannot be kept in {path}: {error.strerror}.", next_step="Keep state elsewhere: --state DIR"
        ) from error


def change_answers(state: Path, change: Callable[[tuple[Answer, ...]], Sequence[Answer]]) -> None:
    """Replace the answers by what `change` makes of them, under the lock that every writing command takes.

    They are read again once the lock is held, so that two commands at the same time lose no answer. Refused while a run
    is at work; what `change` raises leaves everything as it was.
    """
    with held(state, RealFileSystem.around(state), make=True):
        write_answers(state, change(read_answers(state)))


def face_at(faces: Sequence[Face], x: float, y: float) -> Face | None:
    """The face or patch that is meant by a place: the smallest box that holds it, else the face that a mark there picks
    when the frame is measured (the nearest whose box reaches that far)."""
    hit = [face for face in faces if face.box.contains(x, y)]
    if hit:
        return min(hit, key=lambda face: face.box.width * face.box.height)
    found = [face for face in faces if not face.by_hand]
    near = marked_face(x, y, [face.box for face in found], MatchSettings())
    return found[near] if near is not None else None
