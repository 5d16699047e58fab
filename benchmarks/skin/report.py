"""Tables and JSON of a bench run, against what is wanted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from benchmarks.skin.trials import Row

CLEAN_ISO = 1600.0
HARD_EV = -3.0
SHOWS_DE00 = 4.0
"""True difference of two halves that no single correction brings within the tolerance of 2.0."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One figure with its bound; `at_least` turns the comparison."""

    figure: str
    value: float
    bound: float
    at_least: bool = False

    @property
    def met(self) -> bool:
        return bool(self.value >= self.bound if self.at_least else self.value <= self.bound)


def figures(rows: Sequence[Row]) -> list[Wanted]:
    """The figures that are wanted, computed from single-light rows (colour, level) and all rows (mixed light)."""
    single = [r for r in rows if not r.mixed and r.delta_e00 is not None]
    clean = [r for r in single if r.iso <= CLEAN_ISO]
    answer = [
        Wanted("dE00 median, ISO <= 1600", _q(clean, _colour, 50), 0.5),
        Wanted("dE00 p95, ISO <= 1600", _q(clean, _colour, 95), 1.2),
        Wanted("level median, EV", _q(single, _level, 50), 0.04),
        Wanted("level p95, EV", _q(single, _level, 95), 0.15),
    ]
    for tone in dict.fromkeys(r.tone for r in rows):
        of_tone = [r for r in single if r.tone == tone]
        answer.append(Wanted(f"dE00 median, {tone}", _q(of_tone, _colour, 50), 0.7))
        answer.append(Wanted(f"dE00 p95, {tone}", _q(of_tone, _colour, 95), 1.6))
    mixed = [r for r in rows if r.mixed and r.flagged is not None and r.halves_de00 > SHOWS_DE00]
    if mixed:
        answer.append(
            Wanted("two lights that show flagged, %", 100 * float(np.mean([r.flagged for r in mixed])), 95.0, True)
        )
    answer.append(Wanted("false flags under one light, %", 100 * float(np.mean([r.flagged for r in single])), 5.0))
    return answer


def recall_figures(rows: Sequence[Row]) -> list[Wanted]:
    """Recall of the whole chain, over all frames; hard ones are 3 EV under or under a strong cast."""
    hard = [r for r in rows if r.ev <= HARD_EV or r.kind == "cast"]
    other = [r for r in rows if not (r.ev <= HARD_EV or r.kind == "cast")]
    tones = [_recall([r for r in rows if r.tone == tone]) for tone in dict.fromkeys(r.tone for r in rows)]
    return [
        Wanted("recall, %", _recall(other), 97.0, True),
        Wanted("recall at -3 EV or strong cast, %", _recall(hard), 93.0, True),
        Wanted("recall, best class - worst, points", max(tones) - min(tones), 2.0),
        Wanted("frames with a false face, %", 100 * float(np.mean([r.false_faces > 0 for r in rows])), 2.0),
    ]


def recall_table(rows: Sequence[Row], key: Callable[[Row], Any], title: str) -> str:
    """One line per value of `key`: frames, faces found and measured, colour error of those."""
    lines = [f"{title:<26}    n  found%  meas%  dE00 med   p95"]
    for value in sorted({key(r) for r in rows}, key=lambda v: (not isinstance(v, (int, float)), v)):
        group = [r for r in rows if key(r) == value]
        good = [r for r in group if r.delta_e00 is not None and not r.mixed]
        lines.append(
            f"{value!s:<26} {len(group):4d}  {_recall(group):6.1f}  "
            f"{100 * np.mean([r.unusable is None for r in group]):5.1f}  "
            f"{_q(good, _colour, 50):8.2f} {_q(good, _colour, 95):5.2f}"
        )
    return "\n".join(lines)


def _recall(rows: Sequence[Row]) -> float:
    return 100 * float(np.mean([r.found for r in rows])) if rows else float("nan")


def calibration(rows: Sequence[Row]) -> dict[str, float]:
    """Root mean square of error over predicted sd (1 is calibrated), and the median of |z| over a normal's 0.674."""
    z = np.array([r.z for r in rows if r.z is not None and not r.mixed])
    return {"rms": float(np.sqrt((z**2).mean())), "median": float(np.median(np.abs(z)) / 0.6745)}


def table(rows: Sequence[Row], key: Callable[[Row], Any], title: str) -> str:
    """One line per value of `key`: n, share measured, colour and level error, calibration, flags."""
    lines = [f"{title:<26}    n  meas%  dE00 med   p95   EV med   p95    z rms  flag%  grey card"]
    for value in sorted({key(r) for r in rows}, key=lambda v: (not isinstance(v, (int, float)), v)):
        group = [r for r in rows if key(r) == value]
        good = [r for r in group if r.delta_e00 is not None]
        if not good:
            lines.append(f"{value!s:<26} {len(group):4d}   0.0")
            continue
        z = np.array([r.z for r in good])
        lines.append(
            f"{value!s:<26} {len(group):4d}  {100 * len(good) / len(group):5.1f}  {_q(good, _colour, 50):8.2f} "
            f"{_q(good, _colour, 95):5.2f}  {_q(good, _level, 50):7.3f} {_q(good, _level, 95):5.3f}  "
            f"{np.sqrt((z**2).mean()):7.2f}  {100 * np.mean([r.flagged for r in good]):5.1f}  "
            f"{np.median([r.as_shot_de00 for r in good]):9.2f}"
        )
    return "\n".join(lines)


def as_json(rows: Sequence[Row], options: dict[str, Any]) -> dict[str, Any]:
    """Everything, as plain data."""
    wanted = [{**asdict(w), "met": w.met} for w in figures(rows)]
    return {
        "schema": 1,
        "options": options,
        "wanted": wanted,
        "calibration": calibration(rows),
        "rows": [asdict(r) for r in rows],
    }


def _colour(row: Row) -> float:
    return row.delta_e00 if row.delta_e00 is not None else float("nan")


def _level(row: Row) -> float:
    return abs(row.level_ev) if row.level_ev is not None else float("nan")


def _q(rows: Sequence[Row], of: Callable[[Row], float], percent: float) -> float:
    return float(np.percentile([of(r) for r in rows], percent)) if rows else float("nan")
