"""The table of the solver's bench and its JSON."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np

from benchmarks.skin.spectra import Array
from benchmarks.solve.score import Rows

WANTED: dict[str, tuple[str, float]] = {
    "skin_median_de00": ("<=", 0.9),
    "skin_within_2_percent": (">=", 93.0),
    "worst_tone_median_de00": ("<=", 1.1),
    "jitter_mired": ("<=", 4.0),
    "jitter_tint": ("<=", 1.5),
    "jitter_ev": ("<=", 0.08),
    "frames_worse_percent": ("<=", 0.8),
    "faceless_mired": ("<=", 6.0),
    "faceless_tint": ("<=", 3.0),
    "faceless_ev": ("<=", 0.15),
    "mixed_over_5_flagged_percent": (">=", 95.0),
    "mixed_under_2_flagged_percent": ("<=", 3.0),
    "sd_calibration_mired": ("0.8-1.25", 1.25),
    "sd_calibration_tint": ("0.8-1.25", 1.25),
    "sd_calibration_ev": ("0.8-1.25", 1.25),
}
"""What is wanted of the solver; skin figures concern faces under one light."""


def joined(rows: list[Rows]) -> Rows:
    """Several shoots as one."""
    values = {}
    for f in fields(Rows):
        parts = [getattr(r, f.name) for r in rows]
        values[f.name] = tuple(x for p in parts for x in p) if f.name == "face_tone" else np.concatenate(parts)
    return Rows(**values)


def figures(r: Rows) -> dict[str, float]:
    """All figures by name; NaN where the shoots hold no case."""
    plain = ~r.face_mixed
    tones = np.array(r.face_tone)
    per_tone = [
        np.median(r.face_de[plain & (tones == t)]) for t in set(r.face_tone) if (plain & (tones == t)).sum() > 20
    ]
    reference = plain & r.face_reference
    sd = _of(r.sd_ratio, lambda x: 1.4826 * np.median(np.abs(x), axis=0), 3)
    jitter = _of(r.jitter, lambda x: np.median(x, axis=0), 3)
    faceless = _of(r.faceless, lambda x: np.median(x, axis=0), 3)
    return {
        "faces": float(len(r.face_de)),
        "as_shot_median_de00": _number(np.median, r.face_de_as_shot[plain]),
        "skin_median_de00": _number(np.median, r.face_de[plain]),
        "skin_p95_de00": _number(lambda x: np.percentile(x, 95), r.face_de[plain]),
        "skin_within_2_percent": 100.0 * _number(np.mean, r.face_de[plain] <= 2.0),
        "skin_median_ev": _number(np.median, np.abs(r.face_ev[plain])),
        "reference_median_de00": _number(np.median, r.face_de[reference]),
        "reference_p95_de00": _number(lambda x: np.percentile(x, 95), r.face_de[reference]),
        "reference_median_ev": _number(np.median, np.abs(r.face_ev[reference])),
        "worst_tone_median_de00": max(per_tone, default=float("nan")),
        "jitter_mired": jitter[0], "jitter_tint": jitter[1], "jitter_ev": jitter[2],
        "frames_worse_percent": 100.0 * _number(np.mean, r.frame_worse),
        "faceless_mired": faceless[0], "faceless_tint": faceless[1], "faceless_ev": faceless[2],
        "mixed_over_5_flagged_percent": 100.0 * _number(np.mean, r.flagged[r.apart > 5.0]) if len(r.apart) else np.nan,
        "mixed_under_2_flagged_percent": 100.0 * _number(np.mean, r.flagged[r.apart < 2.0]) if len(r.apart) else np.nan,
        "sd_calibration_mired": sd[0], "sd_calibration_tint": sd[1], "sd_calibration_ev": sd[2],
    }  # fmt: skip


def met(name: str, value: float) -> bool | None:
    """Whether a figure is as wanted; None where nothing is wanted of it."""
    if name not in WANTED or not np.isfinite(value):
        return None
    how, limit = WANTED[name]
    if how == "0.8-1.25":
        return 0.8 <= value <= 1.25
    return value <= limit if how == "<=" else value >= limit


def table(columns: dict[str, dict[str, float]]) -> str:
    """Figures as rows, methods as columns; `ok` or `MISSED` for the solver (the first column)."""
    names = list(next(iter(columns.values())))
    lines = [f"{'figure':30s} {'wanted':>10s} " + " ".join(f"{c[:14]:>14s}" for c in columns)]
    for name in names:
        how, limit = WANTED.get(name, ("", 0.0))
        wanted = how if "-" in how else f"{how} {limit:g}" if how else ""
        first = next(iter(columns.values()))[name]
        verdict = {True: "ok", False: "MISSED", None: ""}[met(name, first)]
        lines.append(
            f"{name:30s} {wanted:>10s} " + " ".join(f"{c[name]:14.3f}" for c in columns.values()) + f"  {verdict}"
        )
    return "\n".join(lines)


def _number(f: Callable[[Array], object], values: Array) -> float:
    return float(f(values)) if len(values) else float("nan")  # type: ignore[arg-type]


def _of(values: Array, f: Callable[[Array], Array], n: int) -> list[float]:
    return [float(x) for x in f(values)] if len(values) else [float("nan")] * n
