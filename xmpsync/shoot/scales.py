"""Which profile each camera has in this shoot, and how its numbers read in the editor."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from xmpsync.colour.profile import CameraProfile
from xmpsync.shoot.events import Listener
from xmpsync.shoot.load import Loaded
from xmpsync.shoot.options import Options
from xmpsync.store.database import Store
from xmpsync.store.measurement import FrameMeasurement


class Scales:
    """Profiles and scales by camera model."""

    def profile_for(self, measurement: FrameMeasurement) -> CameraProfile:
        """The profile that frames of this camera are rendered and solved with."""
        return measurement.profile

    def into_profile(self, measurement: FrameMeasurement, temperature_k: float, tint: float) -> tuple[float, float]:
        """The editor's numbers as temperature and tint of our profile."""
        return temperature_k, tint

    def into_editor(self, measurement: FrameMeasurement, temperature_k: float, tint: float) -> tuple[float, float]:
        """Temperature and tint of our profile as the editor's numbers, rounded to what a sidecar holds."""
        return float(round(temperature_k)), float(round(tint))

    def sentences(self) -> list[str]:
        """A sentence for each camera: where its colour comes from."""
        return []

    def save(self, path: Path) -> None:
        """Write the learned scales as a small file for other shoots."""


def learn_scales(
    loaded: Loaded,
    measured: Mapping[str, FrameMeasurement],
    options: Options,
    store: Store,
    listener: Listener,
) -> Scales:
    return Scales()
