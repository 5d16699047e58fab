"""Rollback of a packet that others have edited since: our fields go back, everything of theirs stays."""

from __future__ import annotations

from xmpsync.errors import OwnCheckFailed, SidecarMalformed
from xmpsync.xmp import fields, names
from xmpsync.xmp.fields import FIELD_TABLE
from xmpsync.xmp.insert import insert_simple
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.rdf import Kind, Value
from xmpsync.xmp.region_edit import take_out_regions
from xmpsync.xmp.regions import REGIONS
from xmpsync.xmp.second_reader import Tree, read_statements
from xmpsync.xmp.settings import keywords
from xmpsync.xmp.splice import Splice, escaped, raw_value, replace_raw_value, space_before
from xmpsync.xmp.tags import start_tag
from xmpsync.xmp.verify import Becomes, becomes_absent, becomes_text, changed, checked, compare


def restore_fields(current: bytes, original: bytes | None, written: bytes) -> bytes:
    """`current` with what our run changed put back, field by field.

    Parameters
    ----------
    current
        What the file holds now.
    original
        What it held before our run; None when our run made the file. For a sidecar that began as a copy of an embedded
        packet, give that packet: its settings then come back.
    written
        What our run wrote.

    What our run changed: those of our properties whose text differs between `original` and `written`, the keyword that
    it added, and the metadata date if it still is the one we wrote. HasSettings and the process version go back while
    they are what we wrote and nobody changed other develop settings since: those need them. Absent ones are removed. A
    property that we did not change stays as it is now. When `current` is `written`, the result is `original`, byte for
    byte; when others changed one place away from ours, it is `original` with just that change.

    Raises
    ------
    SidecarMalformed
        One of the packets is malformed, or there is no place to put a field back.
    OwnCheckFailed
        The result did not pass our own checks.
    """
    if original is not None and current == written:
        Packet.parse(original)
        return original
    now, ours = Packet.parse(current), Packet.parse(written)
    before = None if original is None else Packet.parse(original)
    plan = _Plan(now, before, ours)
    if original is not None:
        merged = _merged(current, original, written)
        if merged is not None and plan.accepts(merged):
            return merged
    return _tidied(plan.result(), before)


def _merged(current: bytes, original: bytes, written: bytes) -> bytes | None:
    """Three-way merge of one changed stretch each: ours (`original` to `written`) is undone in `current`. None where
    the two stretches meet."""
    our_start, our_end = _stretch(written, original)
    their_start, their_end = _stretch(written, current)
    shift = len(original) - len(written)
    before = original[our_start : our_end + shift]
    if our_end < their_start:
        return current[:our_start] + before + current[our_end:]
    moved = len(current) - len(written)
    if their_end < our_start:
        return current[: our_start + moved] + before + current[our_end + moved :]
    return None


def _stretch(old: bytes, new: bytes) -> tuple[int, int]:
    """Start and end, in `old`, of the one stretch in which two byte strings differ."""
    shortest = min(len(old), len(new))
    start = _common(old[:shortest], new[:shortest])
    rest = shortest - start
    tail = _common(old[len(old) - rest :][::-1], new[len(new) - rest :][::-1])
    return start, len(old) - tail


def _common(a: bytes, b: bytes) -> int:
    """Length of the common beginning of two byte strings of one length."""
    low, high = 0, len(a)
    while low < high:
        middle = (low + high + 1) // 2
        if a[:middle] == b[:middle]:
            low = middle
        else:
            high = middle - 1
    return low


class _Plan:
    """Which properties go back to what, and the edits for it."""

    def __init__(self, now: Packet, before: Packet | None, ours: Packet) -> None:
        self.now = now
        self.before = before
        self.edits: list[Splice] = []
        self.changes: dict[str, Becomes] = {}
        missing: dict[str, str] = {}
        for name in [row.name for row in FIELD_TABLE] + self._companions(ours) + [fields.METADATA_DATE]:
            old = None if before is None else before.text(name)
            if old == ours.text(name):
                continue
            present = now.text(name)
            if name == fields.METADATA_DATE and present != ours.text(name):
                continue  # somebody saved since, and said so
            if present == old:
                continue
            if old is None or before is None:
                self._remove(name)
            elif present is None:
                missing[name] = old
                self.changes[name] = becomes_text(old)
            else:
                self._put_back(name, old, before)
        if missing:
            self.edits += insert_simple(now, missing)
        self._keywords(ours)
        regions = take_out_regions(now, before, ours)
        if regions.becomes is not None:
            self.edits += regions.edits
            self.changes[REGIONS] = regions.becomes

    def _companions(self, ours: Packet) -> list[str]:
        """HasSettings and the process version, where they may go back. A sidecar that we made keeps both."""
        if self.before is None or _others_develop(self.now) != _others_develop(ours):
            return []
        return [name for name in fields.IN_FORCE if self.now.text(name) == ours.text(name)]

    def _remove(self, name: str) -> None:
        self.changes[name] = becomes_absent
        self.edits.append(_removal(self.now, name))

    def _put_back(self, name: str, old: str, before: Packet) -> None:
        self.changes[name] = becomes_text(old)
        value = self.now.properties[name].value
        raw = raw_value(before, before.properties[name].value)
        if any(sign in raw for sign in b"<\"'"):
            raw = escaped(old).encode("utf-8")  # its own spelling does not fit everywhere
        self.edits += replace_raw_value(self.now, value, raw)

    def _keywords(self, ours: Packet) -> None:
        had = () if self.before is None else keywords(self.before)
        added = [word for word in keywords(ours) if word not in had]
        value = self.now.value(fields.SUBJECT)
        if value is None or value.kind is not Kind.ARRAY:
            return
        utf8 = self.now.encoded.utf8
        items = list(zip(value.items, value.holder.elements, strict=True))
        gone = [index for index, (item, _) in enumerate(items) if item.kind is Kind.SIMPLE and item.text in added]
        if not gone:
            return
        if len(gone) == len(items) and (self.before is None or fields.SUBJECT not in self.before.properties):
            self._remove(fields.SUBJECT)
            return
        for index in gone:
            element = items[index][1]
            self.edits.append(Splice(element.start - len(space_before(utf8, element.start)), element.end, b""))

        def without(tree: Tree | None) -> Tree | None:
            assert tree is not None  # the second reader sees the list that ours has read
            kept = tuple(item for index, item in enumerate(tree[2]) if index not in gone)
            return (tree[0], tree[1], kept, tree[3])

        self.changes[fields.SUBJECT] = without

    def result(self) -> bytes:
        return checked(self.now, self.edits, self.changes) if self.edits else self.now.data

    def accepts(self, candidate: bytes) -> bool:
        """Whether a candidate says exactly what this plan would make the packet say."""
        try:
            seen = read_statements(Packet.parse(candidate).encoded.utf8)
            now = read_statements(self.now.encoded.utf8)
            compare(changed(now, self.changes), seen)
        except (SidecarMalformed, OwnCheckFailed):
            return False
        return True


def _others_develop(packet: Packet) -> dict[str, object]:
    """The develop settings that are not ours, as values that compare."""
    ours = {row.name for row in FIELD_TABLE} | set(fields.IN_FORCE)
    start = names.expanded(names.CAMERA_RAW, "")
    return {
        name: _comparable(found.value)
        for name, found in packet.properties.items()
        if name.startswith(start) and name not in ours
    }


def _comparable(value: Value) -> object:
    if value.kind is Kind.ARRAY:
        return tuple(_comparable(item) for item in value.items)
    if value.kind is Kind.STRUCTURE:
        return tuple(sorted((name, repr(_comparable(item))) for name, item in value.fields.items()))
    return value.text


def _removal(packet: Packet, name: str) -> Splice:
    """The edit that takes a top-level property out, with the white space before it."""
    utf8 = packet.encoded.utf8
    found = packet.properties[name]
    if found.element is None:
        place = start_tag(utf8, found.description).properties[name]
        return Splice(place.start, place.end, b"")
    start = found.element.start
    return Splice(start - len(space_before(utf8, start)), found.element.end, b"")


def _tidied(data: bytes, before: Packet | None) -> bytes:
    """The packet without namespace declarations that our insertions needed and nothing uses any more, and with empty
    descriptions closed the way they were."""
    packet = Packet.parse(data)
    utf8 = packet.encoded.utf8
    known = (
        set() if before is None else {uri for element in before.document.elements for uri in element.declared.values()}
    )
    edits: list[Splice] = []
    for index, description in enumerate(packet.descriptions):
        tag = start_tag(utf8, description)
        for attribute in tag.attributes:
            prefix = attribute.declares
            uri = description.declared.get(prefix) if prefix else None
            if uri is None or uri in known or uri not in (names.CAMERA_RAW, names.XMP, names.DC):
                continue
            inside = utf8[description.start : description.end]
            if inside.count(attribute.name[6:] + b":") == 0:
                edits.append(Splice(attribute.start, attribute.end, b""))
        was_empty = before is not None and index < len(before.descriptions) and before.descriptions[index].empty_tag
        if was_empty and not description.empty_tag and all(isinstance(item, str) for item in description.content):
            edits.append(Splice(tag.end - 1, description.end, b"/>"))
    return checked(packet, edits, {}) if edits else data
