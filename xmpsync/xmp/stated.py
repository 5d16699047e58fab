"""What our own parser understood of a packet, in the second reader's terms, so that the two can be compared."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from xmpsync.xmp import names
from xmpsync.xmp.rdf import Kind, Value
from xmpsync.xmp.second_reader import Tree, spelled

_spelled = lru_cache(maxsize=4096)(spelled)
"""Remembered, as sidecars of one shoot have the same names."""


def stated(properties: Mapping[str, Value]) -> dict[str, Tree]:
    """The properties (by expanded name) as `second_reader.Statements.properties` holds them."""
    return {_spelled(name): tree_of(value) for name, value in properties.items()}


def tree_of(value: Value) -> Tree:
    """One value in the second reader's terms."""
    qualifiers = _pairs(value.qualifiers) if value.qualifiers else ()
    kind = value.kind
    if kind is Kind.SIMPLE:
        return ("text", value.text, qualifiers)
    if kind is Kind.ARRAY:
        _, array = names.split(value.holder.name)
        return ("array", array, tuple([tree_of(item) for item in value.items]), qualifiers)
    if kind is Kind.STRUCTURE:
        return ("structure", _pairs(value.fields), qualifiers)
    return ("uri", value.text, qualifiers)


def _pairs(fields: Mapping[str, Value]) -> Tree:
    return tuple(sorted([(_spelled(name), tree_of(field)) for name, field in fields.items()]))
