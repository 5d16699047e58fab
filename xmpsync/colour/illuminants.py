"""Colour temperature and chromaticity of calibration illuminants.

Codes are those of Exif 3.0, LightSource. Temperatures are rounded as readers of DNG commonly do (common practice,
recalled from memory: the standard names the illuminants, not their temperatures); fluorescent lamps stand at the
middle of the range that Exif gives them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np

from xmpsync.colour.adaptation import xy_from_xyz
from xmpsync.colour.arrays import FloatArray
from xmpsync.colour.dng_tags import BadColourTags

OTHER = 255

TEMPERATURE_K: dict[int, float] = {
    1: 5500.0,  # daylight
    2: 4150.0,  # fluorescent: as cool white
    3: 2850.0,  # tungsten
    4: 5500.0,  # flash
    9: 5500.0,  # fine weather
    10: 6500.0,  # cloudy
    11: 7500.0,  # shade
    12: 6400.0,  # daylight fluorescent, 5700-7100 K
    13: 5050.0,  # day white fluorescent, 4600-5500 K
    14: 4150.0,  # cool white fluorescent, 3800-4500 K
    15: 3525.0,  # white fluorescent, 3250-3800 K
    16: 2925.0,  # warm white fluorescent, 2600-3250 K
    17: 2850.0,  # standard light A
    18: 5500.0,  # standard light B
    19: 6500.0,  # standard light C
    20: 5500.0,  # D55
    21: 6500.0,  # D65
    22: 7500.0,  # D75
    23: 5000.0,  # D50
    24: 3200.0,  # ISO studio tungsten
}

_XY_TYPE, _SPECTRUM_TYPE = 0, 1
_MOST_SAMPLES = 4096


def xy_from_illuminant_data(data: bytes, name: str) -> tuple[float, float]:
    """Chromaticity of an IlluminantData value (DNG 1.6): a 16-bit type, then x and y, or a spectrum, as rationals.

    The byte order is the file's; as it is not handed over, the order that gives a possible chromaticity is taken.
    BadColourTags where neither does.
    """
    for order in "<>":
        for xy in _readings(data, order):
            x, y = xy
            if 0.0 < x < 1.0 and 0.0 < y < 1.0 and x + y < 1.0:
                return x, y
    raise BadColourTags(f"{name} describes no possible light")


def _readings(data: bytes, order: str) -> Iterator[tuple[float, float]]:
    try:
        (kind,) = struct.unpack_from(order + "H", data)
        if kind == _XY_TYPE:
            a, b, c, d = struct.unpack_from(order + "4I", data, 2)
            yield a / b, c / d
        elif kind == _SPECTRUM_TYPE:
            count, a, b, c, d = struct.unpack_from(order + "5I", data, 2)
            if not 2 <= count <= _MOST_SAMPLES:
                return
            pairs = np.array(struct.unpack_from(f"{order}{2 * count}I", data, 22), float).reshape(-1, 2)
            yield _xy_of_spectrum(a / b, c / d, pairs[:, 0] / pairs[:, 1])
    except (struct.error, ZeroDivisionError):
        return


def _xy_of_spectrum(start_nm: float, step_nm: float, power: FloatArray) -> tuple[float, float]:
    import colour  # heavy, and almost no file holds a spectrum

    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    wavelength = np.asarray(observer.wavelengths, float)
    samples = start_nm + step_nm * np.arange(len(power))
    if step_nm <= 0 or not np.isfinite(power).all():
        return float("nan"), float("nan")
    seen = np.interp(wavelength, samples, power, left=0.0, right=0.0)
    x, y = xy_from_xyz(seen @ np.asarray(observer.values, float))
    return float(x), float(y)
