"""Values first, bytes on demand: what a try costs, and that the bytes say what the values promised."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from benchmarks.skin.cameras import cameras
from benchmarks.skin.spectra import model_spectra
from benchmarks.speed.stored_shoot import Made, make_measured
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan import edits
from xmpsync.plan.options import Options
from xmpsync.shoot.correct import carry_out, planned, values_first
from xmpsync.shoot.review import Review
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    root = tmp_path_factory.mktemp("planned") / "shoot"
    return make_measured(root, 24, "names", cameras(None), model_spectra(1, np.random.default_rng(1)))


@pytest.fixture
def shoot(made: Made, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made.root, tmp_path / "shoot"))


def test_the_planned_bytes_say_what_the_values_promised(made: Made, shoot: Path) -> None:
    values = values_first(shoot, Options(references=(made.reference,)), Machine(), Silent(), writes=False)
    found = planned(values)
    assert found.troubles == ()
    assert found.proposal.rows == values.proposal.rows
    assert len(found.proposal.plan.changes) == values.proposal.n_to_change > 20
    rows = {row.sidecar: row for row in found.proposal.rows}
    for change in found.proposal.plan.changes:
        assert change.after is not None
        settings, after = read_settings(Packet.parse(change.after)), rows[change.path].after
        assert after is not None
        assert (settings.temperature_k, settings.tint) == (after.temperature_k, after.tint)
        assert settings.exposure_ev == pytest.approx(after.exposure_ev, abs=0.0051)  # two decimals are written


@pytest.mark.parametrize("only", [None, "exposure"])
def test_after_a_run_nothing_is_left_to_change_by_values_and_by_bytes(made: Made, shoot: Path, only: str) -> None:
    options = Options(references=(made.reference,), only=only)  # type: ignore[arg-type]
    found = planned(values_first(shoot, options, Machine(), Silent(), writes=True))
    assert carry_out(found, Machine(), Silent()) is not None
    again = values_first(shoot, options, Machine(), Silent(), writes=False)
    assert again.proposal.n_to_change == len(planned(again).proposal.plan.changes) == 0


def test_a_choice_on_the_desk_plans_no_bytes(made: Made, shoot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    review = Review(shoot, Options(references=(made.reference,)), Machine(), Silent())
    frame = next(row.frame_id for row in review.now.proposal.rows if row.after is not None)

    def refuse(*_: object) -> bytes:
        raise AssertionError("bytes were planned")

    with monkeypatch.context() as patched:
        for name in ("edited", "from_embedded", "new_sidecar"):
            patched.setattr(edits, name, refuse)
        review.change(Options(references=(made.reference,), keep=(frame,)))
        review.step(-1)
        review.step(+1)
    assert next(row for row in review.now.proposal.rows if row.frame_id == frame).after is None
    assert len(review.plan().correction.proposal.plan.changes) == review.now.proposal.n_to_change
