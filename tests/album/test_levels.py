"""Levels, outliers and lists: arithmetic that needs no search."""

from pathlib import Path

import pytest

from autochain.album.figures import outliers
from autochain.album.levels import track_targets_lufs
from autochain.album.tracks import find_tracks
from autochain.errors import ConfigError, UsageError


def test_relations_put_the_loudest_mix_at_the_target_and_keep_every_difference() -> None:
    assert track_targets_lufs("relations", -9.0, [-18.0, -14.5, -21.25], [0.0] * 3) == [-12.5, -9.0, -15.75]


def test_one_target_is_one_target() -> None:
    assert track_targets_lufs("same", -9.0, [-18.0, -14.5], [3.0, 1.0]) == [-9.0, -9.0]


def test_the_highest_offset_stands_at_the_target() -> None:
    assert track_targets_lufs("offsets", -9.0, [-18.0, -14.5, -20.0], [-1.0, 2.0, 0.0]) == [-12.0, -9.0, -11.0]


def test_one_value_far_from_the_rest_stands_out_and_a_scatter_does_not() -> None:
    # Closed form: median 10, median absolute deviation 1, so the limit is 3 * 1.4826 = 4.45 from it.
    assert outliers([9.0, 11.0, 10.0, 9.0, 11.0, 14.4], 1.0) == []
    assert outliers([9.0, 11.0, 10.0, 9.0, 10.0, 11.0, 14.6], 1.0) == [6]
    assert outliers([10.0, 10.0, 20.0], 1.0) == []


def test_a_list_gives_order_titles_and_offsets_beside_itself(tmp_path: Path) -> None:
    path = tmp_path / "order.toml"
    path.write_text('[[track]]\nfile = "b.wav"\ntitle = "Last Ferry"\noffset_lu = -2.0\n[[track]]\nfile = "a.wav"\n')
    first, second = find_tracks([path])
    assert (*first.paths, first.title, first.stem, first.offset_lu) == (tmp_path / "b.wav", "Last Ferry", "01-b", -2.0)
    assert (second.title, second.stem) == ("a", "02-a")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[track]]\nfil = 'a.wav'\n", r"track\.0\.fil"),
        ("[[track]\n", "not valid TOML"),
        ("", "track: Field required"),
        ("[[track]]\nfile = 'a.wav'\nruns_into_next = true\n", "a.wav is the last and runs into none"),
        (
            "[[track]]\nfile = 'a.wav'\nruns_into_next = true\noffset_lu = -1.0\n[[track]]\nfile = 'b.wav'\n",
            "a.wav runs into b.wav, so both have one gain, but offset_lu is -1 and 0",
        ),
    ],
)
def test_a_wrong_list_is_told_with_its_address(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "order.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=said):
        find_tracks([path])


def test_a_folder_without_sound_and_a_file_named_twice_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no sound file"):
        find_tracks([tmp_path])
    with pytest.raises(UsageError, match="named twice"):
        find_tracks([tmp_path / "a.wav", tmp_path / "a.wav"])
