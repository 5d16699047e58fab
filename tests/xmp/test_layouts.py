"""Random packets, random edits: what must hold for every layout (long run: `pytest tests/xmp -m long`)."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests.xmp import readers
from tests.xmp.layouts import FIELDS, Layout, layouts
from xmpsync.xmp.edit import Change, apply_change, restore_fields
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.settings import read_settings

changes = st.builds(
    Change,
    temperature_k=st.none() | st.integers(2000, 50000),
    tint=st.none() | st.integers(-150, 150),
    exposure_ev=st.none() | st.integers(-400, 400).map(lambda n: n / 100),
    keyword=st.none() | st.sampled_from(("mixed light", "a & b <c>", "漢字 🦊", "x\"'y")),
    metadata_date=st.none() | st.just("2026-05-01T10:00:00+02:00"),
)


def wanted(change: Change) -> dict[str, str]:
    """What the change writes, by local name, formatted by Python's own means."""
    found = {}
    if change.temperature_k is not None:
        found["Temperature"] = f"{change.temperature_k}"
    if change.tint is not None:
        found["Tint"] = f"{change.tint:+d}" if change.tint else "0"
    if found:
        found["WhiteBalance"] = "Custom"
    if change.exposure_ev is not None:
        found["Exposure2012"] = f"{change.exposure_ev:+.2f}" if round(change.exposure_ev * 100) else "0.00"
    return found


def check_edit(layout: Layout, change: Change) -> None:
    data = layout.render()
    after = apply_change(data, change)
    texts = wanted(change)
    if set(texts) <= set(layout.values) and change.keyword is None and change.metadata_date is None:
        edited = frozenset(name for name in texts if texts[name] != layout.values[name])
        assert after == layout.render(texts, edited)
    before_seen, after_seen = readers.triples(data), readers.triples(after)
    expected = dict(before_seen)
    for name, text in texts.items():
        expected[readers.CRS + name] = readers.with_text(expected.get(readers.CRS + name), text)
    if change.metadata_date is not None:
        name = readers.XMP + "MetadataDate"
        expected[name] = readers.with_text(expected.get(name), change.metadata_date)
    if change.keyword is not None:
        name = readers.DC + "subject"
        expected[name] = readers.with_item(expected.get(name), change.keyword)
    assert after_seen == expected
    # everything but the inserted and replaced pieces is still there, in order
    assert after.startswith(layout.mark)
    assert after == after[: len(layout.mark)] + after[len(layout.mark) :].decode(layout.codec).encode(layout.codec)
    assert restore_fields(after, data, after) == data


def check_restore_after_others(layout: Layout, change: Change, rating: str) -> None:
    """Somebody changed the rating after our run: rollback gives the original with just that change."""
    data = layout.render()
    written = apply_change(data, change)
    other = written.replace(
        *(f"xmp:Rating={layout.quote}{r}{layout.quote}".encode(layout.codec) for r in (layout.rating, rating))
    )
    assume(other != written or rating == layout.rating)
    back = restore_fields(other, data, written)
    expected = readers.triples(layout.render(rating=rating))
    assert readers.triples(back) == expected
    # only our fields lie between the two ends that both share
    if change.keyword is None and change.metadata_date is None and set(wanted(change)) <= set(layout.values):
        names = set(wanted(change))
        if all(
            layout.forms[name] in ("attribute", "element", "language", "resource", "node", "short") for name in names
        ):
            assert back == layout.render(rating=rating)


FAST = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
LONG = settings(
    max_examples=int(os.environ.get("XMPSYNC_EXAMPLES", "20000")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    database=None,
)


@FAST
@given(layouts())
def test_no_edit_is_no_change(layout: Layout) -> None:
    data = layout.render()
    assert apply_change(data, Change()) is data
    settings_read = read_settings(Packet.parse(data))
    assert settings_read.rating == int(layout.rating)
    assert settings_read.keywords == tuple(layout.keywords or ())
    temperature = layout.values.get("Temperature")
    assert settings_read.temperature_k == (None if temperature is None else float(temperature))
    exposure = layout.values.get("Exposure2012")
    assert settings_read.exposure_ev == (None if exposure is None else float(exposure))


@FAST
@given(layouts(), changes)
def test_an_edit_changes_what_was_asked_for_and_nothing_else(layout: Layout, change: Change) -> None:
    check_edit(layout, change)


@FAST
@given(layouts(), changes, st.sampled_from(("0", "2", "4")))
def test_rollback_keeps_what_others_changed(layout: Layout, change: Change, rating: str) -> None:
    check_restore_after_others(layout, change, rating)


@pytest.mark.long
@LONG
@given(layouts(), changes)
def test_random_edits_in_random_layouts(layout: Layout, change: Change) -> None:
    check_edit(layout, change)


@pytest.mark.long
@LONG
@given(layouts(), changes, st.sampled_from(("0", "2", "4")))
def test_random_rollbacks_after_others(layout: Layout, change: Change, rating: str) -> None:
    check_restore_after_others(layout, change, rating)


def test_the_layouts_cover_every_field() -> None:
    assert set(FIELDS) == set(wanted(Change(5000, 1, 0.5)))
