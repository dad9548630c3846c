"""From the open song to the words of its page: what is known is told, what is not is left open, and nothing is made."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from autochain.desk.curve_facts import of_file
from autochain.desk.facts import Meter, SongFacts
from autochain.desk.facts_of import facts_of
from autochain.desk.fields import place_in_range
from autochain.desk.folder import SongFiles
from autochain.desk.open_song import OpenSong
from autochain.desk.pages import folded, report_html
from autochain.desk.song_view import chain_part, costs_part, fragment, head_part
from autochain.desk.ticked import Ticked
from autochain.desk.words import takes_words
from autochain.document.blocks import Heading, Paragraph
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
    told = f"Beside it: suggestion {hand.score + 1.0:.2f}. At {hand.lufs - 3.0:.1f} LUFS: quiet 0.10."
    assert head_part(shown)["beside"] == told
    least = [one["least"] for one in costs_part(shown)["scores"]]
    assert least == [True, False, False]


def test_what_is_the_same_as_your_settings_is_named_and_not_held_beside_them(song: OpenSong) -> None:
    facts = facts_of(song)
    same = replace(facts.hand, key="kept.1", name="take 1", is_hand=True)
    shown = replace(facts, kept=(same,), same="take 1")
    assert head_part(shown)["beside"] == ""
    assert costs_part(shown)["heads"] == ["your settings"]
    assert "Your settings are those of" in fragment("head", replace(shown, suggestion=replace(same, key="suggestion")))


def test_the_head_says_where_stages_take_most(song: OpenSong) -> None:
    """Places within 2 s are one, what takes under 0.5 dB is left out, and three are told (limits of this project)."""
    told = {
        "peak_compressor": Meter(typical_db=1.0, most_db=2.0, most_at_s=30.0),
        "clipper": Meter(typical_db=1.0, most_db=3.0, most_at_s=65.0),
        "transient": Meter(typical_db=-0.2, most_db=-1.0, most_at_s=66.0),
        "limiter": Meter(typical_db=0.1, most_db=0.3, most_at_s=10.0),
    }
    places = head_part(replace(facts_of(song), meters=told))["listen"]
    assert [(one["time"], one["words"]) for one in places] == [
        ("1:05.0", "soft clipper takes 3.0 dB, transient shaper adds 1.0 dB"),
        ("0:30.0", "peak compressor takes 2.0 dB"),
    ]
    assert head_part(replace(facts_of(song), meters={}))["listen"] == []


def test_before_any_search_the_settings_are_called_usual_ones(song: OpenSong) -> None:
    facts = facts_of(song)
    assert head_part(facts)["usual"]
    assert not head_part(replace(facts, undo=True))["usual"]
    assert not head_part(replace(facts, suggestion=replace(facts.hand, key="suggestion")))["usual"]


def test_without_a_limiter_no_search_around_it_is_offered(song: OpenSong) -> None:
    facts = facts_of(song)
    bare = replace(facts, settings=facts.settings.without("limiter"), suggestion=replace(facts.hand, key="suggestion"))
    shown = fragment("head", bare)
    assert "needs a limiter: add it to the chain" in shown
    assert 'data-around="yes" disabled' in shown
    assert "disabled" not in fragment("head", replace(bare, settings=facts.settings))


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
        "knee": {"lufs": -8.4, "corner": True}, "said": ["It rises."], "ceiling_dbtp": -0.5,
    }  # fmt: skip
    path.write_text(json.dumps(said), encoding="utf-8")
    curve = of_file(path)
    assert curve is not None
    assert [(one.lufs, one.score, one.met) for one in curve.points] == [
        (-9.0, 2.5, True), (-8.0, 2.5, True), (-7.0, None, False)
    ]  # fmt: skip
    assert (curve.points[1].limiter_score, curve.points[1].trade_score) == (4.0, None)
    assert curve.knee_lufs == -8.4
    assert curve.ceiling_dbtp == -0.5


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


def test_of_a_report_the_first_part_is_seen_and_the_rest_is_folded() -> None:
    short = [Heading("files", 1), Paragraph("all is well")]
    assert folded(report_html(short)) == report_html(short)
    whole = folded(report_html([*short, Heading("two meters"), Paragraph("they agree"), Heading("sums")]))
    seen, _, rest = whole.partition("<details")
    assert "all is well" in seen
    assert "two meters" not in seen
    assert rest.index("two meters") < rest.index("they agree") < rest.index("sums") < rest.index("</details>")


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (None, ""), (5.0, ""), (44.9, ""), (45.0, "takes about a minute"), (89.0, "takes about a minute"),
        (170.0, "takes about 3 minutes"),
    ],
)  # fmt: skip
def test_how_long_it_takes_is_said_in_words(seconds: float | None, words: str) -> None:
    assert takes_words(seconds) == words
