"""The main job end to end: what the sheet promises is what outside meters read in the rendered file."""

import hashlib
import json
import re

import numpy as np
import pytest
import soundfile

from autochain.audio.files import read_mix, write_wav
from autochain.audio.signals import pink_noise, sine
from autochain.chain.chain import DEFAULT
from autochain.config import read_config
from autochain.config.model import Weights
from autochain.demo import CHARACTERS, make_demo
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.measure.true_peak import read_true_peak
from autochain.sheet.words import COSTS
from tests.conftest import DEMO_S, DEMO_TRIALS

RATE = 44100
# Stated by the sheet's promise: the printed loudness and peak are what an outside meter reads.
METER_DB = 0.05
TARGET_LU = 0.1


def codes(sheet):
    return [note["code"] for note in sheet["notes"]]


def settings_of(sheet):
    return DEFAULT.checked({stage["stage"]: stage["settings"] for stage in sheet["stages"]})


# --- the five demo mixes -------------------------------------------------------------------------------------


@pytest.mark.parametrize("character", CHARACTERS)
def test_every_demo_mix_reaches_its_target(demo_run, libebur128, character):
    run = demo_run(character)
    assert run.ran.code == 0, run.ran.err
    assert run.sheet["met"]
    loudness, peak = libebur128(run)
    assert loudness == pytest.approx(run.target_lufs, abs=TARGET_LU)
    assert peak <= run.ceiling_dbtp


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_preview_reads_as_the_sheet_says(demo_run, libebur128, character):
    run = demo_run(character)
    loudness, peak = libebur128(run)
    after = run.sheet["after"]
    assert loudness == pytest.approx(after["integrated_lufs"], abs=METER_DB)
    assert peak == pytest.approx(after["true_peak_sinc49_dbtp"], abs=METER_DB)
    info = soundfile.info(run.preview)
    assert (info.format, info.subtype, info.samplerate, info.channels) == ("WAV", "PCM_24", RATE, 2)
    assert len(run.song()) == soundfile.info(run.mix).frames


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_ceiling_holds_by_all_three_readings_of_the_written_file(demo_run, character):
    run = demo_run(character)
    written = read_mix(run.preview).samples
    reading = read_true_peak(written, RATE)
    for peak in (reading.annex2_dbtp, reading.sinc49_dbtp, reading.x16_dbtp, reading.highest_dbtp):
        assert peak <= run.ceiling_dbtp
    assert run.sheet["after"]["true_peak_dbtp"] <= run.ceiling_dbtp


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_settings_of_the_json_give_the_figures_of_the_json(demo_run, character):
    run = demo_run(character)
    mix = read_mix(run.mix)
    again = DEFAULT.render(mix.samples, mix.rate_hz, settings_of(run.sheet)).samples
    after = run.sheet["after"]
    # The JSON holds three decimals.
    assert integrated_lufs(weighted_hops(again, mix.rate_hz)) == pytest.approx(after["integrated_lufs"], abs=0.001)
    assert read_true_peak(again, mix.rate_hz).highest_dbtp == pytest.approx(after["true_peak_dbtp"], abs=0.001)


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_preview_is_the_mix_through_those_settings(demo_run, character):
    run = demo_run(character)
    mix = read_mix(run.mix)
    again = DEFAULT.render(mix.samples, mix.rate_hz, settings_of(run.sheet)).samples
    # Triangular dither of two steps peak to peak, and half a step of rounding: 1.5 steps of 24 bits.
    assert np.abs(run.song() - again).max() <= 1.6 * 2.0**-23


CHAIN_EARNS = read_config().search.chain_earns


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_suggestion_is_never_worse_than_the_baselines(demo_run, character):
    sheet = demo_run(character).sheet
    assert set(sheet["baselines"]) == {"limiter_only", "trade_default"}
    for baseline in sheet["baselines"].values():
        # A limiter alone, or a clipper with one, is suggested for a chain that gains less than chain_earns over it.
        assert sheet["costs"]["score"] <= baseline["score"] + CHAIN_EARNS


@pytest.mark.parametrize("character", CHARACTERS)
def test_suggestion_and_baselines_stand_on_the_sheet_with_every_cost(demo_run, character):
    run = demo_run(character)
    for column in (run.sheet["costs"], *run.sheet["baselines"].values()):
        assert set(column) >= set(Weights.model_fields) | {"score"}
        # score: sum of weight x cost; noise-to-mask ratios through 10 lg(1 + 10^((NMR + 20) / 10))
        priced = 0.0
        for name, weight in run.sheet["weights"].items():
            value = column[name]
            if name.endswith("nmr_db"):
                value = 10.0 * np.log10(1.0 + 10.0 ** ((value + 20.0) / 10.0))
            priced += weight * value
        assert column["score"] == pytest.approx(priced, abs=0.01)
    lines = [line for line in run.markdown.splitlines() if line.startswith("| ")]
    for label, unit, _, _ in COSTS.values():
        rows = [line for line in lines if line.startswith(f"| {label}, {unit} |")]
        # label, suggestion, two baselines, weight, contribution, spread, meaning; the neighbours' table has fewer
        assert [len(row.split("|")) for row in rows].count(10) == 1
    assert "| limiter alone | trade default |" in run.markdown


@pytest.mark.parametrize("character", CHARACTERS)
def test_the_command_prints_the_sheet_it_writes_and_leaves_the_mix_alone(demo_run, character):
    run = demo_run(character)
    assert run.ran.out == run.markdown
    assert hashlib.sha256(run.mix.read_bytes()).hexdigest() == run.mix_sha256 == run.sheet["mix"]["sha256"]
    phases = ["measuring the mix", "calibrating the excerpts", "searching", "verifying on the whole song"]
    told = run.ran.err.splitlines()
    assert [line for line in told if line.removesuffix(" ...") in phases] == [f"{phase} ..." for phase in phases]
    assert all(re.fullmatch(r"[a-z, ]+ \.\.\.", line) for line in told)  # progress alone, no warnings
    stem = run.mix.stem
    ends = ["preview.txt", "preview.wav", "sheet.html", "sheet.json", "sheet.md"]
    assert sorted(p.name for p in run.preview.parent.iterdir()) == [f"{stem}.{end}" for end in ends]


def test_a_demo_mix_is_searched_on_excerpts_and_verified_on_the_whole(demo_run):
    sheet = demo_run(CHARACTERS[0]).sheet
    heard_s = sum(one["stop_s"] - one["start_s"] for one in sheet["search"]["excerpts"])
    assert heard_s == pytest.approx(2 * 3.2)
    assert sheet["search"]["trials"] == DEMO_TRIALS
    assert sheet["mix"]["duration_s"] == pytest.approx(DEMO_S, abs=0.5)


# --- targets that need no search, or cannot be met -----------------------------------------------------------


def test_a_quieter_target_is_gain_alone_at_no_cost(suggested, libebur128, brief_mix, tmp_path):
    run = suggested(brief_mix, tmp_path / "out", -20.0, -1.0)
    assert run.ran.code == 0
    assert list(settings_of(run.sheet)) == ["drive", "output"]
    assert run.sheet["costs"]["score"] == 0.0
    assert "Price: 0.0 dB of crest lost; no distortion added; 0.0 dB of gain movement." in run.markdown
    assert codes(run.sheet) == ["gain_only"]  # its ends are silent: they are cut, and nothing needs a fade
    loudness, peak = libebur128(run)
    assert loudness == pytest.approx(-20.0, abs=TARGET_LU)
    mix = read_mix(brief_mix).samples
    gain = settings_of(run.sheet)["drive"]["gain_db"]
    # What is cut lies 110 dB under the peak of the mix; the rest differs by rounding and dither.
    np.testing.assert_allclose(run.song(), mix * 10.0 ** (gain / 20.0), atol=10.0 ** (-110.0 / 20.0))
    assert peak == pytest.approx(libebur128(brief_mix)[1] + gain, abs=0.01)


@pytest.fixture(scope="module")
def flattened(tmp_path_factory):
    """Noise clipped hard at -9 dBFS: a mix that somebody has limited before."""
    samples = np.clip(pink_noise(8.0, RATE, -12.0), -0.355, 0.355)
    path = tmp_path_factory.mktemp("dense") / "dense.wav"
    write_wav(path, samples, RATE, 1)
    return path


@pytest.mark.parametrize(("lufs", "code"), [(-3.0, 3), (-18.0, 0)])
def test_a_mix_without_headroom_is_only_moved_never_clipped(suggested, libebur128, flattened, tmp_path, lufs, code):
    mix_lufs, mix_peak = libebur128(flattened)
    assert mix_peak - mix_lufs < 8.0
    run = suggested(flattened, tmp_path / "out", lufs, -1.0)
    assert run.ran.code == code
    assert list(settings_of(run.sheet)) == ["drive", "output"]
    assert codes(run.sheet) == ["mix_too_dense"]
    gain = settings_of(run.sheet)["drive"]["gain_db"]
    before, after = read_mix(flattened).samples, run.song()
    np.testing.assert_allclose(after, before * 10.0 ** (gain / 20.0), atol=2e-7)
    loudness, peak = libebur128(run.preview)
    assert peak <= -1.0
    if code == 3:
        # As loud as the ceiling lets it: the next settable step of 0.1 dB would pass it.
        assert run.sheet["after"]["true_peak_dbtp"] > -1.0 - 0.1 - 0.001
        assert not run.sheet["met"]
        assert "Target NOT reached" in run.markdown
    else:
        assert loudness == pytest.approx(lufs, abs=TARGET_LU)


def test_an_impossible_target_writes_the_closest_result_and_says_so(suggested, libebur128, small_plan, tmp_path):
    mix = tmp_path / "sparse.wav"
    write_wav(mix, make_demo("sparse_acoustic", RATE, 10.0, 1)[: 5 * RATE], RATE, 1)
    # As loud above the ceiling as a target may be: a square wave would do it, music does not.
    run = suggested(mix, tmp_path / "out", 0.0, -2.0, "--config", small_plan, "--budget", 10)
    assert run.ran.code == 3
    assert not run.sheet["met"]
    assert codes(run.sheet)[0] == "target_missed"
    note = run.sheet["notes"][0]
    assert f"{run.sheet['after']['integrated_lufs']:.1f} LUFS" in note["text"]
    assert note["suggestion"]
    assert "Target NOT reached" in run.markdown
    loudness, peak = libebur128(run)
    assert loudness == pytest.approx(run.sheet["after"]["integrated_lufs"], abs=METER_DB)
    # Far louder than it came, yet short: the closest there is, not the first tried.
    assert run.sheet["before"]["integrated_lufs"] + 6.0 < loudness < -TARGET_LU
    assert run.sheet["after"]["integrated_lufs"] >= max(b["integrated_lufs"] for b in run.sheet["baselines"].values())
    assert peak <= -2.0


# --- other files ---------------------------------------------------------------------------------------------


def check_short_run(run, libebur128):
    assert run.ran.code == 0, run.ran.err
    loudness, peak = libebur128(run)
    assert loudness == pytest.approx(run.target_lufs, abs=TARGET_LU)
    assert loudness == pytest.approx(run.sheet["after"]["integrated_lufs"], abs=METER_DB)
    assert peak == pytest.approx(run.sheet["after"]["true_peak_sinc49_dbtp"], abs=METER_DB)
    assert peak <= run.ceiling_dbtp


def test_a_mono_file_is_mastered_in_mono(suggested, libebur128, brief_mix, small_plan, tmp_path):
    mix = tmp_path / "mono.wav"
    samples, rate_hz = soundfile.read(brief_mix, dtype="float64", always_2d=True)
    soundfile.write(mix, samples.mean(axis=1), rate_hz, subtype="PCM_24")
    run = suggested(mix, tmp_path / "out", -12.0, -1.0, "--config", small_plan, "--budget", 8)
    check_short_run(run, libebur128)
    assert run.sheet["mix"]["channels"] == soundfile.info(run.preview).channels == 1
    assert run.sheet["after"]["correlation"] is None


def test_a_96_khz_file_is_mastered_at_96_khz(suggested, libebur128, small_plan, tmp_path):
    mix = tmp_path / "wide.wav"
    write_wav(mix, make_demo("vocal_with_piano", 96000, 10.0, 1)[: 4 * 96000], 96000, 1)
    run = suggested(mix, tmp_path / "out", -11.0, -1.0, "--config", small_plan, "--budget", 8)
    check_short_run(run, libebur128)
    assert run.sheet["mix"]["rate_hz"] == soundfile.info(run.preview).samplerate == 96000


@pytest.mark.parametrize(
    ("end", "kind", "subtype"),
    [("ogg", "OGG", "VORBIS"), ("aiff", "AIFF", "PCM_16")],  # tests/audio reads every format
)
def test_other_formats_are_read_and_reach_the_target(
    suggested, libebur128, brief_mix, small_plan, tmp_path, end, kind, subtype
):
    samples, rate_hz = soundfile.read(brief_mix, dtype="float32", always_2d=True)
    mix = tmp_path / f"song.{end}"
    soundfile.write(mix, samples, rate_hz, format=kind, subtype=subtype)
    run = suggested(mix, tmp_path / "out", -11.0, -1.0, "--config", small_plan, "--budget", 6)
    check_short_run(run, libebur128)
    assert run.sheet["mix"]["file"] == f"song.{end}"
    assert run.sheet["mix"]["subtype"] == subtype


# --- what the engineer has decided ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def locked(suggested, brief_mix, small_plan, tmp_path_factory):
    """A search with decided settings, some between the steps that the search itself keeps to."""
    locks = {
        "bus_compressor.attack_ms": 23.7,
        "bus_compressor.threshold_db": -17.25,
        "clipper.softness": 33.0,
        "equaliser.band1_freq_hz": 27.0,
        "equaliser.band1_gain_db": -1.5,
        "limiter.release_ms": 123.0,
    }
    arguments = [text for name, value in locks.items() for text in ("--lock", f"{name}={value}")]
    out = tmp_path_factory.mktemp("locked") / "out"
    plan = ("--config", small_plan, "--budget", 12, "--without", "transient", "--without", "rotation")
    return locks, suggested(brief_mix, out, -10.0, -1.0, *plan, *arguments)


def test_locks_are_honoured_to_the_digit(locked):
    locks, run = locked
    settings = settings_of(run.sheet)
    for name, value in locks.items():
        stage, parameter = name.split(".")
        assert settings[stage][parameter] == value
    assert run.sheet["provenance"]["request"]["locks"] == locks


def test_a_stage_left_out_is_not_on_the_sheet(locked):
    _, run = locked
    assert not {"transient", "rotation"} & set(settings_of(run.sheet))
    assert run.sheet["provenance"]["request"]["without"] == ["rotation", "transient"]


def test_a_search_with_locks_still_reaches_its_target(locked, libebur128):
    _, run = locked
    check_short_run(run, libebur128)


def test_a_locked_drive_is_kept_and_its_loudness_reported(suggested, libebur128, brief_mix, small_plan, tmp_path):
    run = suggested(
        brief_mix, tmp_path / "out", -9.0, -1.0, "--config", small_plan, "--budget", 6, "--lock", "drive.gain_db=3.25"
    )
    assert settings_of(run.sheet)["drive"]["gain_db"] == 3.25
    loudness, peak = libebur128(run)
    # 3.25 dB on a mix 6 LU under the target cannot be enough.
    assert run.ran.code == 3
    assert codes(run.sheet)[0] == "target_missed"
    assert "short of the target. The drive is locked at 3.25 dB." in run.sheet["notes"][0]["text"]
    assert "quieter target" in run.sheet["notes"][0]["suggestion"]
    # What misses the target has a low score for no merit of its own.
    assert "Scores do not compare" in run.markdown
    assert "## The neighbours" not in run.markdown
    assert loudness == pytest.approx(run.sheet["after"]["integrated_lufs"], abs=METER_DB)
    assert loudness < -10.0
    assert peak <= -1.0


def test_a_locked_drive_that_is_too_loud_is_told_as_such(suggested, brief_mix, small_plan, tmp_path):
    run = suggested(
        brief_mix, tmp_path / "out", -12.0, -1.0, "--config", small_plan, "--budget", 6, "--lock", "drive.gain_db=9"
    )
    assert run.ran.code == 3
    note = run.sheet["notes"][0]
    assert note["code"] == "target_missed"
    assert "over the target. The drive is locked at 9 dB." in note["text"]
    assert "louder target" in note["suggestion"]
    assert "drop drive.gain_db=9" in note["suggestion"]
    # What to change stands at the head of the sheet.
    assert note["suggestion"] in run.markdown[: run.markdown.index("## The nearest settings found")]
    assert run.markdown.count(note["suggestion"]) == 1


def test_a_locked_limiter_ceiling_is_kept(suggested, libebur128, brief_mix, small_plan, tmp_path):
    lock = ("--lock", "limiter.ceiling_dbtp=-2.35")
    run = suggested(brief_mix, tmp_path / "out", -11.0, -1.0, "--config", small_plan, "--budget", 6, *lock)
    check_short_run(run, libebur128)
    assert settings_of(run.sheet)["limiter"]["ceiling_dbtp"] == -2.35
    assert "limiter_headroom" not in codes(run.sheet)  # the engineer's choice, not the tool's
    # The limiter's own detector and an outside meter differ by tenths of a dB at most.
    assert run.sheet["after"]["true_peak_dbtp"] == pytest.approx(-2.35, abs=0.2)


# --- standard output, and a second run -----------------------------------------------------------------------


def test_json_is_alone_on_standard_output(command, tmp_path):
    mix = tmp_path / "tone.wav"
    write_wav(mix, sine(440.0, 4.0, RATE, -12.0), RATE, 1)
    ran = command("suggest", mix, "--lufs", "-20", "--json", "-o", tmp_path / "out")
    assert ran.code == 0
    assert json.loads(ran.out)["target"]["lufs"] == -20.0
    assert ran.out == (tmp_path / "out" / "tone.sheet.json").read_text(encoding="utf-8")
    assert not (tmp_path / "out" / "tone.preview.wav").exists()


def test_force_replaces_results_and_nothing_else(command, tmp_path):
    mix = tmp_path / "tone.wav"
    write_wav(mix, sine(440.0, 4.0, RATE, -12.0), RATE, 1)
    before = mix.read_bytes()
    (tmp_path / "tone.sheet.md").write_text("from last week", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    ran = command("suggest", mix, "--lufs", "-20", "-o", tmp_path, "--force")
    assert ran.code == 0, ran.err
    assert (tmp_path / "tone.sheet.md").read_text(encoding="utf-8") == ran.out
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert mix.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "notes.txt", "tone.sheet.html", "tone.sheet.json", "tone.sheet.md", "tone.wav",
    ]  # fmt: skip


def test_fades_of_a_configuration_cost_a_quiet_target_nothing(suggested, libebur128, brief_mix, tmp_path):
    plan = tmp_path / "fades.toml"
    plan.write_text("[chain.output]\nfade_in_ms = 500.0\nfade_out_ms = 3000.0\n", encoding="utf-8")
    run = suggested(brief_mix, tmp_path / "out", -18.0, -1.0, "--config", plan)
    assert run.ran.code == 0
    assert list(settings_of(run.sheet)) == ["drive", "output"]
    assert libebur128(run)[0] == pytest.approx(-18.0, abs=TARGET_LU)
    # (1 - cos(pi t / T)) / 2 is half of the way up in the middle of the fade.
    mix, heard = read_mix(brief_mix).samples, run.song()
    cut_s = settings_of(run.sheet)["output"]["head_cut_ms"] / 1000.0  # behind which the fade begins
    middle = slice(round((cut_s + 0.245) * RATE), round((cut_s + 0.255) * RATE))
    gain = 10.0 ** (settings_of(run.sheet)["drive"]["gain_db"] / 20.0)
    np.testing.assert_allclose(heard[middle], 0.5 * gain * mix[middle], atol=0.05 * np.abs(mix[middle]).max())


def test_a_configured_rotation_lock_is_printed_as_it_is(suggested, brief_mix, small_plan, tmp_path):
    locks = ("--lock", "rotation.kind=allpass", "--lock", "rotation.freq_hz=300", "--lock", "rotation.sections=2")
    run = suggested(brief_mix, tmp_path / "out", -10.0, -1.0, "--config", small_plan, "--budget", 6, *locks)
    rotation = next(stage for stage in run.sheet["stages"] if stage["stage"] == "rotation")
    assert (rotation["settings"]["kind"], rotation["settings"]["sections"]) == ("allpass", 2)
    row = next(line for line in run.markdown.splitlines() if "| phase rotation |" in line)
    assert "kind allpass; " in row
    assert "300 Hz" in row
    assert "angle" not in row
    assert "rotation" not in codes(run.sheet)  # nothing is claimed of a rotation the tool did not choose
