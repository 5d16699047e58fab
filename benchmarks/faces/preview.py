"""Faces found on the preview's picture against the RAW's own, same frames: `python -m benchmarks.faces.preview`.

`--frames N` a row (default 8), `--seed S`. Frames of `benchmarks.faces.hard`, rendered as a camera does (as-shot white,
colour matrix, contrast, noise reduction that grows with ISO, JPEG of quality 88), then brought back to camera colours
by the fit of `xmpsync.read.overview` on 25 patches. Where that fit would be refused the RAW's own picture is used, as
in measuring; how often is told.
"""

from __future__ import annotations

import argparse
import io

import numpy as np
from PIL import Image
from scipy import ndimage

from benchmarks.faces.hard import ROWS, judged, made, paired, table
from benchmarks.faces.nobody import frames as empty_frames
from benchmarks.faces.scenes import Frame
from xmpsync.faces.balance import SRGB_FROM_BALANCED
from xmpsync.faces.finder import make_finder
from xmpsync.read.overview import SETTINGS, _terms

CHOSEN = ("lights and sizes", "-3 EV", "backlit", "24-32 px in the dark", "head turned 35-65 degrees", "veil")
PATCH, GRID = 64, 5


def rendered(frame: Frame) -> np.ndarray:
    """The embedded preview, uint8 (h, w, 3)."""
    calm = 0.25 * np.log2(max(frame.shot.iso, 100) / 100)
    camera = ndimage.gaussian_filter(frame.camera, (calm / 3, calm / 3, 0))
    neutral = np.array(frame.neutral, dtype=np.float32)
    rgb = np.clip(camera / neutral, 0, 1 / neutral.max()) @ SRGB_FROM_BALANCED.T * 1.4
    encoded = np.clip(rgb, 0, 1) ** (1 / 2.2)
    curved = encoded + 0.12 * np.sin(2 * np.pi * (encoded - 0.5)) / 2  # contrast about the middle
    file = io.BytesIO()
    Image.fromarray((np.clip(curved, 0, 1) * 255 + 0.5).astype(np.uint8)).save(file, "JPEG", quality=88)
    return np.asarray(Image.open(file))


def brought_back(frame: Frame) -> np.ndarray | None:
    """Camera colours (h, w, 3) by the fit of `read.overview`; None where it is refused."""
    picture = rendered(frame).astype(np.float32) / 255
    height, width = picture.shape[:2]
    seen, camera = [], []
    for y in np.linspace(0, height - PATCH, GRID).astype(int):
        for x in np.linspace(0, width - PATCH, GRID).astype(int):
            blocks = (slice(y, y + PATCH), slice(x, x + PATCH))
            for source, into in ((picture, seen), (frame.camera, camera)):
                part = source[blocks].reshape(PATCH // 2, 2, PATCH // 2, 2, 3).mean(axis=(1, 3))
                into.append(part.reshape(-1, 3))
    terms, target = _terms(np.concatenate(seen)), np.sqrt(np.clip(np.concatenate(camera), 0, 1))
    fit = np.linalg.lstsq(terms.T @ terms + 1e-6 * len(terms) * np.eye(terms.shape[1]), terms.T @ target, rcond=None)[0]
    if float(np.sqrt(((terms @ fit - target) ** 2).mean())) > SETTINGS.largest_rms:
        return None
    encoded = np.clip(_terms(picture.reshape(-1, 3)) @ fit.astype(np.float32), 0, 1)
    return (encoded * encoded).reshape(picture.shape)


def main() -> None:
    """Parse the options, run, print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.faces.preview", description=__doc__)
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args()
    finder = make_finder(people=False)
    grounds = [p for _, p in empty_frames(np.random.default_rng(options.seed + 1), 30)]
    own, other, refused, extra = [], [], 0, 0
    for name in CHOSEN:
        assert name in ROWS
        for number in range(options.frames):
            frame, tones, who = made(name, number, options.seed, grounds)
            found, _ = finder.find(frame.camera, neutral=frame.neutral)
            own += judged(name, number, frame, tones, who, found)[0]
            camera = brought_back(frame)
            if camera is None:
                refused += 1
            else:
                found, _ = finder.find(camera, neutral=frame.neutral)
            seen, wrong = judged(name, number, frame, tones, who, found)
            other += seen
            extra += wrong
    print("from the preview:")
    print(table(other, extra))
    rates = [100 * np.mean([one.found for one in part]) for part in (own, other)]
    print(f"found on the RAW's picture {rates[0]:.1f} %, on the preview's {rates[1]:.1f} %")
    print(f"preview refused in {refused} of {len(CHOSEN) * options.frames} frames")
    print(paired(other, own).replace("the earlier run", "the RAW's picture"))
    apart = [
        float(np.hypot(*np.subtract(a.centre, b.centre)))
        for a, b in zip(own, other, strict=True)
        if a.centre and b.centre
    ]
    print(
        f"centre of the {len(apart)} faces found both ways moved by {np.median(apart):.1%} of the face's height"
        f" (median), {np.percentile(apart, 90):.1%} (p90)"
    )


if __name__ == "__main__":
    main()
