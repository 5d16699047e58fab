"""The camera table, asked for every name in LibRaw's own list (the outside source of this page)."""

from __future__ import annotations

import re

import numpy as np
import pytest

from xmpsync.read.cameras import TableMatch, camera_list, listed_name, table_match, table_matrix


def lines() -> list[tuple[str, str]]:
    """Maker and models of each line, notes in brackets left out."""
    parted = (re.sub(r"\([^)]*\)", "", line).strip().partition(" ") for line in camera_list())
    return [(make, " ".join(models.split())) for make, _, models in parted]


def test_the_list_is_found() -> None:
    assert len(lines()) > 1000


# names as cameras write them into Exif (recalled from memory), and the list's first name
SECOND_NAMES = {
    ("Canon", "Canon EOS REBEL T3i"): "EOS 600D",
    ("Canon", "Canon EOS Kiss X5"): "EOS 600D",
    ("Canon", "Canon EOS REBEL SL1"): "EOS 100D",
    ("Canon", "Canon EOS REBEL T7"): "EOS 1500D",
    ("Canon", "Canon EOS REBEL T7i"): "EOS 800D",
    ("Canon", "Canon EOS 2000D"): "EOS 1500D",
    ("Canon", "Canon EOS 9000D"): "EOS 77D",
    ("Canon", "Canon EOS DIGITAL REBEL XT"): "EOS 350D",
    ("Canon", "Canon EOS Kiss Digital X"): "EOS 400D",
    ("Canon", "Canon EOS Kiss M"): "EOS M50",
    ("Canon", "Canon EOS REBEL T5"): "EOS 1200D",
    ("RICOH IMAGING COMPANY, LTD.", "PENTAX K-3 II"): "K-3 Mark II",
    ("RICOH IMAGING COMPANY, LTD.", "PENTAX K-3 Mark III"): "K-3 Mark III",
    ("Panasonic", "DMC-FZ38"): "DMC-FZ35",
    ("Panasonic", "DMC-TZ61"): "DMC-ZS40",
    ("KONICA MINOLTA", "DYNAX 5D"): None,  # the list has the maker as Minolta; no wrong name either
    ("Minolta", "DYNAX 5D"): "Alpha 5D",
    ("FUJIFILM", "FinePix S5100"): None,  # the list leaves the series' name out
    ("NIKON CORPORATION", "NIKON Z 6_2"): "Z 6 II",
    ("Canon", "Canon EOS REBEL T9z"): None,
}


@pytest.mark.parametrize("name", SECOND_NAMES)
def test_a_second_name_means_its_own_camera(name: tuple[str, str]) -> None:
    found = listed_name(*name)
    assert (found and found[1]) == SECOND_NAMES[name]
    if found is not None:
        expected, matrix = table_matrix(*found), table_matrix(*name)
        # LibRaw's table has one of the three names of the last camera only, and not the list's first
        assert matrix is not None and (found[0] == "Minolta" or np.array_equal(matrix, np.asarray(expected)))
        assert table_match(*name) is TableMatch.EXACT


def test_every_first_name_in_the_list_means_its_own_line() -> None:
    wrong = []
    for make, models in lines():
        first = re.split(r"[/,]", models)[0].strip()
        for text in (first, f"{make} {first}", first.upper()):
            found = listed_name(make, text)
            if found is None or found[0] != make or not found[1].lower().startswith(first.lower()):
                wrong.append((make, text, found))
    # 'Alpha/Dynax/Maxxum 5D' and 'OM Digital Solutions OM-1': the number or the maker goes on behind the first word
    assert [w for w in wrong if w[0] not in ("Minolta", "OM", "Digital")] == []


def test_every_second_name_in_the_list_is_its_line_or_a_camera_of_that_very_name() -> None:
    letters = re.compile(r"[^a-z0-9]")
    first = {
        letters.sub("", f"{make}{re.split(r'[/,]', models)[0]}".lower().replace("mark", "")) for make, models in lines()
    }
    checked = 0
    for make, models in lines():
        parts = [part.strip() for part in re.split(r"[/,]", models)]
        for second in parts[1:]:
            found = listed_name(make, second)
            if letters.sub("", f"{make}{second}".lower()) in first or found is None:
                continue
            checked += 1
            assert found[1].split()[0].startswith(parts[0].split()[0]), (make, models, second, found)
    assert checked > 80


def test_a_longer_name_than_any_in_the_list_is_told() -> None:
    assert table_match("Canon", "Canon EOS REBEL T9z") in (TableMatch.PREFIX, TableMatch.NONE)
    assert table_match("NIKON CORPORATION", "NIKON Z 6_9") is not TableMatch.EXACT
