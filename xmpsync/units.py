"""Unit conversions that every room shares. Numbers carry their unit in their name: `_k`, `_mired`, `_ev`, `_s`."""

from __future__ import annotations


def mired_from_kelvin(temperature_k: float) -> float:
    """Reciprocal megakelvin of a temperature in kelvin (1 mired = 1e6 / K)."""
    return 1e6 / temperature_k


def kelvin_from_mired(mired: float) -> float:
    """Kelvin of a reciprocal megakelvin value."""
    return 1e6 / mired
