"""The files that go out, as they lie on the disk."""

import csv
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile

from autochain.audio.dither import quantise
from autochain.audio.files import read_mix, write_wav
from autochain.audio.tags import read_tags
from autochain.earlier.read import read_sheet
from autochain.measure.true_peak import read_true_peak
from autochain.render.master import make_master, room_for_dither
from autochain.render.sheet_chain import sheet_chain
from tests.conftest import Ran, Suggested, read_outside

CEILING_DBTP = -1.0
FORMATS = ("wav16", "flac24", "wav24@48000", "mp3:192", "vorbis:5", "opus:96")
TITLE = "<script>alert(1)</script> ünd \u202egnp"


@dataclass(frozen=True)
class Rendered:
    """A finished `render` and its source."""

    run: Suggested
    mix: Path
    sheet: Path
    out: Path
    ran: Ran
    data: dict[str, Any]

    def file(self, kind: str) -> Path:
        return next(self.out / f["file"] for f in self.data["files"] if f["kind"] == kind and not f["version"])

    def song(self, path: Path) -> np.ndarray:
        """Samples at mix time: without the silence around them, with zeros for what was cut."""
        samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
        output = self.data["settings"]["output"]
        head, tail = (round(output[f"{end}_silence_ms"] * rate_hz / 1000.0) for end in ("head", "tail"))
        cut = tuple(round(output[f"{end}_cut_ms"] * rate_hz / 1000.0) for end in ("head", "tail"))
        return np.pad(samples[head : len(samples) - tail], (cut, (0, 0)))


@pytest.fixture(scope="module")
def rendered(
    demo_run: Callable[[str], Suggested],
    command: Callable[..., Ran],
    tmp_path_factory: pytest.TempPathFactory,
) -> Rendered:
    run = demo_run("dense_rock")
    folder = tmp_path_factory.mktemp("render")
    sheet = run.preview.with_name(f"{run.mix.stem}.sheet.json")
    other = folder / "=voices.wav"
    write_wav(other, 0.5 * soundfile.read(run.mix, dtype="float32", always_2d=True)[0], 44100, 1, tags={"title": TITLE})
    asked = [word for text in FORMATS for word in ("--also", text)]
    ran = command("render", run.mix, "--sheet", sheet, "-o", folder / "out", *asked, "--alternate", other)
    assert ran.code == 0, ran.err
    data = json.loads((folder / "out" / f"{run.mix.stem}.delivery.json").read_text(encoding="utf-8"))
    return Rendered(run=run, mix=run.mix, sheet=sheet, out=folder / "out", ran=ran, data=data)


def edited(sheet: Path, folder: Path, **changes: float) -> Path:
    """A copy of the sheet with settings changed by hand; names as `stage__parameter`."""
    values = json.loads(sheet.read_text(encoding="utf-8"))
    for name, value in changes.items():
        stage, _, parameter = name.partition("__")
        next(s for s in values["stages"] if s["stage"] == stage)["settings"][parameter] = value
    path = folder / "edited.sheet.json"
    path.write_text(json.dumps(values), encoding="utf-8")
    return path


def test_an_untouched_sheet_gives_the_samples_of_its_preview(rendered: Rendered) -> None:
    ours, _ = soundfile.read(rendered.file("wav24"), dtype="int32")
    preview, _ = soundfile.read(rendered.run.preview, dtype="int32")
    assert np.array_equal(ours, preview)
    assert rendered.data["sheet"]["changed"] == []


def test_the_ceiling_holds_in_every_fixed_point_file_by_our_reading_and_by_libebur128(rendered: Rendered) -> None:
    files = [f for f in rendered.data["files"] if f["bits"]]
    assert len(files) == 8  # four formats of two versions
    for file in files:
        _, peak = read_outside(rendered.out / file["file"])
        samples, rate_hz = soundfile.read(rendered.out / file["file"], dtype="float64", always_2d=True)
        ours = read_true_peak(samples, rate_hz).highest_dbtp
        assert ours is not None
        assert max(peak, ours, file["figures"]["true_peak_dbtp"]) <= CEILING_DBTP, file["file"]


def test_another_rate_keeps_the_loudness(rendered: Rendered) -> None:
    at_48 = next(f for f in rendered.data["files"] if f["rate_hz"] == 48000 and f["bits"] and not f["version"])
    lufs = [read_outside(rendered.out / name)[0] for name in (rendered.file("wav24").name, at_48["file"])]
    assert abs(lufs[1] - lufs[0]) <= 0.05


def test_word_lengths_leave_nothing_but_dither_of_the_power_that_theory_gives(rendered: Rendered) -> None:
    """Triangular dither and rounding: a white error of 1/6 + 1/12 = 1/4 LSB squared (Lipshitz et al., JAES 1992)."""
    chain, settings = sheet_chain(read_sheet(rendered.sheet))
    exact = make_master(read_mix(rendered.mix), chain, settings, read_sheet(rendered.sheet).target).samples
    for kind, bits in (("wav24", 24), ("flac24", 24), ("wav16", 16)):
        error = rendered.song(rendered.file(kind)) - exact.astype(np.float64)
        lsb = 2.0 ** (1 - bits)
        assert 10.0 * np.log10(np.mean(error**2) / (lsb**2 / 4.0)) == pytest.approx(0.0, abs=0.05)
        assert np.abs(error).max() <= 1.5 * lsb


def test_lossy_files_come_back_as_long_and_in_time(rendered: Rendered) -> None:
    master = rendered.song(rendered.file("wav24"))
    for kind in ("mp3", "vorbis"):
        heard = rendered.song(rendered.file(kind))
        assert heard.shape == master.shape
        part = slice(200_000, 200_000 + (1 << 16))
        lag = np.fft.irfft(np.fft.rfft(heard[part, 0]) * np.conj(np.fft.rfft(master[part, 0])))
        assert int(np.argmax(lag)) == 0
    opus = soundfile.info(rendered.file("opus"))
    assert opus.samplerate == 48000
    assert opus.duration == pytest.approx(soundfile.info(rendered.file("wav24")).duration, abs=1e-3)


def test_every_coder_is_told_with_the_ceiling_it_wants(rendered: Rendered) -> None:
    told = {one["coder"]: one for one in rendered.data["after_coders"]}
    assert set(told) == {"mp3", "vorbis", "opus"}
    for name, one in told.items():
        samples, rate_hz = soundfile.read(rendered.file(name), dtype="float64", always_2d=True)
        peak = read_true_peak(samples, rate_hz).highest_dbtp
        assert peak == pytest.approx(one["true_peak_dbtp"], abs=1e-3)  # read in float32 blocks there
        master = next(
            f["figures"]["true_peak_dbtp"]
            for f in rendered.data["files"]
            if f["kind"] == "wav24" and f["rate_hz"] == one["rate_hz"] and not f["version"]
        )
        added = max(0.0, one["true_peak_dbtp"] - master)
        assert added > 0.1
        assert CEILING_DBTP - added - 0.101 <= one["ceiling_dbtp"] <= CEILING_DBTP - added + 1e-3  # dither lies between
    assert f"{told['mp3']['kbps']:.0f}" in ("192", "193")
    warned = next(line for line in rendered.ran.out.splitlines() if line.startswith("**Over the ceiling once decoded"))
    over = [f["file"] for f in rendered.data["files"] if f["figures"]["true_peak_dbtp"] > CEILING_DBTP]
    assert over
    assert all(name in warned for name in over)


def test_another_version_has_the_same_drive_and_its_distance_is_told(rendered: Rendered) -> None:
    (version,) = rendered.data["versions"]
    main, other = (
        next(f for f in rendered.data["files"] if f["kind"] == "wav24" and f["rate_hz"] == 44100 and f["version"] == v)
        for v in ("", version["file"])
    )
    apart = read_outside(rendered.out / other["file"])[0] - read_outside(rendered.out / main["file"])[0]
    assert apart == pytest.approx(version["apart_lu"], abs=0.05)
    assert -6.1 < apart < -1.0  # 6 dB quieter into the same drive


def test_tags_and_names_stay_text(rendered: Rendered) -> None:
    others = [f for f in rendered.data["files"] if f["version"]]
    for file in others:
        assert read_tags(rendered.out / file["file"])["title"] == TITLE, file["kind"]
    table = (rendered.out / f"{rendered.mix.stem}.delivery.csv").read_text(encoding="utf-8")
    rows = list(csv.reader(table.splitlines()))
    assert len(rows) == 1 + len(rendered.data["files"])
    assert all(not cell.startswith(("=", "@")) for row in rows for cell in row[:3])
    assert any(row[0].startswith("'=voices") for row in rows)


def test_settings_changed_by_hand_are_taken_as_they_stand_and_the_trim_holds_the_ceiling(
    rendered: Rendered, command: Callable[..., Ran], tmp_path: Path
) -> None:
    drive = rendered.data["settings"]["drive"]["gain_db"]
    sheet = edited(rendered.sheet, tmp_path, drive__gain_db=drive - 3.0, limiter__ceiling_dbtp=-0.2)
    ran = command("render", rendered.mix, "--sheet", sheet, "-o", tmp_path, "--json")
    assert ran.code == 0, ran.err
    data = json.loads(ran.out)
    assert data["sheet"]["changed"] == ["drive.gain_db", "limiter.ceiling_dbtp"]
    assert data["settings"]["drive"]["gain_db"] == drive - 3.0
    assert 0.7 <= data["trim_lowered_db"] <= 1.0
    lufs, peak = read_outside(tmp_path / f"{rendered.mix.stem}.master.wav")
    assert peak <= CEILING_DBTP
    assert lufs < rendered.run.target_lufs - 1.0
    assert "--solve" in (tmp_path / f"{rendered.mix.stem}.delivery.md").read_text(encoding="utf-8")


def test_solving_sets_the_drive_anew_for_the_target(
    rendered: Rendered, command: Callable[..., Ran], tmp_path: Path
) -> None:
    drive = rendered.data["settings"]["drive"]["gain_db"]
    sheet = edited(rendered.sheet, tmp_path, drive__gain_db=drive - 2.0, limiter__ceiling_dbtp=-1.5)
    ran = command("render", rendered.mix, "--sheet", sheet, "-o", tmp_path, "--json", "--solve")
    assert ran.code == 0, ran.err
    lufs, peak = read_outside(tmp_path / f"{rendered.mix.stem}.master.wav")
    assert lufs == pytest.approx(rendered.run.target_lufs, abs=0.12)
    assert peak <= CEILING_DBTP


def test_what_cannot_be_meant_is_refused_in_one_line_and_nothing_is_written(
    rendered: Rendered, command: Callable[..., Ran], tmp_path: Path
) -> None:
    other = tmp_path / "other.wav"
    write_wav(other, np.roll(read_mix(rendered.mix).samples, 5, axis=0), 44100, 1)
    before = rendered.run.mix_sha256
    last_first = tmp_path / "order.json"
    values = json.loads(rendered.sheet.read_text(encoding="utf-8"))
    values["stages"] = values["stages"][::-1]
    last_first.write_text(json.dumps(values), encoding="utf-8")
    loud = edited(rendered.sheet, tmp_path, limiter__ceiling_dbtp=3.0)
    cases: list[tuple[int, str, tuple[object, ...]]] = [
        (2, "another mix", (other, "--sheet", rendered.sheet)),
        (2, "no format", (rendered.mix, "--sheet", rendered.sheet, "--also", "wav8")),
        (2, "64 to 320", (rendered.mix, "--sheet", rendered.sheet, "--also", "mp3:999")),
        (2, "goes out at", (rendered.mix, "--sheet", rendered.sheet, "--also", "mp3@96000")),
        (2, "no number", (rendered.mix, "--sheet", rendered.sheet, "--also", "wav16:3")),
        (2, "twice", (rendered.mix, "--sheet", rendered.sheet, "--alternate", rendered.mix)),
        (2, "end with limiter and output", (rendered.mix, "--sheet", last_first)),
        (2, "limiter.ceiling_dbtp", (rendered.mix, "--sheet", loud)),
        (2, "cannot be read", (rendered.mix, "--sheet", tmp_path / "none.json")),
    ]
    for code, said, arguments in cases:
        ran = command("render", *arguments, "-o", tmp_path / "out")
        assert said in ran.err, ran.err
        assert ran.code == code, ran.err
        assert "Traceback" not in ran.err
        assert not list((tmp_path / "out").glob("*")) if (tmp_path / "out").exists() else True
    assert read_mix(rendered.mix).sha256 == before


def test_results_are_not_replaced_unasked_and_a_mix_never(
    rendered: Rendered, command: Callable[..., Ran], tmp_path: Path
) -> None:
    again = command("render", rendered.mix, "--sheet", rendered.sheet, "-o", rendered.out)
    assert again.code == 2
    assert "--force" in again.err
    mix = tmp_path / "song.wav"
    shutil.copy(rendered.mix, mix)
    (tmp_path / "song.master.wav").symlink_to(mix)
    ran = command("render", mix, "--sheet", rendered.sheet, "-o", tmp_path, "--force")
    assert ran.code == 2
    assert "never overwritten" in ran.err
    assert read_mix(mix).sha256 == rendered.run.mix_sha256


def test_dither_of_16_bits_finds_its_room_under_the_ceiling() -> None:
    """A tone that peaks under the ceiling by 1e-4 dB: dither alone lifts it over."""
    ceiling = -20.0
    tone = 10.0 ** ((ceiling - 1e-4) / 20.0) * np.sin(2.0 * np.pi * 997.0 / 44100.0 * np.arange(44100))[:, None]
    peak = read_true_peak(tone, 44100).highest_dbtp
    assert peak is not None
    bare, held = (
        read_true_peak(quantise(x, 16, np.random.default_rng(1)) / 2.0**15, 44100).highest_dbtp
        for x in (tone, np.concatenate([*room_for_dither(tone, peak, ceiling, 16)]))
    )
    assert bare is not None
    assert held is not None
    assert bare > ceiling >= held


FULL_DISK = """
import resource, sys
from pathlib import Path
import numpy as np
from autochain.errors import AudioFileError
from autochain.render.formats import KINDS, Export
from autochain.render.lossy import write_lossy
sound = np.random.default_rng(1).normal(0.0, 0.1, (100_000, 2)).astype(np.float32)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))
for name in ("mp3", "vorbis", "opus"):
    try:
        write_lossy(Path(sys.argv[1]), sound, Export(kind=KINDS[name], setting=KINDS[name].usual, rate_hz=48000), {})
    except AudioFileError as error:
        print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a file size limit")
def test_a_full_disk_is_one_line_for_every_coder_and_leaves_nothing(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(tmp_path / "out")], capture_output=True, text=True, check=True
    )
    assert run.stdout.count("out cannot be written") == len(run.stdout.splitlines()) == 3, run
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(sys.platform != "linux", reason="names that are not UTF-8")
def test_names_that_are_no_text_are_rendered_and_escaped(
    rendered: Rendered, command: Callable[..., Ran], tmp_path: Path
) -> None:
    mix = Path(os.fsdecode(bytes(tmp_path) + b"/=\xff<b>|\n[red].wav"))
    shutil.copy(rendered.mix, mix)
    ran = command("render", mix, "--sheet", rendered.sheet, "-o", tmp_path, "--also", "mp3:128")
    assert ran.code == 0, ran.err
    assert "=\\udcff\\<b>\\|\\n\\[red].master.wav" in ran.out
    assert "[red]" not in ran.err  # which a terminal's library would take for a colour
    assert len(list(tmp_path.glob("*.master*"))) == 2


def test_the_page_has_the_figures_of_a_delivery_form_as_libebur128_reads_them(rendered: Rendered) -> None:
    """The table under "More figures" against libebur128 on the written file (EBU Tech 3341 and 3342)."""
    page = rendered.ran.out
    part = page[page.index("## More figures") :]
    path = rendered.file("wav24")
    row = next(line for line in part.splitlines() if line.startswith(f"| {path.name} |"))
    shown = [float(found) for found in re.findall(r"(-?[\d.]+) (?:LUFS|LU|dB)", row)]
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, mode.MODE_M | mode.MODE_I | mode.MODE_LRA | mode.MODE_TRUE_PEAK)
    momentary = []
    for start in range(0, len(samples) - rate_hz // 10, rate_hz // 10):  # Tech 3341: updated every 100 ms
        state.add_frames(np.ascontiguousarray(samples[start : start + rate_hz // 10]).reshape(-1), rate_hz // 10)
        momentary.append(pyebur128.get_loudness_momentary(state))
    lufs, peak = read_outside(path)
    # Tech 3341: 0.1 LU; Tech 3342: 1 LU; PLR: two readings of 0.1 dB each, and what is printed
    assert shown[0] == pytest.approx(max(momentary), abs=0.15)
    assert shown[1] == pytest.approx(pyebur128.get_loudness_range(state), abs=1.0)
    assert shown[2] == pytest.approx(peak - lufs, abs=0.25)
    short = soundfile.info(path).duration < 60.0
    assert ("(unstable under 60 s)" in row) == short
    assert all(text in part for text in ("BS.1770-5", "Tech 3341 version 4", "Tech 3342", "November 2023"))


def test_a_second_meter_has_read_every_written_file(rendered: Rendered) -> None:
    """Against pyloudnorm as it comes, on the file; CSV, JSON and page say the same."""
    rows = csv.DictReader((rendered.out / f"{rendered.mix.stem}.delivery.csv").read_text(encoding="utf-8").splitlines())
    page = rendered.ran.out[rendered.ran.out.index("## Two meters") :]
    for file, row in zip(rendered.data["files"], rows, strict=True):
        samples, rate_hz = soundfile.read(rendered.out / file["file"], dtype="float64", always_2d=True)
        theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(samples)
        second = file["second_meter"]
        assert second["integrated_lufs"] == pytest.approx(theirs, abs=1e-3), file["file"]
        assert second["less_own_lu"] == pytest.approx(theirs - file["figures"]["integrated_lufs"], abs=2e-3)
        # EBU Tech 3341: a meter may read 0.1 LU off
        assert abs(second["less_own_lu"]) <= 0.1
        assert float(row["second_meter_lufs"]) == pytest.approx(theirs, abs=0.006)
        assert float(row["second_meter_less_own_lu"]) == pytest.approx(second["less_own_lu"], abs=0.006)
        assert f"| {theirs:.2f} LUFS |" in next(line for line in page.splitlines() if file["file"] in line)


def test_the_page_holds_what_the_text_holds_and_needs_nothing_from_elsewhere(rendered: Rendered) -> None:
    html = (rendered.out / f"{rendered.mix.stem}.delivery.html").read_text(encoding="utf-8")
    assert html.startswith("<!doctype html>")
    assert not re.search(r"<script|<link|<img|src=|href=|url\(|@import|https?://", html)
    shown = unescape(re.sub(r"<[^>]*>", " ", html[html.index("<body>") :]))
    said = re.sub(r"[`*|]|^#+ |^- |^-+$", " ", rendered.ran.out.replace("| ---", ""), flags=re.MULTILINE)
    assert "".join(said.replace("\\", "").split()) == "".join(shown.split())
