"""From the open song to the words of its page: what is known is told, what is not is left open, and nothing is made."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from autochain.desk.curve_facts import of_file
from autochain.desk.facts import SongFacts
from autochain.desk.facts_of import facts_of
from autochain.desk.fields import place_in_range
from autochain.desk.folder import SongFiles
from autochain.desk.open_song import OpenSong
from autochain.desk.song_view import chain_part, costs_part, head_part
from autochain.desk.ticked import Ticked
from autochain.desk.words import takes_words
from autochain.errors import UsageError


@pytest.fixture(scope="module")
def song(brief_mix: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[OpenSong]:
    """A song whose settings were verified."""
    opened = OpenSong(SongFiles(brief_mix, tmp_path_factory.mktemp("out")))
    opened.measure_job().run(quietly, never)
    opened.verify_job().run(quietly, never)
    yield opened
    opened.close()


def never() -> bool:
    return False


def quietly(phase: str, share: float) -> None:
    pass


def test_a_song_goes_from_nothing_known_to_verified(brief_mix: Path, tmp_path: Path) -> None:
    """Opened, measured, verified, turned: at each step the page says what is known then."""
    song = OpenSong(SongFiles(brief_mix, tmp_path))
    bare = facts_of(song)
    assert bare.checked is None
    assert head_part(bare)["state"].startswith("Settings come")
    assert chain_part(bare)["stages"] == []
    song.measure_job().run(quietly, never)
    measured = facts_of(song)
    assert measured.checked is not None
    assert measured.looks is not None
    assert head_part(measured)["state"] == "About on target:"
    assert measured.course is None
    song.verify_job().run(quietly, never)
    verified = facts_of(song)
    assert verified.hand.exact
    assert verified.course_is_now
    assert verified.course is not None
    assert head_part(verified)["state"] == "Target reached:"
    assert head_part(verified)["figures"].startswith("-9.0 LUFS at ")
    # The loudest 3 s of the picture are the loudest 3 s that the meter of the whole song tells.
    assert verified.hand.loudest_part_lufs == pytest.approx(max(verified.course.master_lufs), abs=0.2)
    song.turn("limiter", "release_ms", 333.0, 0.0)
    turned = facts_of(song)
    assert not turned.hand.exact
    assert not turned.course_is_now
    assert turned.undo
    assert set(turned.meters) == set(verified.meters)
    assert head_part(turned)["figures"].startswith("about ")
    song.undo(0.0)
    assert facts_of(song).hand.exact
    song.close()


def test_a_field_stands_where_its_value_is(song: OpenSong) -> None:
    limiter = song.chain.stages["limiter"]
    release, link = limiter.parameter("release_ms"), limiter.parameter("link_percent")
    assert [place_in_range(release, value) for value in (release.low, release.high)] == [0.0, 100.0]
    # On a logarithmic scale the geometric mean stands in the middle.
    assert place_in_range(release, (release.low * release.high) ** 0.5) == pytest.approx(50.0, abs=0.01)
    assert place_in_range(link, 25.0) == 25.0
    assert place_in_range(link, None) is None


def test_every_setting_that_means_something_has_a_field(song: OpenSong) -> None:
    facts = facts_of(song)
    for stage in chain_part(facts)["stages"]:
        own = facts.settings[stage.name]
        names = [field.parameter.name for group in stage.groups for field in group.fields]
        names += [field.parameter.name for field in stage.quiet]
        known = facts.chain.stages[stage.name]
        assert sorted(names) == sorted(
            name for name in own if known.applies(own, name) and (stage.name, name) != ("output", "trim_db")
        )


def test_scores_compare_only_where_the_loudness_is_the_same(song: OpenSong) -> None:
    facts = facts_of(song)
    hand = facts.hand
    assert hand.lufs is not None
    assert hand.score is not None
    louder = replace(hand, key="kept.1", name="quiet", lufs=hand.lufs - 3.0, score=0.1)
    alike = replace(hand, key="suggestion", name="suggestion", score=hand.score + 1.0)
    shown = replace(facts, kept=(louder,), suggestion=alike)
    assert head_part(shown)["beside"][0] == f"quiet 0.10 at {hand.lufs - 3.0:.1f} LUFS"
    least = [one["least"] for one in costs_part(shown)["scores"]]
    assert least == [True, False, False]


def test_versions_that_missed_the_loudness_have_no_score(song: OpenSong) -> None:
    facts: SongFacts = facts_of(song)
    missed = replace(facts, limiter=replace(facts.hand, key="limiter_alone", name="limiter alone", met=False))
    assert [one["text"] for one in costs_part(missed)["scores"]][-1] == "–"


def test_a_curve_on_disk_is_read_and_one_that_is_none_is_not(tmp_path: Path) -> None:
    path = tmp_path / "x.curve.json"
    assert of_file(path) is None
    torn = '{"points": [{"met": true}], "not_tried_lufs": [], "knee": null, "said": []}'
    for text in ("", "[]", '{"points": 1}', torn):
        path.write_text(text, encoding="utf-8")
        assert of_file(path) is None, text
    point = {"target_lufs": -9.0, "met": True, "costs": {"score": 2.5}, "baselines": {}}
    limiter = {"limiter_only": {"met": True, "score": 4.0}, "trade_default": {"met": False, "score": 1.0}}
    said = {
        "points": [{**point, "target_lufs": -8.0, "baselines": limiter}, point], "not_tried_lufs": [-7.0],
        "knee": {"lufs": -8.4, "corner": True}, "said": ["It rises."],
    }  # fmt: skip
    path.write_text(json.dumps(said), encoding="utf-8")
    curve = of_file(path)
    assert curve is not None
    assert [(one.lufs, one.score, one.met) for one in curve.points] == [
        (-9.0, 2.5, True), (-8.0, 2.5, True), (-7.0, None, False)
    ]  # fmt: skip
    assert (curve.points[1].limiter_score, curve.points[1].trade_score) == (4.0, None)
    assert curve.knee_lufs == -8.4


def test_a_reference_is_looked_at_until_that_is_taken_back(tmp_path: Path) -> None:
    ticked = Ticked(tmp_path)
    (tmp_path / "a.wav").write_bytes(b"")
    (tmp_path / "b.flac").write_bytes(b"")
    assert [on for _, on in ticked.all()] == [True, True]
    ticked.tick("a.wav", False)
    assert [(path.name, on) for path, on in Ticked(tmp_path).all()] == [("a.wav", False), ("b.flac", True)]
    ticked.tick("a.wav", True)
    assert [on for _, on in ticked.all()] == [True, True]
    with pytest.raises(UsageError, match="no reference"):
        ticked.tick("../a.wav", False)
    (tmp_path / "off.json").write_text("{", encoding="utf-8")
    assert [on for _, on in ticked.all()] == [True, True]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (None, "some minutes"), (5.0, "some seconds"), (40.0, "half a minute"), (70.0, "about a minute"),
        (170.0, "about 3 minutes"),
    ],
)  # fmt: skip
def test_how_long_it_takes_is_said_in_words(seconds: float | None, words: str) -> None:
    assert takes_words(seconds) == words
