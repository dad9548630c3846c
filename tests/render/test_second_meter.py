"""The second meter: pyloudnorm's own reading, in less memory, and what is said when two meters differ."""

import subprocess
import sys
import tracemalloc
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyloudnorm
import pytest
import soundfile

from autochain.audio.signals import noise, tones
from autochain.document.as_markdown import markdown
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.render.report import AGREE, two_meters
from autochain.render.second_meter import second_lufs, second_lufs_of

RATES_HZ = (44100, 48000, 96000)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(
    "parts",
    [
        ((20.0, -23.0),),
        ((10.0, -36.0), (60.0, -23.0), (10.0, -36.0)),
        ((10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)),
        ((20.0, -26.0), (20.1, -20.0), (20.0, -26.0)),
    ],
    ids=["case 1", "case 3", "case 4", "case 5"],
)
def test_it_reads_the_cases_of_ebu_tech_3341(rate_hz: int, parts: tuple[tuple[float, float], ...]) -> None:
    # EBU Tech 3341 version 4, Table 1: -23.0 LUFS within 0.1 LU
    assert second_lufs(tones(parts, rate_hz), rate_hz) == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("channels", [1, 2])
def test_it_is_pyloudnorm_as_it_comes_and_our_own_meter_agrees(rate_hz: int, channels: int) -> None:
    samples = 0.1 * np.random.default_rng(1).standard_normal((13 * rate_hz, channels)).astype(np.float32)
    samples *= np.linspace(1.0, 0.05, len(samples), dtype=np.float32)[:, np.newaxis]
    theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(samples.astype(np.float64))
    read = second_lufs(samples, rate_hz)
    # float32 between the two filters: a limit of this project
    assert read == pytest.approx(theirs, abs=1e-4)
    # our blocks lie on whole hops, theirs on rounded seconds; a hundredth of what the page speaks of: a limit of this
    # project
    assert integrated_lufs(weighted_hops(samples, rate_hz)) == pytest.approx(read, abs=1e-3)


def test_what_has_no_loudness_has_none() -> None:
    assert second_lufs(np.zeros((5 * 44100, 2)), 44100) is None
    # BS.1770-5: one gating block is 0.4 s
    assert second_lufs(noise(0.39, 44100, seed=1), 44100) is None


def test_it_takes_hardly_more_memory_than_a_copy_of_the_sound() -> None:
    samples = np.random.default_rng(1).standard_normal((60 * 44100, 2)).astype(np.float32)
    second_lufs(samples[:44100], 44100)  # its import is not counted
    tracemalloc.start()
    second_lufs(samples, 44100)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # The copy that pyloudnorm makes, and pieces of 6 s in double precision; left to itself it takes 3.0 copies.
    assert peak < 1.4 * samples.nbytes


def test_a_file_is_read_as_it_lies_there(tmp_path: Path) -> None:
    samples = 0.2 * np.random.default_rng(1).standard_normal((4 * 48000, 2))
    soundfile.write(tmp_path / "a.flac", samples, 48000, subtype="PCM_24")
    # 24 bits round by -144 dBFS, far under a ten-thousandth of a LU: a limit of this project
    assert second_lufs_of(tmp_path / "a.flac") == pytest.approx(second_lufs(samples, 48000), abs=1e-4)


def test_only_a_delivery_imports_it() -> None:
    code = "import sys, autochain.cli.main; sys.exit('pyloudnorm' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def said_of(own: float | None, other: float | None) -> str:
    reading = SimpleNamespace(
        figures=SimpleNamespace(integrated_lufs=own),
        second_lufs=other,
        meters_apart_lu=None if own is None or other is None else other - own,
    )
    return markdown(two_meters([SimpleNamespace(file="a.wav", reading=reading)]))


# 0.1 LU: EBU Tech 3341 version 4, tolerance of a meter
@pytest.mark.parametrize(
    ("own", "other", "agree", "shown"),
    [
        (-9.0, -9.0, True, "-9.00 LUFS | -9.00 LUFS | +0.00 LU"),
        (-9.0, -9.09, True, "-9.00 LUFS | -9.09 LUFS | -0.09 LU"),
        (-9.0, -8.88, False, "-9.00 LUFS | -8.88 LUFS | +0.12 LU"),
        (-69.99, None, False, "-69.99 LUFS | – | –"),
        (None, None, True, "– | – | –"),
    ],
)
def test_meters_that_differ_by_more_than_a_meter_may_err_are_told(
    own: float | None, other: float | None, agree: bool, shown: str
) -> None:
    page = said_of(own, other)
    assert f"| a.wav | {shown} |" in page
    assert (AGREE in page) == agree
    assert ("**More than 0.1 LU apart: a.wav.**" in page) != agree
    assert f"pyloudnorm {version('pyloudnorm')}" in page
