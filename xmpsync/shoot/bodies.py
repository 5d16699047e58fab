"""Which camera body a frame comes from where its file has no serial number: named by `--body`, or found by folders.

Two bodies of one model without serial numbers would count as one, and with them their clocks. A folder alone proves
nothing, since one body fills several cards and people sort frames into folders. Its file numbers do: a camera counts
on, so that frames of one body in the order of time have rising numbers, whichever folders they lie in. Where each
folder's own numbers rise with time and those of both together jump back and forth, two bodies took them.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from xmpsync.errors import WrongOptions, WrongUsage
from xmpsync.measurement import FrameMeasurement
from xmpsync.records import Capture
from xmpsync.shoot.phrases import counted
from xmpsync.shoot.pointers import matches
from xmpsync.shoot.wishes import BodyName

_NUMBER = re.compile(r"(\d+)\D*$")


@dataclass(frozen=True, slots=True)
class BodySettings:
    """When folders count as bodies."""

    fewest_frames: int = 5
    """With a time and a number, in each of two folders."""
    rising_share: float = 0.95
    """Of the steps inside a folder: below it the numbers are not a camera's count."""
    fewest_falls: int = 3
    """Steps from folder to folder at which the number falls. One fall is a counter that was reset or began again at
    0001; two bodies whose frames alternate have one at every second change of folders."""
    falling_share: float = 0.25
    """Of the steps from folder to folder."""


SETTINGS = BodySettings()


def with_bodies(
    measured: Mapping[str, FrameMeasurement], names: Sequence[BodyName], settings: BodySettings = SETTINGS
) -> tuple[dict[str, FrameMeasurement], tuple[str, ...]]:
    """The measurements with a name in place of each missing serial number, as far as one is known; and notes.

    Raises WrongOptions for names that contradict each other and for patterns that would have no effect.
    """
    given = _given(measured, names)
    notes: list[str] = []
    cameras: dict[tuple[str, str], list[str]] = {}
    for frame_id, measurement in measured.items():
        if measurement.capture.serial is None and frame_id not in given:
            cameras.setdefault((measurement.capture.make, measurement.capture.model), []).append(frame_id)
    for frame_ids in cameras.values():
        folders = _bodies_by_folder({f: measured[f].capture for f in frame_ids}, settings)
        if len(folders) < 2:
            continue
        for name, members in folders.items():
            given |= dict.fromkeys(members, name)
        listed = ", ".join(f"{name} ({counted(len(members), 'frame')})" for name, members in folders.items())
        notes.append(
            f"{measured[frame_ids[0]].capture.body}: the files hold no serial number, and their numbers run on"
            f" separately in {listed}: taken as {len(folders)} bodies. Name them with --body 'FOLDER/*=NAME'."
        )
    found = {
        frame_id: replace(m, capture=replace(m.capture, serial=given[frame_id])) if frame_id in given else m
        for frame_id, m in measured.items()
    }
    return found, tuple(notes)


def _given(measured: Mapping[str, FrameMeasurement], names: Sequence[BodyName]) -> dict[str, str]:
    """The names that `--body` gives, by frame. A serial number in the file wins."""
    wrong = []
    found: dict[str, str] = {}
    told = set()
    for each in names:
        hit = [frame_id for frame_id in measured if matches(frame_id, (each.pattern,))]
        free = [frame_id for frame_id in hit if measured[frame_id].capture.serial is None]
        if hit and not free:
            wrong.append(
                WrongUsage(
                    f"--body {each.text!r} has no effect: these files hold serial numbers.",
                    next_step="Leave it out.",
                )
            )
        for frame_id in free:
            if found.setdefault(frame_id, each.name) != each.name and each.text not in told:
                told.add(each.text)
                wrong.append(
                    WrongUsage(
                        f"--body {each.text!r}: {frame_id} is {found[frame_id]!r} by another --body.",
                        next_step="Let each frame match one pattern.",
                    )
                )
    if wrong:
        raise WrongOptions(wrong)
    return found


def _bodies_by_folder(captures: Mapping[str, Capture], settings: BodySettings) -> dict[str, list[str]]:
    """Frames by body, each body named after the first of its folders; one body where nothing tells them apart."""
    folders: dict[str, list[str]] = {}
    for frame_id in sorted(captures):
        folders.setdefault(PurePosixPath(frame_id).parent.as_posix(), []).append(frame_id)
    bodies: list[list[str]] = []
    for folder in folders:
        for body in bodies:
            if not any(_apart(folders[folder], folders[other], captures, settings) for other in body):
                body.append(folder)
                break
        else:
            bodies.append([folder])
    names = {body[0]: [frame_id for folder in body for frame_id in folders[folder]] for body in bodies}
    return {"the main folder" if name == "." else name: members for name, members in names.items()}


def _apart(one: Sequence[str], other: Sequence[str], captures: Mapping[str, Capture], settings: BodySettings) -> bool:
    """Whether the frames of two folders are proved to come from two bodies."""
    series = [_series(frame_ids, captures) for frame_ids in (one, other)]
    if any(len(s) < settings.fewest_frames or _rising(s) < settings.rising_share for s in series):
        return False
    both = sorted((time_s, number, place) for place, s in enumerate(series) for time_s, number in s)
    changes = [(a, b) for a, b in itertools.pairwise(both) if a[2] != b[2]]
    falls = sum(b[1] < a[1] for a, b in changes)
    return falls >= settings.fewest_falls and falls >= settings.falling_share * len(changes)


def _series(frame_ids: Sequence[str], captures: Mapping[str, Capture]) -> list[tuple[float, int]]:
    """Time and file number of the frames that have both, in the order of time."""
    found = []
    for frame_id in frame_ids:
        number = _NUMBER.search(PurePosixPath(frame_id).stem)
        time_s = captures[frame_id].time_s
        if number is not None and time_s is not None:
            found.append((time_s, int(number[1])))
    return sorted(found)


def _rising(series: Sequence[tuple[float, int]]) -> float:
    """The share of steps at which the number rises."""
    steps = [b[1] > a[1] for a, b in itertools.pairwise(series)]
    return sum(steps) / len(steps) if steps else 0.0
