"""Error of measured skin against truth, per light, tone class, size and noise: `python -m benchmarks.skin --help`."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

from benchmarks.skin.broken import BROKEN, whole
from benchmarks.skin.cameras import cameras
from benchmarks.skin.chain import Chain
from benchmarks.skin.portraits import portraits
from benchmarks.skin.report import as_json, calibration, figures, recall_figures, recall_table, table
from benchmarks.skin.spectra import measured_spectra, model_spectra
from benchmarks.skin.trials import BenchSettings, Row, run_person


def main(arguments: list[str] | None = None) -> int:
    """Run, print tables, write JSON. 0 when everything wanted is met, else 1."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.skin", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a tenth of the frames")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--model-skin", action="store_true", help="the melanin model even where measured spectra are")
    parser.add_argument(
        "--sensitivities", type=Path, help="npz with more cameras (name, wavelength_nm, sensitivity_rgb)"
    )
    parser.add_argument("--layered", action="store_true", help="also the camera with layers instead of a mosaic")
    parser.add_argument("--break", dest="broken", choices=sorted(BROKEN), help="a worse estimator: the bench must fail")
    parser.add_argument("--chain", action="store_true", help="faces found by the tool's own finder in whole frames")
    parser.add_argument("--cells-per-px", type=float, default=BenchSettings().cells_per_px)
    parser.add_argument("--json", type=Path, help="where to write everything")
    options = parser.parse_args(arguments)

    rng = np.random.default_rng(options.seed)
    per_class, frames = (1, 16) if options.quick else (6, 24)
    spectra = None if options.model_skin else measured_spectra(per_class, rng)
    if spectra is None:
        print("skin: melanin and haemoglobin model (measured spectra need the bench extra)", file=sys.stderr)
        spectra = model_spectra(per_class, rng)
    bodies = cameras(options.sensitivities, options.layered)
    settings = BenchSettings(frames_per_person=frames, cells_per_px=options.cells_per_px)
    measure = BROKEN[options.broken] if options.broken else whole
    locate = Chain(options.cells_per_px) if options.chain else None
    rows: list[Row] = []
    for i, skin in enumerate(spectra):
        for k, portrait in enumerate(portraits()):
            body = bodies[int(rng.integers(len(bodies)))]
            person_rng = np.random.default_rng((options.seed, i, k))
            rows += run_person(portrait, skin, body, settings, measure, person_rng, locate)

    single = [r for r in rows if not r.mixed]
    for title, key in (
        ("light", lambda r: r.light),
        ("tone class", lambda r: r.tone),
        ("face, px of detector", lambda r: round(r.size_px)),
        ("ISO", lambda r: round(r.iso)),
        ("exposure, EV", lambda r: r.ev),
        ("portrait", lambda r: r.person.split(",")[0]),
    ):
        print(table(single, key, title), end="\n\n")
    print(
        table([r for r in rows if r.mixed], lambda r: f"share {int(r.share * 10) / 10:.1f}", "two lights"), end="\n\n"
    )
    reasons = [r.unusable for r in rows if r.unusable]
    print("not measured:", {reason: reasons.count(reason) for reason in sorted(set(reasons))} or "none")
    spread = calibration(rows)
    print(f"error over predicted sd: rms {spread['rms']:.2f}, by the median {spread['median']:.2f}\n")
    if options.chain:
        for title, key in (("tone class", lambda r: r.tone), ("px of detector", lambda r: round(r.size_px))):
            print(recall_table(rows, key, f"recall by {title}"), end="\n\n")
    wanted = figures(rows) + (recall_figures(rows) if options.chain else [])
    for w in wanted:
        print(
            f"{'ok  ' if w.met else 'MISS'} {w.figure:<32} {w.value:7.3f}"
            f"  wanted {'>=' if w.at_least else '<='} {w.bound}"
        )
    if options.json:
        report = as_json(rows, {k: str(v) for k, v in vars(options).items()})
        options.json.write_text(json.dumps(report, indent=1), encoding="utf-8")
    return 0 if all(w.met for w in wanted) else 1


if __name__ == "__main__":
    raise SystemExit(main())
