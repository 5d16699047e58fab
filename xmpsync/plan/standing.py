"""Where a frame stands now: the table of the contract, in one pure function."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring.source import SourceFrame
from xmpsync.records import Develop
from xmpsync.xmp.fields import ROWS, Field
from xmpsync.xmp.settings import DevelopSettings

AS_SHOT = "As Shot"


@dataclass(frozen=True, slots=True)
class Standing:
    """One frame on its way through: its files, measurement, profile, and where it stands."""

    source: SourceFrame
    measurement: FrameMeasurement
    settings: DevelopSettings | None
    baseline: Baseline
    profile: CameraProfile
    as_shot: Develop

    @property
    def frame_id(self) -> str:
        return self.source.frame_id


def _as_read(field: Field) -> Meta:
    return Meta(ge=ROWS[field].read_lowest, le=ROWS[field].read_highest)


Kelvin = Annotated[float, _as_read(Field.TEMPERATURE)]
Tint = Annotated[float, _as_read(Field.TINT)]


@dataclass(frozen=True, slots=True)
class Baseline:
    """The numbers that the metadata holds, in the editor's scale; temperature and tint None = the as-shot white.

    `known` is False where the metadata names a white balance without (all of) its numbers: such a frame cannot be a
    reference. `custom`: a person set numbers of their own. `pair` holds the editor's numbers for the as-shot white
    where the sidecar has them. The ranges are those in which a sidecar's numbers are read; a run's manifest is held
    against them.
    """

    temperature_k: Kelvin | None = None
    tint: Tint | None = None
    exposure_ev: Annotated[float, _as_read(Field.EXPOSURE2012)] = 0.0
    known: bool = True
    custom: bool = False
    pair: tuple[Kelvin, Tint] | None = None
    note: str | None = None

    def over(self, as_shot: Develop) -> Develop:
        """What the frame is rendered with: these numbers, or the as-shot white."""
        if self.temperature_k is None or self.tint is None:
            return replace(as_shot, exposure_ev=self.exposure_ev, as_shot=True)
        return Develop(self.temperature_k, self.tint, self.exposure_ev)


def baseline(settings: DevelopSettings | None, ours: object) -> Baseline:
    """Decide where a frame stands.

    Parameters
    ----------
    settings
        Of the sidecar, or of the packet in the RAW where there is no sidecar.
    ours
        The original baseline from the manifest, when the sidecar's bytes are exactly what a run of ours wrote; else
        None.
    """
    if ours is not None:
        kept = from_note(ours)
        return kept or replace(baseline(settings, None), note="The run's record of where it stood before is invalid.")
    if settings is None:
        return Baseline()
    exposure_ev = settings.exposure_ev or 0.0
    numbers = settings.temperature_k, settings.tint
    given = [n for n in numbers if n is not None]
    white = settings.white_balance
    if white == AS_SHOT or (white is None and not given):
        pair = (numbers[0], numbers[1]) if numbers[0] is not None and numbers[1] is not None else None
        return Baseline(exposure_ev=exposure_ev, pair=pair if white == AS_SHOT else None)
    if numbers[0] is not None and numbers[1] is not None:
        return Baseline(numbers[0], numbers[1], exposure_ev, custom=True)
    what = f"white balance {white!r}" if white else "the white balance"
    missing = "without numbers" if not given else "with only one of its two numbers"
    return Baseline(
        exposure_ev=exposure_ev,
        known=False,
        note=f"The metadata holds {what} {missing}: taken as shot, and not usable as a reference.",
    )


def to_note(value: Baseline) -> dict[str, Any]:
    """As JSON values for a run's manifest."""
    plain: dict[str, Any] = msgspec.to_builtins(value)
    del plain["note"]
    return plain


def from_note(note: object) -> Baseline | None:
    """Back from a run's manifest, which may be anybody's; None where it is not a baseline."""
    try:
        return replace(msgspec.convert(note, type=Baseline), note=None)
    except msgspec.ValidationError:
        return None
