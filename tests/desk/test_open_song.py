"""One song on the desk, from a mix to files, through the same tasks as the commands, and taken by these."""

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from autochain.desk.facts_of import facts_of
from autochain.desk.folder import SongFiles
from autochain.desk.open_song import OpenSong
from autochain.desk.song_view import fragment
from autochain.desk.work import DeskJob
from autochain.errors import ParameterError, StoppedError, TargetError, UsageError
from autochain.search.seen import SeenMix
from autochain.tasks.render import RenderRequest, render
from autochain.tasks.sounds import files_among
from tests.conftest import Ran, small_config

Told = list[str]


def do(job: DeskJob, stop: Callable[[], bool] = lambda: False) -> None:
    """Carry a job out as the desk's worker does."""
    job.run(lambda words, share: None, stop)


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_config(tmp_path_factory.mktemp("plan") / "plan.toml", budget=8)


@pytest.fixture(scope="module")
def kept_song(
    excerpts_mix: Path, plan: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[OpenSong, Told]]:
    """A song that was searched on the desk, turned a little, verified and kept as `by ear`."""
    told: Told = []
    out = tmp_path_factory.mktemp("desk") / "out"
    song = OpenSong(SongFiles(excerpts_mix, out), told.append, plan=plan)
    do(song.measure_job())
    do(song.search_job(around=False))
    song.turn("limiter", "release_ms", 47.0, 2.0)
    do(song.keep_job("by ear"))
    yield song, told
    song.close()


@pytest.fixture
def opened(kept_song: tuple[OpenSong, Told], plan: Path, tmp_path: Path) -> Iterator[OpenSong]:
    """The same song opened by another desk, in a folder of its own."""
    files = kept_song[0].files
    out = tmp_path / "out"
    shutil.copytree(files.out, out)
    song = OpenSong(SongFiles(files.path, out), plan=plan)
    yield song
    song.close()


def version(song: OpenSong, key: str):
    return next(one for one in song.versions() if one.key == key)


def kept_key(song: OpenSong) -> str:
    return next(one.key for one in song.versions() if one.name == "by ear")


def test_a_mix_can_be_heard_before_anything_is_known_of_it(excerpts_mix: Path, tmp_path: Path) -> None:
    song = OpenSong(SongFiles(excerpts_mix, tmp_path / "out"))
    try:
        assert [one.key for one in song.versions()] == ["mix"]
        samples, _ = soundfile.read(excerpts_mix, dtype="float32", always_2d=True)
        assert np.array_equal(song.sound("mix", 1, 0, song.frames), samples)
        with pytest.raises(UsageError, match="nothing is under the hand yet"):
            song.turn("limiter", "release_ms", 50.0, 0.0)
        assert not (tmp_path / "out").exists()  # listening writes nothing
    finally:
        song.close()


def test_a_loudness_that_is_typed_before_the_mix_is_measured_is_what_the_first_settings_reach(
    excerpts_mix: Path, plan: Path, tmp_path: Path
) -> None:
    song = OpenSong(SongFiles(excerpts_mix, tmp_path / "out"), plan=plan)
    try:
        assert song.aim(0.0, lufs=-12.0) is None  # no place is solved yet
        assert song.aim(0.0, ceiling_dbtp=-2.0) is None
        with pytest.raises(TargetError, match=r"3 LUFS is outside -40 to 0 LUFS\. Choose a loudness in that range"):
            song.aim(0.0, lufs=3.0)
        assert facts_of(song).target_lufs == -12.0
        do(song.measure_job())
        do(song.verify_job())
        assert song.state is not None
        assert (song.state.target.lufs, song.state.target.ceiling_dbtp) == (-12.0, -2.0)
        assert version(song, "hand").lufs == pytest.approx(-12.0, abs=0.05)
    finally:
        song.close()


def test_a_mix_is_measured_once_for_the_page_and_for_its_searches(
    excerpts_mix: Path, plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    song, times = OpenSong(SongFiles(excerpts_mix, tmp_path / "out"), plan=plan), []
    seen_of = SeenMix.of
    monkeypatch.setattr(SeenMix, "of", lambda mix: times.append(mix.sha256) or seen_of(mix))
    try:
        do(song.search_job(around=False))  # asked for before anything was measured
        do(song.curve_job(-12.0, -11.0, 1.0))
        assert times == [song.mix.sha256]
        assert song.measured is not None
    finally:
        song.close()


def test_a_mix_in_memory_is_known_by_its_file_and_nothing_takes_its_place(opened: OpenSong) -> None:
    assert files_among((opened.mix,)) == (opened.files.path,)
    opened.files.master.hardlink_to(opened.files.path)  # the mix itself, under the name of a result
    request = RenderRequest(mix=opened.mix, sheet=opened.files.sheet, out=opened.files.out, force=True)
    with pytest.raises(UsageError, match="is the source file and is never overwritten"):
        render(request)


def test_the_first_suggestion_comes_under_the_hand_and_its_best_so_far_was_heard(kept_song) -> None:
    song, told = kept_song
    keys = [one.key for one in song.versions()]
    assert keys[:5] == ["mix", "hand", "suggestion", "limiter_alone", "trade_default"]
    assert "best" not in keys  # gone with the search
    assert told.count("versions") > 5
    state = song.state
    assert state is not None
    suggested = song.sheet
    assert suggested is not None
    assert state.settings.without("drive", "output") == suggested.settings.with_(
        "limiter", release_ms=47.0
    ).without("drive", "output")


def test_levels_are_equal_when_each_version_has_its_gain(kept_song, libebur128) -> None:
    """Loudness of what is heard, read by libebur128 (through pyebur128)."""
    import pyebur128

    song, _ = kept_song
    heard = {}
    for one in song.versions():
        samples = song.sound(one.key, one.revision, 0, song.frames).astype(np.float64) * 10.0 ** (one.gain_db / 20.0)
        assert len(samples) == song.frames
        meter = pyebur128.R128State(2, song.mix.rate_hz, pyebur128.MeasurementMode.MODE_I)
        meter.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
        heard[one.key] = pyebur128.get_loudness_global(meter)
    assert len(heard) >= 6
    # A sheet's figures have three decimals, and two meters differ by their blocks' edges.
    assert max(heard.values()) - min(heard.values()) < 0.05, heard
    assert max(one.gain_db for one in song.versions()) == 0.0


def test_what_was_verified_is_exact(kept_song) -> None:
    song, _ = kept_song
    figures, state = song.estimate(), song.state
    assert figures is not None
    assert state is not None
    assert figures.exact
    assert figures.met
    assert figures.levels.integrated_lufs == pytest.approx(-9.0, abs=0.1)
    whole = song.chain.render(song.mix.samples, song.mix.rate_hz, state.active).samples
    assert np.array_equal(song.sound("hand", song.hand.revision, 0, song.frames), whole)
    assert version(song, "hand").exact
    assert version(song, kept_key(song)).lufs == pytest.approx(figures.levels.integrated_lufs, abs=1e-3)
    assert song.course is not None


def test_a_kept_version_is_a_sheet_that_render_takes(kept_song, command: Callable[..., Ran], tmp_path: Path) -> None:
    song, _ = kept_song
    sheet = song.sheet_path(kept_key(song))
    ran = command("render", song.files.path, "--sheet", sheet, "-o", tmp_path / "out")
    assert ran.code == 0, ran.err
    master, _ = soundfile.read(tmp_path / "out" / f"{song.files.stem}.master.wav", dtype="float64", always_2d=True)
    state = song.state
    assert state is not None
    own = state.active["output"]
    head, cut = (round(own[name] * song.mix.rate_hz / 1000.0) for name in ("head_silence_ms", "head_cut_ms"))
    heard = song.sound("hand", 1, cut, 5 * song.mix.rate_hz)
    # Dither of 24 bits: three half steps at most.
    assert np.abs(master[head : head + len(heard)] - heard).max() <= 1.6 * 2.0**-23


def test_a_kept_version_is_a_sheet_that_compare_takes(kept_song, command: Callable[..., Ran], tmp_path: Path) -> None:
    song, _ = kept_song
    sheet = song.sheet_path(kept_key(song))
    assert command("render", song.files.path, "--sheet", sheet, "-o", tmp_path).code == 0
    master = tmp_path / f"{song.files.stem}.master.wav"
    ran = command("compare", song.files.path, master, "--sheet", sheet, "--json")
    assert ran.code == 0, ran.err  # the master reaches the sheet


def test_a_kept_version_is_a_sheet_that_a_search_stays_near(
    kept_song, command: Callable[..., Ran], plan: Path, tmp_path: Path
) -> None:
    song, _ = kept_song
    sheet = song.sheet_path(kept_key(song))
    ran = command(
        "suggest", song.files.path, "--around", sheet, "--config", plan, "-o", tmp_path, "--jobs", 1, "--no-sound"
    )
    assert ran.code == 0, ran.err
    found = json.loads((tmp_path / f"{song.files.stem}.sheet.json").read_text(encoding="utf-8"))
    own = json.loads(sheet.read_text(encoding="utf-8"))
    assert found["around"]["sha256"]
    assert [one["stage"] for one in found["stages"]] == [one["stage"] for one in own["stages"]]
    assert set(own["baselines"]) == {"limiter_only", "trade_default"}  # those of the suggestion
    assert own["search"]["chosen_from"] == "by hand"


def test_a_point_that_was_read_off_the_meters_leads_back_to_the_settings(kept_song) -> None:
    from autochain.config.model import Coordinates
    from autochain.search.space import outline_at
    from autochain.solve.decisions import Decisions
    from autochain.solve.solved import Guess

    song, _ = kept_song
    own = json.loads(song.sheet_path(kept_key(song)).read_text(encoding="utf-8"))
    point = Coordinates(**own["search"]["coordinates"])
    state = song.state
    assert state is not None
    assert song.measured is not None
    common = ("rotation", "equaliser", "dynamic_bell", "tone", "output")
    kept = state.active.only(name for name in common if name in state.active)
    outline = outline_at(point, Decisions(locks=kept), state.active["limiter"]["ceiling_dbtp"], song.chain)
    solved = song.measured.ready().song.solve(outline, -9.0, Guess()).settings
    assert list(solved) == list(state.active)
    for stage, parameter in (("bus_compressor", "threshold_db"), ("peak_compressor", "threshold_db")):
        if stage in solved:  # within the 0.05 dB of work to which a threshold is solved, and its step
            assert solved[stage][parameter] == pytest.approx(state.active[stage][parameter], abs=0.4)
    assert solved["limiter"]["release_ms"] == 47.0


def test_a_name_that_is_taken_and_a_version_that_is_none_are_refused(opened: OpenSong) -> None:
    before = {path: path.read_bytes() for path in opened.files.versions.iterdir()}
    with pytest.raises(UsageError, match="is kept already"):
        opened.keep("By Ear")
    for call in (
        lambda: opened.take("kept.nothing", 0.0),
        lambda: opened.drop("kept.nothing"),
        lambda: opened.sound("nothing", 1, 0, 10),
        lambda: opened.sound("mix", 1, -5, 10),
        lambda: opened.rename("../hand", "x"),
        lambda: opened.reference("../../x", True),
    ):
        with pytest.raises(UsageError):
            call()
    for at in (float("nan"), "1", None, True):
        with pytest.raises(ParameterError):
            opened.place(at)
    assert {path: path.read_bytes() for path in opened.files.versions.iterdir()} == before


def test_after_a_kill_everything_is_there(kept_song, opened: OpenSong) -> None:
    song, _ = kept_song
    assert opened.state == song.state
    assert opened.can_undo is song.can_undo
    assert [one.key for one in opened.versions()] == [one.key for one in song.versions()]
    opened.turn("clipper", "softness", 55.0, 1.0)
    left = opened.state
    again = OpenSong(opened.files)  # nobody has closed the first
    try:
        assert again.state == left
        again.undo(0.0)
        assert again.state == song.state
    finally:
        again.close()


def test_a_torn_hand_is_told_and_the_suggestion_is_under_the_hand(opened: OpenSong) -> None:
    (opened.files.versions / "hand.json").write_text('{"format_version": 1, "now"')
    again = OpenSong(opened.files)
    try:
        assert again.sheet is not None
        assert again.state is not None
        assert again.state.active == again.sheet.settings
        (said,) = again.told
        assert "hand.not-read-1.json" in said
    finally:
        again.close()


def test_the_same_turns_come_to_the_same_figures(opened: OpenSong) -> None:
    def turned() -> tuple[bytes, object]:
        opened.turn("limiter", "release_ms", 20.0, 3.0)
        opened.turn("clipper", "softness", 80.0, 3.0)
        do(opened.verify_job())
        assert opened.state is not None
        return opened.sound("hand", 1, 0, opened.frames).tobytes(), opened.estimate()

    first = turned()
    opened.turn("limiter", "release_ms", 300.0, 5.0)
    do(opened.verify_job())
    opened.hand._verdicts.clear()
    assert turned() == first


def test_an_estimate_is_marked_until_the_song_was_verified(opened: OpenSong) -> None:
    do(opened.verify_job())
    before = opened.estimate()
    heard = opened.turn("limiter", "release_ms", 5.0, 3.0)
    guess = opened.estimate()
    assert before is not None
    assert guess is not None
    assert not guess.exact
    assert not version(opened, "hand").exact
    assert heard.start_s <= 3.0 < heard.stop_s
    do(opened.verify_job())
    exact = opened.estimate()
    assert exact is not None
    assert exact.exact
    assert version(opened, "hand").revision > heard.revision  # so that a page asks for the exact render
    assert guess.score is not None
    assert exact.score is not None
    assert before.score is not None
    # The place tells which way it goes, and not much more is promised of it.
    assert (guess.score - before.score) * (exact.score - before.score) > 0.0


def test_a_verification_that_nobody_waits_for_any_more_ends(opened: OpenSong) -> None:
    opened.turn("limiter", "release_ms", 5.0, 3.0)
    turned = []

    def progress(words: str, share: float) -> None:
        if share >= 0.3 and not turned:
            turned.append(opened.turn("limiter", "release_ms", 6.0, 3.0))

    opened.verify_job().run(progress, lambda: False)
    assert opened.estimate() is not None
    assert not opened.estimate().exact
    with pytest.raises(StoppedError):
        opened.keep("never", stop=lambda: True)
    assert "never" not in [one.name for one in opened.versions()]


def test_the_place_follows_what_is_heard(opened: OpenSong) -> None:
    first = opened.place(2.0)
    assert (first.start_s, first.stop_s) == (2.0, 8.0)
    inside = opened.turn("limiter", "release_ms", 11.0, 4.0)
    assert (inside.start_s, inside.stop_s) == (2.0, 8.0)
    outside = opened.turn("limiter", "release_ms", 12.0, 0.2)
    assert outside.start_s == 0.0
    begin = round(outside.start_s * opened.mix.rate_hz)
    assert opened.turned is not None
    assert np.array_equal(opened.sound("hand", outside.revision, begin + 100, 1000), opened.turned.samples[100:1100])
    # Where the place ends the song goes on, at the drive that was solved last.
    beyond = opened.sound("hand", outside.revision, round(7.5 * opened.mix.rate_hz), 1000)
    whole = opened.chain.render(opened.mix.samples, opened.mix.rate_hz, opened.turned.settings).samples
    at = round(7.5 * opened.mix.rate_hz)
    assert np.abs(beyond - whole[at : at + 1000]).max() < 1e-3


def test_a_search_around_what_is_under_the_hand_keeps_the_earlier_suggestion(opened: OpenSong) -> None:
    opened.switch("clipper", False, 1.0)
    opened.lock("limiter", "release_ms", True, 1.0)
    before = opened.files.sheet.read_bytes()
    state = opened.state
    do(opened.search_job(around=True))
    assert opened.sheet is not None
    assert "clipper" not in opened.sheet.settings
    assert opened.sheet.settings["limiter"]["release_ms"] == 47.0
    assert opened.kept.path_of("earlier suggestion").read_bytes() == before
    assert state is not None
    assert opened.state is not None
    assert opened.state.active.without("drive", "output") == state.active.without("drive", "output")
    opened.take("suggestion", 1.0)
    assert opened.state.active == opened.sheet.settings
    assert opened.like_hand() == {"suggestion"}
    assert facts_of(opened).same == "the suggestion"
    assert opened.estimate() is not None
    assert opened.estimate().exact  # as its sheet has them


def test_a_curve_is_heard_point_by_point_and_lies_there_as_the_command_s(opened: OpenSong) -> None:
    seen = []

    def changed(what: str) -> None:
        if what == "curve":
            seen.append([one.key for one in opened.versions() if one.key.startswith("point.")])

    opened.changed = changed
    do(opened.curve_job(-12.0, -11.0, 1.0))
    assert seen[0] == []
    assert seen[1] in (["point.-12"], ["point.-11"])
    assert sorted(seen[-1]) == ["point.-11", "point.-12"]
    assert opened.curve is not None
    assert opened.curve.complete
    names = {path.name for path in opened.files.out.iterdir()}
    stem = opened.files.stem
    assert {f"{stem}.curve.json", f"{stem}.at-12.0.sheet.json", f"{stem}.at-11.0.sheet.json"} <= names
    opened.take("point.-12", 0.0)
    assert opened.state is not None
    assert opened.state.target.lufs == -12.0
    again = OpenSong(opened.files)
    try:
        assert {"point.-12", "point.-11"} <= {one.key for one in again.versions()}
        assert again.curve == opened.curve or again.curve is not None
    finally:
        again.close()


def test_a_curve_is_found_again_with_another_ceiling(opened: OpenSong) -> None:
    do(opened.curve_job(-12.0, -11.0, 1.0))
    opened.aim(0.0, ceiling_dbtp=-2.0)
    assert facts_of(opened).curve is not None
    assert "a ceiling of -1.0 dBTP; yours is -2.0 dBTP now" in fragment("loud", facts_of(opened))
    do(opened.curve_job(-12.0, -11.0, 1.0))
    assert opened.curve is not None
    assert opened.curve.ceiling_dbtp == -2.0
    assert "yours is" not in fragment("loud", facts_of(opened))
    opened.take("point.-12", 0.0)
    assert opened.state is not None
    assert (opened.state.target.lufs, opened.state.target.ceiling_dbtp) == (-12.0, -2.0)
    # A point that is left of the other ceiling is none of this curve.
    opened.curve = replace(opened.curve, ceiling_dbtp=-1.0)
    opened.read_versions()
    assert not any(one.key.startswith("point.") for one in opened.versions())


def test_a_curve_that_is_stopped_keeps_what_it_has(opened: OpenSong) -> None:
    found = []
    opened.changed = lambda what: found.append(sum(key.startswith("point.") for key in opened.beside()))
    job = opened.curve_job(-13.0, -9.0, 1.0)
    assert job.best_so_far  # the queue lets it come to its end
    do(job, lambda: max(found) >= 2)
    curve = opened.curve
    assert curve is not None
    assert not curve.complete
    assert not curve.running
    left = [one.lufs for one in curve.points if one.score is None]
    assert 1 <= len(left) <= 3
    assert curve.statement[0].startswith("Stopped before these were searched: ")
    sheets = {path.name for path in opened.files.out.glob("*.at-*.sheet.json")}
    assert sheets == {f"{opened.files.stem}.at{one.lufs:.1f}.sheet.json" for one in curve.points if one.score}
    again = OpenSong(opened.files)
    try:
        read = again.curve
        assert read is not None
        assert (read.complete, read.statement) == (False, curve.statement)
        assert [(one.lufs, one.met) for one in read.points] == [(one.lufs, one.met) for one in curve.points]
    finally:
        again.close()


def test_a_curve_that_is_stopped_before_its_first_point_leaves_what_there_was(opened: OpenSong) -> None:
    before = opened.curve
    with pytest.raises(StoppedError):
        do(opened.curve_job(-10.0, -9.0, 1.0), lambda: True)
    assert opened.curve is before
    assert not opened.files.curve.exists()


def test_what_goes_out_is_heard_as_a_bounce_and_compared(opened: OpenSong) -> None:
    do(opened.deliver_job(("flac24",)))
    stem = opened.files.stem
    master = opened.files.out / f"{stem}.master.wav"
    assert master.exists()
    assert (opened.files.out / f"{stem}.master.24bit.flac").exists()
    assert opened.delivery
    one = opened.add_bounce(master)
    # Silence in front is taken out to the sample: what is left apart is the dither of 24 bits.
    heard = opened.sound(one.key, one.revision, 0, opened.frames)
    state = opened.state
    assert state is not None
    own = state.active["output"]
    first, last = (round(own[f"{end}_cut_ms"] * opened.mix.rate_hz / 1000.0) for end in ("head", "tail"))
    inside = slice(first, opened.frames - last)
    assert np.abs(heard - opened.sound("hand", 1, 0, opened.frames))[inside].max() <= 1.6 * 2.0**-23
    do(opened.compare_job(one.key))
    assert (opened.files.out / f"{stem}.master.compare.json").exists()
    by, found = opened.compared[one.key]
    assert by == "what went out"
    assert found.reached
    opened.drop(one.key)
    assert one.key not in [version.key for version in opened.versions()]
    assert master.exists()


def test_a_bounce_is_judged_by_what_went_out_by_the_hand_or_as_chosen(opened: OpenSong) -> None:
    suggested = opened.sheet
    assert suggested is not None
    opened.aim(0.0, lufs=suggested.target.lufs - 1.0)
    do(opened.deliver_job())
    master = opened.files.master
    told = json.loads(opened.files.delivery.read_bytes())
    assert told["sheet"]["file"] == opened.files.delivered.name  # what it was made by lies there, under that name
    one = opened.add_bounce(master)
    do(opened.compare_job(one.key))
    by, found = opened.compared[one.key]
    # It is what was asked for: held against the suggestion it would be 1 LU too quiet.
    assert (by, found.reached) == ("what went out", True)
    do(opened.compare_job(one.key, "suggestion"))
    by, found = opened.compared[one.key]
    assert (by, found.reached) == ("suggestion", False)
    opened.files.delivered.unlink()
    do(opened.compare_job(one.key))
    by, found = opened.compared[one.key]
    assert (by, found.reached) == ("your settings", True)
    with pytest.raises(UsageError, match="'mix' has no sheet"):
        do(opened.compare_job(one.key, "mix"))


def test_a_bounce_at_another_rate_in_one_channel_and_late_is_in_step(opened: OpenSong, tmp_path: Path) -> None:
    import soxr

    rate, late = opened.mix.rate_hz, 4410
    mono = opened.mix.samples.mean(axis=1)
    moved = np.concatenate([np.zeros(late, np.float32), 0.5 * mono])
    path = tmp_path / "bounce.wav"
    soundfile.write(path, soxr.resample(moved, rate, 48000, quality="VHQ"), 48000, subtype="FLOAT")
    one = opened.add_bounce(path)
    heard = opened.sound(one.key, 1, 0, opened.frames)
    assert heard.shape == opened.mix.samples.shape
    inside = slice(rate, opened.frames - rate)
    # Up to half a sample is left of the step; twice resampled: -60 dB of what is there.
    correlation = np.corrcoef(heard[inside, 0], mono[inside])[0, 1]
    assert correlation > 0.999
    assert opened.bounce(one.key).delay_s == pytest.approx(0.1, abs=1e-4)


def test_the_desk_s_suggestion_is_the_command_s_to_the_byte(
    kept_song, command: Callable[..., Ran], plan: Path, tmp_path: Path
) -> None:
    """Also: listening to the best so far changes nothing of the result."""
    song, _ = kept_song
    ran = command("suggest", song.files.path, "--config", plan, "-o", tmp_path, "--jobs", 1, "--no-sound")
    assert ran.code == 0, ran.err
    name = f"{song.files.stem}.sheet.json"
    assert (tmp_path / name).read_bytes() == (song.files.out / name).read_bytes()


def test_a_search_that_was_stopped_goes_on(excerpts_mix: Path, plan: Path, tmp_path: Path) -> None:
    song = OpenSong(SongFiles(excerpts_mix, tmp_path / "out"), plan=plan)
    try:
        do(song.measure_job())
        asked: list[int] = []

        def stop() -> bool:
            asked.append(1)
            return len(asked) > 2

        do(song.search_job(around=False), stop)
        assert song.files.journal.exists()
        assert song.sheet is not None
        assert song.sheet.said is not None
        assert not song.sheet.said.search.complete  # the best so far, and it can be heard
        words: list[str] = []
        song.search_job(around=False).run(lambda phase, share: words.append(phase), lambda: False)
        assert any(one.startswith("going on after") for one in words)
        assert not song.files.journal.exists()
        assert song.sheet.said.search.complete
    finally:
        song.close()


def test_a_setting_that_no_search_reaches_is_locked_on_the_sheet(opened: OpenSong) -> None:
    opened.turn("transient", "onset_db", -2.0, 1.0)
    opened.keep("softer hits")
    sheet = json.loads(opened.kept.path_of("softer hits").read_text(encoding="utf-8"))
    assert sheet["provenance"]["request"]["locks"] == {"transient.onset_db": -2.0}
    assert sheet["search"]["coordinates"]["onset_db"] == 0.0


def test_a_sheet_edited_by_hand_is_played_no_louder_than_what_it_aims_at(opened: OpenSong) -> None:
    path = opened.kept.path_of("by ear")
    sheet = json.loads(path.read_text(encoding="utf-8"))
    sheet["stages"][-2]["settings"]["release_ms"] = 90.0
    path.write_text(json.dumps(sheet), encoding="utf-8")
    opened.read_versions()
    one = version(opened, kept_key(opened))
    assert not one.exact
    assert one.score is None
    assert one.gain_db == pytest.approx(version(opened, "mix").lufs - -9.0, abs=0.05)
    opened.take(one.key, 0.0)
    assert opened.state is not None
    assert opened.state.active["limiter"]["release_ms"] == 90.0


def test_a_loudest_part_as_the_target_is_played_no_louder_either(opened: OpenSong) -> None:
    opened.aim(1.0, loudest_part_lufs=-7.5)
    one = version(opened, "hand")
    assert not one.exact
    assert one.gain_db < -4.0
    do(opened.verify_job())
    figures = opened.estimate()
    assert figures is not None
    assert figures.levels.max_short_term_lufs == pytest.approx(-7.5, abs=0.1)


def test_many_hands_at_once_leave_a_whole_song(opened: OpenSong) -> None:
    """Two pages turn, four listen, one verifies; what is left is what was turned last."""
    import threading

    errors: list[BaseException] = []
    ended = threading.Event()

    def forever(call: Callable[[int], object]) -> None:
        number = 0
        while not ended.is_set():
            number += 1
            try:
                call(number)
            except BaseException as error:
                errors.append(error)
                return

    rate = opened.mix.rate_hz
    calls: list[Callable[[int], object]] = [
        lambda n: opened.turn("limiter", "release_ms", 10.0 + n % 100, 2.0),
        lambda n: opened.switch("clipper", n % 2 == 0, 6.0),
        lambda n: opened.sound("hand", 0, n * 777 % opened.frames, rate),
        lambda n: opened.sound("suggestion", 0, n * 777 % opened.frames, rate),
        lambda n: opened.versions(),
        lambda n: opened.estimate(),
        lambda n: do(opened.verify_job()),
    ]
    threads = [threading.Thread(target=forever, args=(call,)) for call in calls]
    for thread in threads:
        thread.start()
    ended.wait(4.0)
    ended.set()
    for thread in threads:
        thread.join(60.0)
    assert not errors, errors
    opened.turn("limiter", "release_ms", 77.0, 2.0)
    again = OpenSong(opened.files)
    try:
        assert again.state == opened.state
        assert again.state is not None
        assert again.state.settings["limiter"]["release_ms"] == 77.0
    finally:
        again.close()


def test_what_was_turned_before_any_search_is_there_before_the_mix_is_measured(
    excerpts_mix: Path, plan: Path, tmp_path: Path
) -> None:
    song = OpenSong(SongFiles(excerpts_mix, tmp_path / "out"), plan=plan)
    do(song.measure_job())
    song.turn("limiter", "release_ms", 44.0, 1.0)
    song.close()
    again = OpenSong(song.files, plan=plan)
    try:
        assert again.state == song.state
        again.undo(1.0)
        assert again.state is not None
        assert again.state.settings["limiter"]["release_ms"] == 80.0  # the trade default's
    finally:
        again.close()
    (song.files.versions / "hand.json").write_text("{")
    torn = OpenSong(song.files, plan=plan)
    try:
        assert torn.state is None
        do(torn.measure_job())
        assert torn.state is not None
        assert any("hand.not-read-1.json" in line for line in torn.told)
    finally:
        torn.close()


@pytest.mark.parametrize("clipper", ["off", "over all peaks"])
def test_without_a_limiter_the_trim_holds_the_ceiling(opened: OpenSong, clipper: str) -> None:
    opened.switch("limiter", False, 1.0)
    opened.turn("clipper", "ceiling_dbfs", 20.0, 1.0)
    opened.switch("clipper", clipper != "off", 1.0)
    do(opened.verify_job())
    figures, state = opened.estimate(), opened.state
    assert figures is not None
    assert state is not None
    assert figures.exact
    assert not figures.met  # nothing takes the peaks, so that it does not get that loud
    assert figures.levels.true_peak_dbtp is not None
    assert figures.levels.true_peak_dbtp <= -1.0
    assert state.active["output"]["trim_db"] < 0.0
    opened.keep("no limiter")
    opened.switch("limiter", True, 1.0)
    do(opened.verify_job())
    again = opened.estimate()
    assert again is not None
    assert again.met  # and the trim is not left where it was
    assert opened.state is not None
    assert opened.state.active["output"]["trim_db"] > state.active["output"]["trim_db"]
