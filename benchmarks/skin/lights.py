"""The lights of the bench: CIE illuminants (colour-science), casts made by smooth filters, and pairs of two lights."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from benchmarks.skin.spectra import WAVELENGTH_NM, Array


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """A spectral power distribution (31,), scaled to luminance 1 on a perfect white; `kind` for tables."""

    name: str
    power: Array
    kind: str


CIE_LIGHTS = {
    "D50": "daylight",
    "D55": "daylight",
    "D65": "daylight",
    "D75": "daylight",
    "A": "tungsten",
    "ISO 7589 Studio Tungsten": "tungsten",
    "LED-B1": "phosphor LED",
    "LED-B3": "phosphor LED",
    "LED-B5": "phosphor LED",
    "LED-BH1": "phosphor LED",
    "LED-V1": "phosphor LED",
    "FL2": "fluorescent",
    "FL7": "fluorescent",
    "FL11": "fluorescent",
    "FL3.10": "fluorescent",
}


@functools.cache
def lights() -> dict[str, Light]:
    """All single lights by name."""
    answer = {name: Light(name, _scaled(_cie(name)), kind) for name, kind in CIE_LIGHTS.items()}
    daylight = _cie("D55")
    answer["clear sky 12000 K"] = Light("clear sky 12000 K", _scaled(_daylight(12000.0)), "daylight")
    magenta = 1 - 0.45 * np.exp(-0.5 * ((WAVELENGTH_NM - 540) / 40) ** 2)
    green = 1 - 0.35 * np.exp(-0.5 * ((WAVELENGTH_NM - 450) / 35) ** 2)
    green *= 1 - 0.40 * np.exp(-0.5 * ((WAVELENGTH_NM - 640) / 45) ** 2)
    amber = 1 / (1 + np.exp(-(WAVELENGTH_NM - 530) / 25))
    answer["magenta cast"] = Light("magenta cast", _scaled(daylight * magenta), "cast")
    answer["green cast"] = Light("green cast", _scaled(daylight * green), "cast")
    answer["amber cast"] = Light("amber cast", _scaled(daylight * (0.15 + 0.85 * amber)), "cast")
    return answer


def mired(light: Light) -> float:
    """Correlated colour temperature of a light, mired."""
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    xyz = light.power @ cmfs
    uv = np.array([4 * xyz[0], 6 * xyz[1]]) / (xyz[0] + 15 * xyz[1] + 3 * xyz[2])
    cct = colour.temperature.uv_to_CCT_Robertson1968(uv)[0]
    return float(1e6 / cct)


def _cie(name: str) -> Array:
    import colour

    sd = colour.SDS_ILLUMINANTS[name].copy()
    return np.asarray(np.interp(WAVELENGTH_NM, sd.wavelengths, sd.values))


def _daylight(kelvin: float) -> Array:
    import colour

    xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
    sd = colour.sd_CIE_illuminant_D_series(xy)
    return np.asarray(np.interp(WAVELENGTH_NM, sd.wavelengths, sd.values))


def _scaled(power: Array) -> Array:
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    luminous = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values[:, 1]
    return np.asarray(power / (power @ luminous))
