"""The overview of made-up records, so that it can be of thousands."""

from dataclasses import replace
from pathlib import Path

from autochain.album.as_json import to_json
from autochain.album.job import Failure
from autochain.album.pictures import MOST_DRAWN
from autochain.album.record import Record
from autochain.album.report import MOST_ROWS, to_html, to_markdown
from autochain.album.run import Album
from autochain.album.tracks import Song, Track

NAMES = ("integrated_lufs", "true_peak_dbtp", "psr_median_db", "loudness_range_lu", "side_to_mid_db")


def album(count: int) -> Album:
    tracks = []
    for place in range(count):
        figures = dict(zip(NAMES, (-9.0, -1.1, 20.0 if place == 7 else 10.0, 5.0, -6.0), strict=True))
        record = Record(
            request="", title=f"song {place}", file="", target_lufs=-9.0, mix_lufs=-15.0, ready="ready",
            met=place != 11, figures=figures, score=1.0, files={}, earlier=[], levels=[],
            balance_db={"bass": -3.0, "low mids": -5.0}, change_db={"bass": 0.1}, head_s=0.2, tail_s=0.2,
        )  # fmt: skip
        track = Track(songs=(Song(path=Path("a.wav"), title=record.title, stem=f"{place}-a"),))
        tracks.append((track, Failure(file="a.wav", reason="cannot be read") if place == 13 else record))
    return Album(
        policy="same", target_lufs=-9.0, ceiling_dbtp=-1.0, tracks=tuple(tracks), lufs=-9.0, redone=0
    )


def test_all_tracks_of_an_album_are_shown() -> None:
    page, text = to_html(album(MOST_ROWS)), to_markdown(album(MOST_ROWS))
    # Two heads, all tracks, all but the one that failed, and the medians.
    assert page.count("<tr>") == 2 + MOST_ROWS + MOST_ROWS - 1 + 1
    assert text.count("\n| song ") == 2 * MOST_ROWS - 1
    assert "Shown, of" not in page


def test_of_a_catalogue_those_are_shown_that_ask_for_a_look() -> None:
    page, text = to_html(album(3 * MOST_ROWS)), to_markdown(album(3 * MOST_ROWS))
    assert page.count("<tr>") == 1 + 3 + 1 + 2 + 1
    assert [line.split(" | ")[0] for line in text.splitlines() if line.startswith("| song")] == [
        "| song 7", "| song 11", "| song 13", "| song 7", "| song 11",
    ]  # fmt: skip
    assert f"Shown, of {3 * MOST_ROWS}: tracks that failed" in page
    assert "1498 of 1500 tracks reach their loudness; 1 misses it; 1 failed." in text
    assert to_json(album(3 * MOST_ROWS)).count('"error": null') == 3 * MOST_ROWS - 1


def test_who_must_go_back_is_told_first_and_stands_out_in_the_table() -> None:
    made = album(20)
    tracks = list(made.tracks)
    for place in (3, 5):
        track, record = tracks[place]
        assert isinstance(record, Record)
        tracks[place] = track, record.model_copy(update={"ready": "revisit", "reasons": "clipped, hum"})
    made = replace(made, tracks=tuple(tracks))
    text, page = to_markdown(made), to_html(made)
    lead, table = text.index("**2 of 20 go back to the mix first.**"), text.index("| track |")
    assert lead < table
    assert "- song 3: clipped, hum.\n- song 5: clipped, hum.\n" in text[lead:table]
    assert "\n| song 3 | **go back** | reached |" in text
    assert "\n| song 4 | ready | reached |" in text
    assert "\n| song 11 | ready | **missed** |" in text
    assert 'href="./3-a.sheet.html#findings"' in page
    assert to_json(made).count('"reasons": "clipped, hum"') == 2
    # Of a catalogue they are among those that ask for a look.
    many = album(3 * MOST_ROWS)
    many = replace(many, tracks=(*many.tracks[:-1], tracks[3]))
    assert "\n| song 3 | **go back** |" in to_markdown(many)
    assert "1 of 1500 goes back to the mix first." in to_markdown(many)


def test_pictures_name_their_tracks_and_of_many_those_that_stand_out() -> None:
    few, many = to_html(album(12)), to_html(album(3 * MOST_DRAWN))
    assert ">song 5</text>" in few
    assert ">song 5</text>" not in many
    assert many.count(">song 11</text>") == 1  # the one that missed its loudness, in the picture of loudness
    assert many.count(">song 7</text>") == 1  # the one whose peaks stand out, in the picture of peaks
    assert many.count("<svg") == 2
    assert "Of so many tracks" in many


def test_a_failed_track_is_told_with_its_reason_in_all_forms() -> None:
    made = album(20)
    assert to_json(made).count('"error": "cannot be read"') == 1
    assert "- song 13: cannot be read" in to_markdown(made)
    assert "song 13: cannot be read" in to_html(made)
