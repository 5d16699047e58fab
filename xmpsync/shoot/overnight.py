"""The use-case `measure`: the slow part alone, and what is kept about faces."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from xmpsync.disk.files import RealFileSystem
from xmpsync.errors import LeftAlone, Trouble
from xmpsync.events import Listener
from xmpsync.measuring.frames import STORE_NAME, Measured
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.shoot.load import Loaded
from xmpsync.shoot.scales import Scales
from xmpsync.shoot.session import gather
from xmpsync.shoot.state import state_folder
from xmpsync.store.database import Store
from xmpsync.store.opening import set_aside


@dataclass(frozen=True, slots=True)
class MeasuredShoot:
    """What a measuring run found."""

    loaded: Loaded
    measured: Measured
    scales: Scales

    @property
    def troubles(self) -> tuple[Trouble, ...]:
        return (*self.loaded.troubles, *self.measured.troubles)

    @property
    def left_out(self) -> tuple[LeftAlone, ...]:
        return self.loaded.left_out


def measure_only(
    root: Path, options: Options, machine: Machine, listener: Listener, save_scale: Path | None
) -> MeasuredShoot:
    """Measure every frame into the store; optionally save the editor's scale for other shoots."""
    loaded, measured, scales = gather(root, options, machine, listener)
    if save_scale is not None:
        scales.save(save_scale)
    return MeasuredShoot(loaded, measured, scales)


@dataclass(frozen=True, slots=True)
class Forgotten:
    """How many measurements held identity numbers that are deleted now, and the set-aside stores that are."""

    n_measurements: int
    files: tuple[str, ...]


def forget_identities(root: Path, machine: Machine) -> Forgotten:
    """Delete the identity numbers of all faces from the shoot's store, and stores that were set aside whole."""
    path = state_folder(root, machine) / STORE_NAME
    if RealFileSystem.around(path.parent).stat(path) is None and not set_aside(path):
        return Forgotten(0, ())
    with Store(path) as store:  # which sets a file in doubt aside first
        return Forgotten(store.forget_identities(), store.delete_set_aside())
