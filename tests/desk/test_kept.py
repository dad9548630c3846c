"""Names of kept versions: whatever is written, one file in the folder, and none replaced without being asked."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autochain.desk.kept import Kept, file_name, key_of
from autochain.errors import UsageError

STORED = Path(__file__).parent.parent / "demo" / "sheet.json"


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=300))
def test_any_name_is_one_file_in_the_folder_or_refused(name: str) -> None:
    try:
        made = file_name(name)
    except UsageError:
        return
    path = Path("folder") / f"{made}.sheet.json"
    assert path.parent == Path("folder")
    assert path.name == f"{made}.sheet.json"
    assert not {"/", "\\", "\0", "\n"} & set(made)
    assert not made.startswith(".")
    assert len(path.name.encode()) < 255  # POSIX NAME_MAX of common file systems (from memory)
    assert file_name(made) == made


@pytest.mark.parametrize(
    ("name", "made"),
    [
        ("  warm   but loud ", "warm but loud"),
        ("../../etc/passwd", "-..-etc-passwd"),
        ("Гладко, 静かに, نرم", "Гладко, 静かに, نرم"),
        ("e\u0301", "\u00e9"),  # one name, one file, however it is composed
        ("nul", "nul-"),
        (".hidden", "hidden"),
    ],
)
def test_names_come_out_as_they_can_be(name: str, made: str) -> None:
    assert file_name(name) == made


@pytest.mark.parametrize("name", ["", "  ", "...", "///", "\0", None, 5, ["a"]])
def test_what_is_no_name_is_refused(name: object) -> None:
    with pytest.raises(UsageError):
        file_name(name)


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    kept = Kept(tmp_path / "song.versions")
    kept.keep_bytes("warm", STORED.read_bytes())
    return kept


def test_what_is_kept_is_there_with_its_figures(kept: Kept) -> None:
    (one,), refused = kept.all()
    assert not refused
    assert (one.name, one.key) == ("warm", key_of("warm"))
    assert one.version.figures is not None
    assert one.version.figures.score == pytest.approx(one.version.sheet.score)


@pytest.mark.parametrize("name", ["warm", "WARM", " warm "])
def test_a_name_that_is_taken_is_refused(kept: Kept, name: str) -> None:
    with pytest.raises(UsageError, match="is kept already"):
        kept.refuse_taken(name)


def test_the_next_of_a_kind_gets_a_number_and_the_bytes_stay(kept: Kept) -> None:
    kept.keep_bytes("warm", b"{}")
    found, refused = kept.all()
    assert [one.name for one in found] == ["warm"]
    (line,) = refused  # what is no sheet is told and left where it is
    assert "warm 2" in line
    assert kept.path_of("warm 2").read_bytes() == b"{}"
    assert kept.path_of("warm").read_bytes() == STORED.read_bytes()


def test_renaming_and_dropping(kept: Kept) -> None:
    assert kept.rename("warm", "Warm/er") == "Warm-er"
    assert [one.name for one in kept.all()[0]] == ["Warm-er"]
    kept.rename("Warm-er", "WARM-ER")  # another case of its own name
    kept.keep_bytes("other", STORED.read_bytes())
    with pytest.raises(UsageError, match="is kept already"):
        kept.rename("other", "warm-er")
    kept.drop("other")
    assert [one.name for one in kept.all()[0]] == ["WARM-ER"]
    with pytest.raises(UsageError, match="there is no kept version"):
        kept.drop("other")
