"""Print docs/cameras.md from what LibRaw really supports.

Run: python -m benchmarks.cameras > docs/cameras.md
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import rawpy

from xmpsync.read.cameras import camera_list, table_matrix
from xmpsync.read.discover import RAW_EXTENSIONS
from xmpsync.read.formats import ALL

# Makers of more than one word, as LibRaw's list writes them.
_LONG_MAKERS = ("OM Digital Solutions", "Digital Bolex", "Konica Minolta")
_NO_CAMERA = "Adobe Digital Negative (DNG)"  # a line of LibRaw's list that names a format

HEAD = """# Cameras and formats

Made by `python -m benchmarks.cameras > docs/cameras.md` from LibRaw {version}; do not edit by hand.

## Where a camera's colour comes from, best first

1. A camera profile file given with `--camera-profile` that names this camera.
2. The colour tags of a DNG: both (or three) calibrations, forward matrices, camera calibration. Any camera, listed
   below or not: converting to DNG is the way out for every body without a matrix.
3. LibRaw's table: one matrix for daylight per camera. Good in daylight, less so under tungsten; `xmpsync check` prints
   which source each body uses.
4. Nothing: the frame is reported, with the two ways out.

One body is sold under several names, which LibRaw's list holds in one line and its table under the first. A name is
looked up in the list first, and the table is asked for the line's first name: a second name would find nothing there,
or the matrix of another camera.

LibRaw finds a matrix by the beginning of the model's name. A body that is newer than LibRaw may so get the matrix of an
older one; such a match is recognised (the model is not in LibRaw's list, and its name without the last letter finds the
same matrix) and reported with a warning.

## What is read from other formats than DNG, and what is not

Black, white and saturation levels, the colour pattern, the as-shot white and the matrix come from LibRaw. An as-shot
white of equal multipliers or zeros is what LibRaw fills in where it knows none: it counts as unknown; the frame gets a
white balance only from skin. Serial number and sensitivity come from Exif, else from the maker note; without make and
model UniqueCameraModel names the body. Makers' own
lens shading data is not applied: an edge of a fast lens may be one or two EV darker than the middle in the measurement.
Skin in the middle of the frame is not concerned; DNG files carry shading as opcodes, which are applied.

How much that is for a lens can be measured on a DNG with such opcodes: `python -m benchmarks.cameras.shading FILE.dng`.
On a frame of one action camera: +0.03 EV at 0.2 to 0.4 of the half diagonal, +0.10 at 0.4 to 0.6, +0.22 at 0.6 to 0.8,
+0.44 beyond, and under 0.1 % in colour: there it moves exposure, hardly temperature and tint.

File names with these extensions are taken as frames: {extensions}. TIFF is left out, though a few old bodies used it.

## Formats that are recognised but cannot be decoded here

| format | how it is told | way out |
|---|---|---|
{formats}

## Cameras in LibRaw's list

{total} cameras, {with_matrix} with a matrix under their listed name. "Without" means that no matrix is found under that
name: phones and drones mostly write DNG with their own tags and need none; digital backs are often found under the name
in the file, which the list does not show.

| maker | listed | with matrix |
|---|---|---|
{makers}

### With matrix

{with_list}

### Without matrix under the listed name

{without_list}
"""


@dataclass(frozen=True)
class Listed:
    """One line of LibRaw's list."""

    maker: str
    model: str
    has_matrix: bool


def listed_cameras() -> list[Listed]:
    """Every camera of LibRaw's list, and whether its table has a matrix for one of the names in the line."""
    found = []
    for line in camera_list():
        if line == _NO_CAMERA:
            continue
        maker = next((m for m in _LONG_MAKERS if line.startswith(m + " ")), line.partition(" ")[0])
        model = line[len(maker) :].strip()
        names = re.split(r"\s*/\s*", re.sub(r"\([^)]*\)", "", model).strip())
        makes = (maker, "OLYMPUS") if maker.startswith("OM ") else (maker,)
        has = any(table_matrix(make, name) is not None for make in makes for name in names)
        found.append(Listed(maker, model, has))
    return found


def document() -> str:
    """The whole page as Markdown."""
    cameras = listed_cameras()
    makers = sorted({c.maker for c in cameras}, key=str.casefold)
    rows = []
    for maker in makers:
        own = [c for c in cameras if c.maker == maker]
        rows.append(f"| {maker} | {len(own)} | {sum(c.has_matrix for c in own)} |")
    return HEAD.format(
        version=".".join(str(part) for part in rawpy.libraw_version),
        extensions=", ".join(sorted(RAW_EXTENSIONS)),
        formats="\n".join(f"| {kind.name} | {kind.sign} | {kind.way_out} |" for kind in ALL),
        total=len(cameras),
        with_matrix=sum(c.has_matrix for c in cameras),
        makers="\n".join(rows),
        with_list=_by_maker(cameras, makers, True),
        without_list=_by_maker(cameras, makers, False),
    )


def _by_maker(cameras: list[Listed], makers: list[str], has_matrix: bool) -> str:
    paragraphs = []
    for maker in makers:
        models = [c.model for c in cameras if c.maker == maker and c.has_matrix == has_matrix]
        if models:
            paragraphs.append(f"**{maker}**: {', '.join(models)}.")
    return "\n\n".join(paragraphs)


if __name__ == "__main__":
    print(document(), end="")
