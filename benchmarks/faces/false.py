"""False faces in pictures without people, before and after the skin check: `python -m benchmarks.faces.false`.

`--frames N` (default 60): scikit-image's pictures, crops of them and invented scenes, under lights, levels and noise
as in the bench of recall. `--pictures FOLDER`: every picture in it as well, as an embedded preview would show it; meant
for the photographs that Debian's packages tuxpaint-stamps-default (animals, food, houses, toys: GPL-2),
mate-backgrounds, gnome-backgrounds and ukui-wallpapers carry (unpack them with `dpkg-deb -x`); `--every K` takes each
K-th. Cartoons, signs and letters are left out by the folder's name.

A face whose skin is measured could move a frame if the looks were sure of it; one without skin, or a doubtful one that
is like nobody (`xmpsync.solve.doubtful`), moves none.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from PIL import Image

from benchmarks.faces.cases import LANDSCAPE, _shot
from benchmarks.faces.nobody import frames as empty_frames
from benchmarks.faces.scenes import frame
from xmpsync.faces.balance import LINEAR_FROM_SRGB
from xmpsync.faces.finder import FaceFinder, make_finder
from xmpsync.records import Box, Vec3
from xmpsync.skin.measure import measure_face
from xmpsync.skin.records import Cells, FaceSkin, NoiseModel
from xmpsync.solve.doubtful import SURE

LEFT_OUT = ("symbols/", "icons/", "people/", "fireman", "roadsigns", "_mirror", "_flip", "cartoon", "flags")
SMALLEST_PX = 120
GREY = (120, 125, 118, 255)
"""Behind cut-out pictures."""

Look = tuple[str, np.ndarray, Vec3]
"""Name, linear camera values (h, w, 3), neutral."""


def made(count: int, seed: int) -> Iterator[Look]:
    """The bench's own frames."""
    rng = np.random.default_rng(seed)
    for name, picture in empty_frames(rng, count):
        done = frame((), (), _shot(rng), picture, LANDSCAPE, rng)
        yield name, done.camera, done.neutral


def stored(folder: Path, every: int = 1) -> Iterator[Look]:
    """The pictures in a folder and below, 1024 pixels on the longer side, enlarged by no more than 2.5."""
    paths = sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png", ".webp"))
    for path in [p for p in paths if not any(part in str(p.relative_to(folder)) for part in LEFT_OUT)][::every]:
        with Image.open(path) as file:
            if min(file.size) < SMALLEST_PX:
                continue
            whole = file.convert("RGBA")
        ground = Image.new("RGBA", whole.size, GREY)
        ground.alpha_composite(whole)
        picture = ground.convert("RGB")
        zoom = min(1024 / max(picture.size), 2.5)
        picture = picture.resize((round(picture.width * zoom), round(picture.height * zoom)), Image.Resampling.BICUBIC)
        yield str(path.relative_to(folder)), LINEAR_FROM_SRGB[np.asarray(picture)], (1.0, 1.0, 1.0)


def count(looks: Iterator[Look], finder: FaceFinder) -> str:
    """Pictures, those with a face, those with a face that has skin; each such face named."""
    n = with_face = with_skin = moving = 0
    lines = []
    for name, camera, neutral in looks:
        n += 1
        found, _ = finder.find(camera, neutral=neutral)
        cells = Cells(
            camera, camera.max(axis=-1) >= 0.999, Box(0.0, 0.0, 1.0, 1.0), NoiseModel((1e-4,) * 3, (1e-6,) * 3)
        )
        skins = [isinstance(measure_face(cells, face.places, neutral=neutral), FaceSkin) for face in found]
        with_face += bool(found)
        with_skin += any(skins)
        moving += any(skin and face.score >= SURE for face, skin in zip(found, skins, strict=True))
        for face, skin in zip(found, skins, strict=True):
            lines.append(
                f"  {name}: score {face.score:.2f}, height {face.box.height:.2f}, {'skin' if skin else 'no skin'}"
            )
    lines.append(
        f"{n} pictures: {with_face} with a face, {with_skin} after the skin check (wanted <= {n / 50:.1f}), "
        f"{moving} with one that may move a frame (wanted 0)"
    )
    return "\n".join(lines)


def main() -> None:
    """Parse the options, run, print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faces.false", description=__doc__)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--pictures", type=Path, help="folder with pictures without people")
    parser.add_argument("--every", type=int, default=1, help="only each so-many-th of those")
    parser.add_argument("--seed", type=int, default=9)
    options = parser.parse_args()
    finder = make_finder(people=False)
    print(count(made(options.frames, options.seed), finder))
    if options.pictures:
        print(count(stored(options.pictures, options.every), finder))


if __name__ == "__main__":
    main()
