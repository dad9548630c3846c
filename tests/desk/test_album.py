"""The album on the desk: its list is the command's, and what is heard across a gap is what the files hold."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from autochain.album.list_file import Entry, list_text, read_list
from autochain.album.masters import master_names
from autochain.album.tracks import find_tracks
from autochain.check.checked import judged
from autochain.config import read_config
from autochain.desk.album import END_S, AlbumOnDesk
from autochain.desk.album_view import album_part
from autochain.desk.folder import SongFiles
from autochain.errors import ConfigError, UsageError
from autochain.measure.inspection import inspect_file

RATE_HZ = 44100

words = st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=40)
entries = st.builds(
    Entry,
    file=words,
    title=st.one_of(st.just(""), words),
    offset_lu=st.floats(-40.0, 40.0),
    runs_into_next=st.booleans(),
)


@given(st.lists(entries, min_size=1, max_size=8))
def test_a_list_is_toml_and_reads_back(songs: list[Entry]) -> None:
    text = list_text(songs)
    # tomllib, the standard library's reader of TOML 1.0
    read = tomllib.loads(text)["track"]
    assert [Entry.model_validate(one) for one in read] == songs


def album_of(folder: Path, names: list[str], seconds: float = 4.0) -> AlbumOnDesk:
    for place, name in enumerate(names):
        noise = 0.03 * (place + 1) * np.random.default_rng(place).standard_normal((round(seconds * RATE_HZ), 2))
        soundfile.write(folder / f"{name}.wav", noise, RATE_HZ, subtype="FLOAT")
    out = folder / "masters"
    return AlbumOnDesk(lambda: [SongFiles(path, out) for path in sorted(folder.glob("*.wav"))], out)


def test_songs_stand_in_the_folders_order_until_they_are_moved(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b", "c"])
    first = [entry.file for entry in album.entries]
    assert [Path(file).name for file in first] == ["a.wav", "b.wav", "c.wav"]
    assert not (tmp_path / "masters").exists()
    album.ordered(first[::-1])
    assert [track.songs[0].path.name for track in find_tracks([album.out / "album.toml"])] == [
        "c.wav", "b.wav", "a.wav"
    ]  # fmt: skip


def test_a_song_that_comes_later_goes_last_and_one_that_is_gone_is_left_out(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["b", "c"])
    album.ordered([entry.file for entry in album.entries][::-1])
    album_of(tmp_path, ["a"])
    (tmp_path / "c.wav").unlink()
    assert [Path(entry.file).name for entry in album.entries] == ["b.wav", "a.wav"]


def test_what_ran_into_its_neighbour_does_not_run_into_another(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b", "c"])
    files = [entry.file for entry in album.entries]
    album.changed(files[0], runs_into_next=True)
    assert album.entries[0].runs_into_next
    album.ordered([files[0], files[2], files[1]])
    assert not any(entry.runs_into_next for entry in album.entries)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"title": "a\nb"}, "control character"),
        ({"offset_lu": 41.0}, "offset_lu"),
        ({"offset_lu": "1"}, "offset_lu"),
        ({"length": 1}, "length"),
    ],
)
def test_what_a_song_cannot_be_is_refused_and_nothing_is_written(
    tmp_path: Path, change: dict[str, object], told: str
) -> None:
    album = album_of(tmp_path, ["a", "b"])
    with pytest.raises(UsageError, match=told):
        album.changed(album.entries[0].file, **change)
    assert not album.out.exists()


def test_an_order_names_every_song_once(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b"])
    files = [entry.file for entry in album.entries]
    for wrong in ([files[0]], [files[0], files[0]], [*files, "/etc/passwd"]):
        with pytest.raises(UsageError, match="Load the page again"):
            album.ordered(wrong)


def test_a_list_that_somebody_broke_is_told_and_stays(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b"])
    album.out.mkdir()
    (album.out / "album.toml").write_text("[[track]\n")
    with pytest.raises(ConfigError, match=r"album\.toml"):
        _ = album.entries
    assert (album.out / "album.toml").read_text() == "[[track]\n"


def test_wishes_are_kept_and_ranges_hold(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b"])
    album.wished(levels="relations", same_settings=0.5)
    album.wished(lufs=-12.0)
    assert album.wish.model_dump() == {
        "levels": "relations", "lufs": -12.0, "ceiling_dbtp": -1.0, "same_settings": 0.5
    }  # fmt: skip
    with pytest.raises(UsageError, match="lufs"):
        album.wished(lufs=1.0)
    assert album.wish.lufs == -12.0


def test_wanted_loudness_follows_the_relations_of_the_mixes(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b"])
    album.wished(levels="relations", lufs=-10.0)
    songs = [tmp_path / "a.wav", tmp_path / "b.wav"]
    checked = {str(path.resolve()): judged(inspect_file(path), path.name, read_config()) for path in songs}
    # Noise of twice the amplitude is 6.02 dB louder (20 log10 2).
    assert [line.wanted_lufs for line in album_part(album, checked).lines] == ["-16.0 LUFS", "-10.0 LUFS"]


def test_across_a_gap_the_files_own_samples_are_heard(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["a", "b"])
    album.ordered([entry.file for entry in album.entries])
    with pytest.raises(UsageError, match="not there yet"):
        album.heard_across(0)
    names = [name for track in album.tracks for name in master_names(track)[:-1]]
    written = []
    for place, name in enumerate(names):
        noise = 0.1 * np.random.default_rng(place).standard_normal((round(13.0 * RATE_HZ), 2)).astype(np.float32)
        soundfile.write(album.out / name, noise, RATE_HZ, subtype="FLOAT")
        written.append(noise)
    gap = album.heard_across(0)
    frames = round(END_S * RATE_HZ)
    assert gap.seam_s == END_S
    assert np.array_equal(gap.samples, np.concatenate([written[0][-frames:], written[1][:frames]]))
    with pytest.raises(UsageError, match="no next song"):
        album.heard_across(1)


def test_a_list_written_by_the_desk_is_read_by_the_command(tmp_path: Path) -> None:
    album = album_of(tmp_path, ["one", 'two "quoted" \\ é'])
    album.changed(album.entries[1].file, title="Second", offset_lu=-1.5)
    read = read_list(album.out / "album.toml")
    assert [(entry.title, entry.offset_lu) for entry in read] == [("", 0.0), ("Second", -1.5)]
    assert all(Path(entry.file).exists() for entry in read)
