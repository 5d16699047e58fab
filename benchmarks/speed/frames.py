"""What measuring a frame costs beside LibRaw's bare unpack, a bare look for faces and a naive script.

One scene with a portrait (scikit-image's astronaut, public domain), and one with a still life in its place (its
coffee), are written in the containers that cameras use. In one process and one thread each, CPU seconds of the best of
`repeat` rounds, the ways taking turns:

    unpack   LibRaw opens and unpacks, nothing else: the bare loop
    look     the embedded preview decoded and the same detector on it, once: what finding faces costs at least
    naive    LibRaw's half-size render, the same detector on it, no skin, no store
    measure  what a worker does with a frame

and the overview from the preview beside the one from all photosites: faces found, and how far the scene's level and
colour differ. Peak memory is that of a new process that measures one frame, as a worker does.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")  # as in a worker; before LibRaw is loaded

import numpy as np
import numpy.typing as npt
import rawpy
import skimage.data
from PIL import Image

from benchmarks.speed.stages import stages
from demo_shoot.dng import DngExif, DngProfile, mosaic_from_rgb, write_dng
from xmpsync.faces.detector import Detector
from xmpsync.measurement import FrameMeasurement
from xmpsync.measuring import worker
from xmpsync.read.picture import preview, resize

KINDS: dict[str, dict[str, object]] = {
    "lossless, one stream": {},
    "lossless, tiles of 256": {"tile": 256},
    "16 bit, one strip": {"compress": False},
}


def make(folder: Path, megapixels: float, subject: npt.NDArray[np.uint8]) -> dict[str, Path]:
    """One frame with a square picture in it, in every container."""
    folder.mkdir(parents=True)
    height = int((megapixels * 1e6 / 1.5) ** 0.5) // 64 * 64
    width = height * 3 // 2
    rng = np.random.default_rng(1)
    coarse = (np.clip(rng.normal(110, 40, (24, 36, 3)), 0, 255)).astype(np.uint8)
    room = Image.fromarray(coarse).resize((width // 4, height // 4), Image.Resampling.BICUBIC)
    side = height // 6
    room.paste(Image.fromarray(np.ascontiguousarray(subject)).resize((side, side)), (width // 12, height // 24))
    shown = np.asarray(room)
    linear = np.asarray(room.resize((width, height), Image.Resampling.BILINEAR), dtype=np.float32)
    linear = (linear / 255) ** 2.2 * (0.5, 1.0, 0.6)
    mosaic = mosaic_from_rgb(linear) * 12000
    mosaic = np.clip(mosaic + rng.normal(0, 1, mosaic.shape) * np.sqrt(mosaic + 9) + 512, 0, 16383).astype(np.uint16)
    profile = DngProfile(color_matrix_1=np.eye(3).tolist(), as_shot_neutral=(0.5, 1.0, 0.6))
    paths = {}
    for number, (name, how) in enumerate(KINDS.items()):
        paths[name] = folder / f"{number}.dng"
        write_dng(
            paths[name], mosaic, profile=profile, exif=DngExif(exposure_s=0.01, iso=400), black=512, preview_rgb=shown,
            **how,  # type: ignore[arg-type]
        )  # fmt: skip
    return paths


def unpack(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.unpack()


def look(path: Path, detector: Detector) -> None:
    shown = preview(path, worker.SETTINGS.detection_side_px)
    assert shown is not None
    detector.look(shown)


def peak_mb(path: Path) -> float:
    """Largest resident memory of a process that measures one frame, in MB."""
    program = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from xmpsync.read.limits import prepare_worker\n"
        "from xmpsync.measuring.worker import MeasureJob, measure_frame\n"
        "prepare_worker()\n"
        "measure_frame(MeasureJob('f', sys.argv[1], None, (), True))\n"
        "status = Path('/proc/self/status')\n"  # Linux: ru_maxrss starts with the parent's
        "lines = status.read_text().splitlines() if status.exists() else []\n"
        "kb = [int(line.split()[1]) for line in lines if line.startswith('VmHWM')]\n"
        "peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "print(kb[0] * 1024 if kb else peak * (1 if sys.platform == 'darwin' else 1024))\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    return int(done.stdout) / 1e6


def naive(path: Path, detector: Detector) -> None:
    with rawpy.imread(str(path)) as raw:
        picture = raw.postprocess(half_size=True, use_camera_wb=True, output_bps=8)
    detector.find(resize(picture, 1024))


def measured(path: Path) -> FrameMeasurement:
    found = worker.measure_frame(worker.MeasureJob("f", str(path), None, (), False))
    assert isinstance(found, FrameMeasurement), found
    return found


def rounds(ways: dict[str, Callable[[], object]], repeat: int) -> dict[str, float]:
    """The least CPU seconds of each way; the first round, which loads models, does not count."""
    best = dict.fromkeys(ways, np.inf)
    for k in range(repeat + 1):
        for name, way in ways.items():
            start = time.process_time()
            way()
            best[name] = min(best[name], time.process_time() - start) if k else np.inf
    return best


@dataclass(frozen=True, slots=True)
class Container:
    """One container: CPU seconds by way, and by stage of `measure`; peak MB; the same ways without people."""

    cpu_s: dict[str, float]
    stages_s: dict[str, float]
    peak_mb: float
    n_faces: int
    empty_cpu_s: dict[str, float]

    @property
    def ratios(self) -> dict[str, float]:
        s, empty = self.cpu_s, self.empty_cpu_s
        return {
            "measure / unpack": s["measure"] / s["unpack"],
            "measure / look": s["measure"] / s["look"],
            "naive / measure": s["naive"] / s["measure"],
            "nobody / unpack": empty["measure"] / empty["unpack"],
        }


def compare(folder: Path, megapixels: float, repeat: int) -> tuple[dict[str, Container], str]:
    """Every container, and what the preview's overview changes, in words."""
    detector = Detector(1)
    paths = make(folder / "face", megapixels, skimage.data.astronaut())
    nobody = make(folder / "empty", megapixels, skimage.data.coffee()[:400, :400])
    found, results = {}, {}
    for name, path in paths.items():
        spent = rounds(_ways(path, detector), repeat)
        ways = _ways(nobody[name], detector)
        without = rounds({way: ways[way] for way in ("unpack", "measure")}, repeat)
        with stages() as by_stage:
            results[name] = measured(path)
        found[name] = Container(spent, dict(by_stage), peak_mb(path), len(results[name].faces), without)
    return found, preview_words(results["lossless, one stream"], results["lossless, tiles of 256"])


def _ways(path: Path, detector: Detector) -> dict[str, Callable[[], object]]:
    return {
        "unpack": lambda: unpack(path),
        "look": lambda: look(path, detector),
        "naive": lambda: naive(path, detector),
        "measure": lambda: measured(path),
    }


def preview_words(whole: FrameMeasurement, tiles: FrameMeasurement) -> str:
    """How far the scene and the faces of the preview's overview lie from those of all photosites."""
    greens = np.array([tiles.scene.green_percentiles, whole.scene.green_percentiles])
    # below a thousandth of white there is noise in one and the preview's black in the other
    level = np.log2(np.divide(*np.maximum(greens, 1e-3)))
    colour = np.array(tiles.scene.log_mean_camera) - np.array(whole.scene.log_mean_camera)
    lines = [
        f"scene from the preview against all photosites: level {np.abs(level).max():.3f} EV at most over its "
        f"percentiles, colour {np.ptp(colour) / np.log(2):.3f} EV between channels"
    ]
    for a, b in zip(whole.faces, tiles.faces, strict=False):
        shift = np.hypot(*(np.array(a.box.centre) - b.box.centre)) / a.box.height
        skins = [f.skin.camera if f.skin else (np.nan,) * 3 for f in (a, b)]
        apart = np.abs(np.log2(np.array(skins[1]) / skins[0])).max()
        lines.append(f"face {a.face_id}: centre moved by {shift:.1%} of its height, skin by {apart:.3f} EV")
    return "\n".join(lines)


def table(found: dict[str, Container]) -> str:
    """Ratios by container, then CPU milliseconds by stage."""
    lines = [
        "| container | unpack, s | measure / unpack | measure / look | naive / measure"
        " | without people: measure / unpack | peak, MB | faces |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, one in found.items():
        shown = " | ".join(f"{ratio:.2f}" for ratio in one.ratios.values())
        lines.append(f"| {name} | {one.cpu_s['unpack']:.3f} | {shown} | {one.peak_mb:.0f} | {one.n_faces} |")
    lines += [
        "",
        "| stage of one measurement, ms of CPU | " + " | ".join(found) + " |",
        "|---" * (len(found) + 1) + "|",
    ]
    names = {stage for one in found.values() for stage in one.stages_s}
    largest = {stage: max(one.stages_s.get(stage, 0.0) for one in found.values()) for stage in names}
    for stage in sorted(largest, key=lambda name: -largest[name]):
        cells = " | ".join(f"{1e3 * one.stages_s.get(stage, 0.0):.0f}" for one in found.values())
        lines.append(f"| {stage} | {cells} |")
    return "\n".join(lines)
