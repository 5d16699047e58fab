"""The bench's scorer is right where the answer is known: true sidecars score near nothing, none at all score badly."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.whole_shoot.score import (
    as_shot,
    from_sidecars,
    grey_card,
    score_faces,
    sidecar_numbers,
    summary,
    write_true_sidecars,
)
from benchmarks.whole_shoot.shoot import Options, TrueFrame, make_shoot

RDF = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">%s</rdf:RDF></x:xmpmeta>'
CRS = b'xmlns:c="http://ns.adobe.com/camera-raw-settings/1.0/"'


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[TrueFrame]]:
    folder = tmp_path_factory.mktemp("relit")
    return folder, make_shoot(folder, Options(frames=12, seed=3))


def test_true_sidecars_score_near_nothing_and_worse_ones_worse(shoot: tuple[Path, list[TrueFrame]]) -> None:
    tmp_path, frames = shoot
    assert len(list(tmp_path.glob("*.dng"))) == 12
    assert sum(frame.is_reference for frame in frames) == 1
    write_true_sidecars(tmp_path, frames)
    one_face = [f for f in frames if len(f.faces) == 1]
    assert one_face
    alone = summary("true", score_faces(one_face, from_sidecars(tmp_path)))
    # whole kelvin, tint and hundredths of EV: about 0.1 dE00
    assert alone.de00_p95 < 0.3 and alone.ev_p95 < 0.02
    everyone = summary("true", score_faces(frames, from_sidecars(tmp_path)))
    card = summary("card", score_faces(frames, grey_card))
    plain = summary("plain", score_faces(frames, as_shot))
    assert everyone.de00_median < card.de00_median < plain.de00_median


def test_a_sidecar_one_stop_off_scores_one_stop_and_no_colour(shoot: tuple[Path, list[TrueFrame]]) -> None:
    _, frames = shoot
    frame = next(f for f in frames if len(f.faces) == 1)
    (true,) = score_faces([frame], lambda f: (*f.grey_card, 0.0))
    (lifted,) = score_faces([frame], lambda f: (*f.grey_card, 1.0))
    assert lifted.ev == pytest.approx(true.ev + 1.0)
    assert lifted.de00 == pytest.approx(true.de00, abs=1e-6)


@pytest.mark.parametrize(
    ("body", "numbers"),
    [
        (b'<rdf:Description %s c:WhiteBalance="Custom" c:Temperature="5100" c:Tint="-4" c:Exposure2012="+0.30"/>' % CRS,
         (5100, -4, 0.3)),
        (b"<rdf:Description %s><c:Temperature>5100</c:Temperature><c:Tint>+4</c:Tint></rdf:Description>" % CRS,
         (5100, 4, 0)),
        (b'<rdf:Description %s c:WhiteBalance="As Shot" c:Temperature="5100" c:Tint="-4"/>' % CRS, None),
        (b'<rdf:Description %s c:Contrast2012="3"/>' % CRS, None),
    ],
)  # fmt: skip
def test_sidecars_are_read_whatever_their_style(tmp_path: Path, body: bytes, numbers: tuple[float, ...] | None) -> None:
    (tmp_path / "a.xmp").write_bytes(RDF % body)
    assert sidecar_numbers(tmp_path / "a.xmp") == numbers
    assert sidecar_numbers(tmp_path / "missing.xmp") is None
