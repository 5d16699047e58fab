"""Trying again with what is measured already loads no decoder and no model, and starts no worker."""

from __future__ import annotations

import subprocess
import sys

TRY_AGAIN = """
import sys, tempfile, multiprocessing.process
from pathlib import Path
import numpy as np
from benchmarks.speed.stored_shoot import make_measured
from benchmarks.skin.cameras import cameras
from benchmarks.skin.spectra import model_spectra
from xmpsync.shoot.correct import prepare_correction
from xmpsync.events import Silent
from xmpsync.plan.options import Options
from xmpsync.measuring.machine import Machine

def refuse(self):
    raise SystemExit("a worker was started")

multiprocessing.process.BaseProcess.start = refuse
rng = np.random.default_rng(1)
with tempfile.TemporaryDirectory() as folder:
    made = make_measured(Path(folder) / "shoot", 40, "names", cameras(None), model_spectra(1, rng))
    options = Options(references=(made.reference,), strength=0.6)
    found = prepare_correction(made.root, options, Machine(), Silent(), writes=False)
print(found.ready.n_from_store == made.n_frames, len(found.proposal.plan.changes) > 30)
print(sorted({"rawpy", "onnxruntime"} & set(sys.modules)))
"""


def test_trying_again_measures_nothing_and_loads_no_decoder() -> None:
    printed = subprocess.run([sys.executable, "-c", TRY_AGAIN], capture_output=True, text=True, check=False)
    assert printed.stdout.splitlines() == ["True True", "[]"], printed.stderr
