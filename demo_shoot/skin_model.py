"""Diffuse reflectance of invented people's skin from melanin and blood.

A two-layer model after Kubelka and Munk (1931): an epidermis that scatters and absorbs (melanin) over a dermis without
end that scatters and absorbs (blood), with Saunderson's (1942) correction for light reflected back inside the surface.
Optical constants as in S. L. Jacques, "Optical properties of biological tissues: a review", Phys. Med. Biol. 58 (2013),
and his skin optics notes (Oregon Medical Laser Center, 1998):

* melanosome absorption 6.6e11 nm^-3.33 per cm; light skin holds 1-6 %, tan 11-16 %, dark 18-43 % of its volume,
* bloodless tissue absorption 0.244 + 85.3 exp(-(nm - 154) / 66.2) per cm,
* reduced scattering 46 (nm / 500)^-1.421 per cm,
* haemoglobin extinction after S. Prahl's compilation (OMLC, 1999), 150 g per litre of blood.

All these numbers are recalled from memory. The tests hold the result against measured skin in colour-science's
chart data and against the published ITA classes.
"""

from __future__ import annotations

import numpy as np

EPIDERMIS_CM = 0.006
SURFACE_REFLECTANCE = 0.028
"""Fresnel reflectance at normal incidence for a refractive index of 1.4."""
INTERNAL_REFLECTANCE = 0.5
OXYGENATION = 0.7
_HAEMOGLOBIN_M_PER_LITRE = 150.0 / 64500.0

# nm, extinction of oxygenated and of reduced haemoglobin, per cm and mole per litre (Prahl's compilation, from memory)
_HAEMOGLOBIN = np.array(
    [
        (380, 109000, 140000), (390, 167700, 167800), (400, 266232, 223296), (410, 466840, 303956),
        (414, 524280, 342596), (420, 480360, 407560), (430, 246072, 528600), (440, 102580, 413280),
        (450, 62816, 103292), (460, 44480, 23389), (470, 33209, 16156), (480, 26629, 14550),
        (490, 23684, 16684), (500, 20933, 20862), (510, 20035, 25774), (520, 24202, 31590),
        (530, 39957, 39036), (540, 53236, 46592), (550, 43016, 53412), (560, 32613, 53788),
        (570, 44496, 45072), (576, 55540, 40000), (580, 50104, 37020), (590, 14401, 28324),
        (600, 3200, 14677), (610, 1506, 9444), (620, 942, 6510), (630, 610, 5149),
        (640, 442, 4345), (650, 368, 3750), (660, 320, 3227), (670, 294, 2795),
        (680, 278, 2408), (690, 276, 2052), (700, 290, 1794), (710, 314, 1540),
        (720, 348, 1326), (730, 390, 1102), (740, 446, 1116), (750, 518, 1405),
        (760, 586, 1549), (770, 650, 1312), (780, 710, 1075),
    ],
    dtype=float,
)  # fmt: skip


def skin_reflectance(
    wavelength_nm: np.ndarray, melanin: float, blood: float, oxygenation: float = OXYGENATION
) -> np.ndarray:
    """Diffuse reflectance 0..1 at each wavelength.

    Parameters
    ----------
    melanin
        Volume fraction of melanosomes in the epidermis, 0.01 (very light) .. 0.2 (very dark).
    blood
        Volume fraction of blood in the dermis, 0.002 (pale) .. 0.03 (flushed).
    oxygenation
        Fraction of the haemoglobin that carries oxygen.
    """
    nm = np.asarray(wavelength_nm, float)
    bloodless = 0.244 + 85.3 * np.exp(-(nm - 154.0) / 66.2)
    epidermis = melanin * 6.6e11 * nm**-3.33 + (1.0 - melanin) * bloodless
    oxy, reduced = (np.interp(nm, _HAEMOGLOBIN[:, 0], _HAEMOGLOBIN[:, column]) for column in (1, 2))
    extinction = oxygenation * oxy + (1.0 - oxygenation) * reduced
    dermis = blood * np.log(10.0) * extinction * _HAEMOGLOBIN_M_PER_LITRE + (1.0 - blood) * bloodless
    scattering = 0.75 * 46.0 * (nm / 500.0) ** -1.421
    ratio = 2.0 * dermis / scattering
    deep = 1.0 + ratio - np.sqrt(ratio**2 + 2.0 * ratio)
    # Kubelka and Munk's solution for a layer of finite thickness, here the epidermis
    a = 1.0 + 2.0 * epidermis / scattering
    b = np.sqrt(a**2 - 1.0)
    depth = b * scattering * EPIDERMIS_CM
    reflected = 1.0 / (a + b / np.tanh(depth))
    passed = b / (a * np.sinh(depth) + b * np.cosh(depth))
    below = reflected + passed**2 * deep / (1.0 - deep * reflected)
    return (1.0 - SURFACE_REFLECTANCE) * (1.0 - INTERNAL_REFLECTANCE) * below / (1.0 - INTERNAL_REFLECTANCE * below)
