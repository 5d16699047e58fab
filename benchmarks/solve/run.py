"""One world, one seed: the shoot, its ways, their scores. What a worker process does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from benchmarks.skin.cameras import Camera
from benchmarks.skin.spectra import SkinSpectrum
from benchmarks.solve.request import request_of
from benchmarks.solve.score import Rows, score
from benchmarks.solve.shoot import shoot_of
from benchmarks.solve.skins import bodies, skin_spectra
from benchmarks.solve.ways import ways
from benchmarks.solve.world import WORLDS


@dataclass(frozen=True, slots=True)
class Task:
    """What to run."""

    world: str
    seed: int
    ways: tuple[str, ...]
    sensitivities: Path | None = None
    model_skin: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """The scores by way."""

    task: Task
    frames: int
    faces: int
    rows: dict[str, Rows]


def run(task: Task) -> Done:
    """Scores of all ways on one shoot."""
    shoot = shoot_of(WORLDS[task.world], task.seed, _bodies(task.sensitivities), _skins(task.model_skin))
    found = ways(shoot, request_of(shoot, task.seed), task.ways)
    return Done(task, shoot.n_frames, len(shoot.faces.person), {name: score(shoot, way) for name, way in found.items()})


@lru_cache(maxsize=1)
def _bodies(sensitivities: Path | None) -> list[Camera]:
    return bodies(sensitivities)


@lru_cache(maxsize=1)
def _skins(model: bool) -> list[SkinSpectrum]:
    return skin_spectra(model)
