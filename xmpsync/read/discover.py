"""Which frames a shoot holds, and which sidecar belongs to which.

Rules: subfolders belong to the shoot; hidden folders and `.xmpsync` do not. A frame is a RAW file. A sidecar is
`NAME.xmp` (XMP Specification part 3: same name, extension xmp) or `NAME.EXT.xmp`, the extension in any case. A JPEG
beside a RAW is ignored. Where it is not clear whose a sidecar is, these frames are troubles and the others go on.
"""

from __future__ import annotations

import os
import stat
import unicodedata
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from xmpsync.errors import Refused, Trouble, WrongUsage
from xmpsync.read.limits import printable

STATE_FOLDER = ".xmpsync"

# Extensions of the RAW formats that LibRaw's list of cameras covers, and DNG. Compared without regard to case. TIFF is
# left out: a few old bodies used it for RAW, but nearly every `.tif` in a shoot is a finished picture.
RAW_EXTENSIONS = frozenset(
    """
    3fr ari arw bay cr2 cr3 crw cs1 dcr dcs dng erf fff gpr iiq k25 kdc mdc mef mos mrw nef nrw orf ori pef pxn
    qtk raf raw rdc rw1 rw2 rwl sr2 srf srw sti x3f
    """.split()  # noqa: SIM905
)
_SIDECAR_EXTENSION = "xmp"


@dataclass(frozen=True, slots=True)
class FrameFiles:
    """One frame: its RAW file, its sidecar if it has one, the sidecar that would be made for it, and its id.

    `frame_id` is the path relative to the shoot with `/`, the same on every system; bytes of a name that are not
    UTF-8 stay as surrogates (`limits.printable` shows them).
    """

    raw: Path
    sidecar: Path | None
    new_sidecar: Path
    frame_id: str


MOST_FOLDERS = 10_000
"""Folders that are looked at: a wedding has a few dozen, and a link to the root of a disk has no end."""


@dataclass(frozen=True, slots=True)
class Discovery:
    """All frames that can go on, and the troubles, each sorted by frame id."""

    frames: tuple[FrameFiles, ...]
    troubles: tuple[Trouble, ...] = ()


def discover(shoot: Path, *, own_state: Path | None = None) -> Discovery:
    """The frames of a shoot, in an order that depends on names alone.

    `own_state`: a state folder given by the user; the check for other shoots with state around or inside this one is
    left out then.

    Raises `WrongUsage` where the folder is missing, no folder, or cannot be listed; `Refused` where another shoot with
    state lies inside it or around it.
    """
    if not shoot.is_dir():
        what = "is a file, not a folder" if shoot.exists() else "does not exist"
        raise WrongUsage(f"{printable(shoot)} {what}.", next_step="Name the folder that holds the RAW files.")
    if own_state is None:
        _refuse_around(shoot)
    walk = _Walk(shoot, check_state=own_state is None)
    frames: list[FrameFiles] = []
    troubles: list[Trouble] = []
    for folder, names in walk.folders():
        found, wrong = _pair(shoot, folder, names)
        frames += found
        troubles += wrong
    troubles += walk.troubles
    return Discovery(
        tuple(sorted(frames, key=lambda f: _order(f.frame_id))),
        tuple(sorted(troubles, key=lambda p: _order(p.frame_id))),
    )


def is_raw_name(name: str) -> bool:
    """Whether a file name has the extension of a RAW format."""
    return not name.startswith(".") and PurePosixPath(name).suffix[1:].casefold() in RAW_EXTENSIONS


def _order(frame_id: str) -> bytes:
    return frame_id.encode("utf-8", "surrogateescape")


def _refuse_around(shoot: Path) -> None:
    for parent in shoot.resolve().parents:
        if (parent / STATE_FOLDER).is_dir():
            raise Refused(
                f"{printable(shoot)} lies inside {printable(parent)}, which is a shoot of its own"
                f" ({printable(parent / STATE_FOLDER)}).",
                next_step=f"Work on {printable(parent)} as a whole (--frames for a part of it), or give --state DIR.",
            )


class _Walk:
    """Folders of the shoot with their file names, each real folder once; trouble goes into `troubles`."""

    def __init__(self, shoot: Path, *, check_state: bool) -> None:
        self.shoot = shoot
        self.check_state = check_state
        self.troubles: list[Trouble] = []

    def folders(self) -> Iterator[tuple[Path, list[str]]]:
        seen: set[tuple[int, int]] = set()
        waiting = [self.shoot]
        n_looked_at = 0
        while waiting:
            folder = waiting.pop(0)
            n_looked_at += 1
            if n_looked_at > MOST_FOLDERS:
                raise Refused(
                    f"{printable(self.shoot)} holds more than {MOST_FOLDERS} folders, the last of them below "
                    f"{printable(folder.relative_to(self.shoot).parts[0])}.",
                    next_step="A link may lead out into the whole disk: take it away, or work on a folder inside.",
                )
            listed = self._list(folder, seen)
            if listed is None:
                continue
            files, folders = listed
            if self.check_state and folder != self.shoot and STATE_FOLDER in folders:
                raise Refused(
                    f"{printable(folder)} inside {printable(self.shoot)} is a shoot of its own"
                    f" ({printable(folder / STATE_FOLDER)}).",
                    next_step="Work on that folder alone, move it out of the way, or give --state DIR.",
                )
            waiting += [folder / name for name in folders if not name.startswith(".")]
            yield folder, files

    def _list(self, folder: Path, seen: set[tuple[int, int]]) -> tuple[list[str], list[str]] | None:
        try:
            status = folder.stat()
            key = (status.st_dev, status.st_ino)
            if key in seen:
                return None
            with os.scandir(folder) as entries:
                listed = sorted(entries, key=lambda entry: os.fsencode(entry.name))
            # file systems without inode numbers say 0 for every folder
            if status.st_ino:
                seen.add(key)
            files = [entry.name for entry in listed if not _is_folder(entry)]
            return files, [entry.name for entry in listed if _is_folder(entry)]
        except OSError as error:
            if folder == self.shoot:
                raise WrongUsage(
                    f"{printable(folder)} cannot be listed ({error.strerror}).", next_step="Check its permissions."
                ) from error
            relative = folder.relative_to(self.shoot).as_posix()
            self.troubles.append(
                Trouble(
                    relative,
                    f"The folder {printable(relative)} cannot be read ({error.strerror}); its frames are left out.",
                    "Check its permissions, then run the same command again.",
                )
            )
            return None


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a symbolic link that leads in circles
        return False


def _pair(shoot: Path, folder: Path, names: list[str]) -> tuple[list[FrameFiles], list[Trouble]]:
    """The frames of one folder with their sidecars."""
    prefix = folder.relative_to(shoot).as_posix()
    prefix = "" if prefix == "." else prefix + "/"
    raws = [name for name in names if is_raw_name(name)]
    sidecars: dict[str, list[str]] = defaultdict(list)
    for name in names:
        stem, dot, extension = name.rpartition(".")
        if dot and stem and not name.startswith(".") and extension.casefold() == _SIDECAR_EXTENSION:
            sidecars[_key(stem)].append(name)
    stems: dict[str, list[str]] = defaultdict(list)
    for name in raws:
        stems[_key(name.rpartition(".")[0])].append(name)
    frames, troubles = [], []
    for name in raws:
        stem = name.rpartition(".")[0]
        outcome = _one(folder, name, stem, stems[_key(stem)], sidecars)
        frame_id = prefix + name
        if isinstance(outcome, FrameFiles):
            frames.append(FrameFiles(outcome.raw, outcome.sidecar, outcome.new_sidecar, frame_id))
        else:
            what, next_step = outcome
            troubles.append(Trouble(frame_id, f"{printable(frame_id)}: {what}", next_step))
    return frames, troubles


def _one(
    folder: Path, name: str, stem: str, same_stem: list[str], sidecars: dict[str, list[str]]
) -> FrameFiles | tuple[str, str]:
    """One RAW file's sidecar, or why that is not clear."""
    if len(same_stem) > 1:
        others = ", ".join(printable(other) for other in same_stem if other != name)
        return (
            f"shares the sidecar name {printable(stem)}.xmp with {others}; it is not clear whose settings these are.",
            "Keep one of these RAW files here, or rename one (with its sidecar), then run the same command again.",
        )
    short = _own_case(stem, sidecars.get(_key(stem), []))
    long = _own_case(name, sidecars.get(_key(name), []))
    found = short + long
    if len(found) > 1:
        return (
            f"has {len(found)} sidecars, {' and '.join(printable(s) for s in found)}; it is not clear which counts.",
            "Move the one that your editor does not use out of the folder, then run the same command again.",
        )
    raw = folder / name
    problem = _unfit(raw)
    if problem is not None:
        return problem
    if found:
        problem = _unfit(folder / found[0])
        if problem is not None:
            return f"its sidecar {printable(found[0])} {problem[0]}", problem[1]
    new = folder / f"{stem}.xmp"
    if not found and os.path.lexists(new):
        return (
            f"there is a folder named {printable(new.name)} where its sidecar belongs.",
            "Rename that folder, then run the same command again.",
        )
    return FrameFiles(raw, folder / found[0] if found else None, new, "")


def _key(name: str) -> str:
    """How names are compared: file systems differ in case and in composed letters, a shoot moves between them."""
    return unicodedata.normalize("NFC", name).casefold()


def _own_case(stem: str, candidates: list[str]) -> list[str]:
    """Sidecars of a stem. On a file system that tells cases apart, `a.xmp` is not the sidecar of `A.nef` if the
    name in its own case is there too; otherwise every spelling counts."""
    exact = [name for name in candidates if name.rpartition(".")[0] == stem]
    return exact or candidates


def _unfit(path: Path) -> tuple[str, str] | None:
    """Why a path is no regular file."""
    try:
        status = path.stat()
    except OSError as error:
        return f"cannot be read ({error.strerror}).", "Check the file or the link, then run the same command again."
    if not stat.S_ISREG(status.st_mode):
        return "is no regular file.", "Move it out of the shoot."
    return None
