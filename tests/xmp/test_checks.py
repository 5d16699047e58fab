"""The checks have teeth: each kind of wrong edit is caught."""

from __future__ import annotations

import pytest

from tests.xmp.samples import attributes
from xmpsync.errors import OwnCheckFailed, SidecarMalformed
from xmpsync.xmp import names, verify
from xmpsync.xmp.edit import Change, apply_change
from xmpsync.xmp.encoding import Encoded
from xmpsync.xmp.packet import Packet
from xmpsync.xmp.second_reader import Statements, read_statements
from xmpsync.xmp.splice import Splice, spliced
from xmpsync.xmp.verify import becomes_absent, becomes_text, checked, same_meaning

DATA = b"<doc>ab<!--c-->" + attributes('crs:Tint="+1" o:a="2" crs:Contrast="3"', "<o:b>4</o:b>") + b"</doc>"
TINT = names.expanded(names.CAMERA_RAW, "Tint")
WANTED = {TINT: becomes_text("+7")}


def edit(old: bytes, new: bytes) -> Splice:
    start = DATA.index(old)
    return Splice(start, start + len(old), new)


def test_a_right_edit_passes() -> None:
    packet = Packet.parse(DATA)
    assert checked(packet, [edit(b"+1", b"+7")], WANTED) == DATA.replace(b"+1", b"+7")


WRONG = {
    "the wrong value": [edit(b"+1", b"+8")],
    "another property": [edit(b"+1", b"+7"), edit(b'"3"', b'"5"')],
    "another element": [edit(b"+1", b"+7"), edit(b">4<", b">5<")],
    "an element renamed": [edit(b"+1", b"+7"), edit(b"<o:b>4</o:b>", b"<o:d>4</o:d>")],
    "a property lost": [edit(b"+1", b"+7"), edit(b' o:a="2"', b"")],
    "a property more": [edit(b'"+1"', b'"+7" o:c="1"')],
    "a comment": [edit(b"+1", b"+7"), edit(b"<!--c-->", b"")],
    "text around": [edit(b"+1", b"+7"), edit(b">ab<", b">abc<")],
    "broken XML": [edit(b'"+1"', b'"+7')],
    "a name of the resource": [edit(b"+1", b"+7"), edit(b'about=""', b'about="x"')],
    "a comment more": [edit(b'"+1"', b'"+7"'), edit(b"<o:b>4", b"<o:b>4<!--d-->")],
    "a comment in": [edit(b"+1", b"+7"), Splice(DATA.index(b"<o:b>"), DATA.index(b"<o:b>"), b"<!--d-->")],
    "nothing at all": [],
}


@pytest.mark.parametrize("what", WRONG)
def test_a_wrong_edit_is_caught(what: str) -> None:
    with pytest.raises(OwnCheckFailed) as caught:
        checked(Packet.parse(DATA), WRONG[what], WANTED)
    assert caught.value.exit_code == 70


def test_a_removal_must_remove() -> None:
    with pytest.raises(OwnCheckFailed):
        checked(Packet.parse(DATA), [edit(b"+1", b"+7")], {TINT: becomes_absent})


@pytest.mark.parametrize("what", ["another byte", "a byte more", "a mark lost"])
def test_bytes_outside_the_edit_are_compared(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The splicing itself is broken on purpose."""
    data = "\ufeff".encode() + DATA

    def broken(encoded: Encoded, edits: list[Splice]) -> bytes:
        good = encoded.back(spliced(encoded.utf8, edits))
        return {
            "another byte": good.replace(b">4<", b">5<"),
            "a byte more": good + b"\n",
            "a mark lost": b"   " + good[3:],
        }[what]

    monkeypatch.setattr(verify, "apply_edits", broken)
    with pytest.raises(OwnCheckFailed):
        checked(Packet.parse(data), [edit(b"+1", b"+7")], WANTED)


@pytest.mark.parametrize("what", ["second reader differs", "second reader refuses"])
def test_the_second_reader_has_the_last_word(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    after = DATA.replace(b"+1", b"+7")

    def reader(utf8: bytes) -> object:
        if utf8 != after:
            return read_statements(utf8)
        if what == "second reader refuses":
            raise SidecarMalformed("no")
        return read_statements(utf8.replace(b'"3"', b'"5"'))

    monkeypatch.setattr(verify, "read_statements", reader)
    with pytest.raises(OwnCheckFailed):
        checked(Packet.parse(DATA), [edit(b"+1", b"+7")], WANTED)


def test_a_second_reader_that_sees_other_surroundings_is_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    first = read_statements(DATA)
    seen = [first, Statements(first.properties, first.about, ())]
    monkeypatch.setattr(verify, "read_statements", lambda _utf8: seen.pop(0))
    with pytest.raises(OwnCheckFailed, match="outside the properties"):
        checked(Packet.parse(DATA), [edit(b">4<", b">4<")], {})  # takes markup away: the long way


def test_an_edit_of_text_alone_is_read_once_and_every_other_on_the_long_way(monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[bytes] = []
    monkeypatch.setattr(verify, "read_statements", lambda utf8: (read.append(utf8), read_statements(utf8))[1])
    after = DATA.replace(b"+1", b"+7")
    checked(Packet.parse(DATA), [edit(b"+1", b"+7")], WANTED)
    assert read == [after]
    read.clear()
    checked(Packet.parse(DATA), [edit(b"+1", b"+7"), edit(b">4<", b">4<")], WANTED)
    assert read == [DATA, after]


def test_a_second_value_beside_the_first_is_caught_on_the_short_way() -> None:
    """The second reader itself refuses a property that is there twice; XML forbids only equal attributes."""
    twice = DATA.replace(b"<o:b>", b"<crs:Tint>+7</crs:Tint><o:b>")
    with pytest.raises(SidecarMalformed, match="twice"):
        read_statements(twice)


def test_padding_may_change_and_nothing_else() -> None:
    same_meaning(DATA, DATA.replace(b"</rdf:RDF>", b"</rdf:RDF>  \n"))
    with pytest.raises(OwnCheckFailed):
        same_meaning(DATA, DATA.replace(b"+1", b"+2"))
    with pytest.raises(OwnCheckFailed, match="encoding or subject"):
        same_meaning(DATA, DATA.decode().encode("utf-16"))


def test_edits_that_overlap_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="overlap"):
        spliced(b"abc", [Splice(0, 2, b""), Splice(1, 3, b"")])


def test_an_edit_passes_beside_every_kind_of_value() -> None:
    """XMP part 1, 7.5 to 7.9: nothing of this may disturb the second reader."""
    others = (
        '<!--a--><?b c?><o:uri rdf:resource="u" o:q="x"/><o:uri2 xml:lang="en" rdf:resource="u"/>'
        '<o:short o:f="1" o:g="2"/><o:typed><o:T o:f="1"><o:g>2</o:g></o:T></o:typed><rdf:type rdf:resource="t"/>'
        '<o:node><rdf:Description rdf:about="" o:f="1"/></o:node><o:empty rdf:parseType="Resource"/>'
        '<o:list><rdf:Alt><rdf:li xml:lang="x-default">a</rdf:li><rdf:li rdf:parseType="Resource"><o:f>1</o:f></rdf:li>'
        '</rdf:Alt></o:list><o:base xml:base="b" xml:space="preserve"> c<!--d--> </o:base>'
        '<crs:Tint xml:space="default" xml:lang="en">+1</crs:Tint><crs:WhiteBalance rdf:value="Custom" o:q="x"/>'
    )
    data = attributes('xml:lang="de" o:a="1"', others).replace(b"<rdf:Desc", b"<!--e--><rdf:Desc")
    assert apply_change(data, Change(tint=7)) == data.replace(b">+1<", b">+7<")


def test_long_texts_come_in_pieces_and_stay_whole() -> None:
    text = "ä\n" * 200_000
    data = attributes('crs:Exposure2012="0.00"', f"<o:b>{text}</o:b>")
    packet = Packet.parse(data)
    assert packet.text(names.expanded("http://example.org/other/", "b")) == text
    assert apply_change(data, Change(exposure_ev=1)) == data.replace(b'"0.00"', b'"+1.00"')
