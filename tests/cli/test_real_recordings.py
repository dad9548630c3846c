"""The command on two real recordings, whole, as it would be used.

They are two pieces of music that the Debian package frozen-bubble-data carries (GPL-2), known here by number. They are
not part of this project; the test reads them where the package puts them, or below the folder that the environment
variable AUTOCHAIN_RECORDINGS names (one into which the package was unpacked, so that it holds `usr/`).
"""

import os
from pathlib import Path

import pytest
import soundfile

from autochain.audio.files import read_mix
from autochain.measure.true_peak import read_true_peak

INSIDE = Path("usr/share/games")
LEAST_BYTES = 1_000_000  # shorter ones are sounds of a game


def recording(number):
    named = os.environ.get("AUTOCHAIN_RECORDINGS")
    for root in ([Path(named)] if named else []) + [Path("/")]:
        songs = [one for one in sorted((root / INSIDE).rglob("*.ogg")) if one.stat().st_size > LEAST_BYTES]
        if len(songs) >= number:
            return songs[number - 1]
    pytest.skip(
        f"recording {number} of the Debian package frozen-bubble-data is not here: install the package, or unpack it "
        "(apt-get download frozen-bubble-data; dpkg -x FILE FOLDER) and set AUTOCHAIN_RECORDINGS=FOLDER"
    )


@pytest.mark.parametrize(("number", "seconds"), [(3, None), (1, 60.0)])
def test_a_real_recording_reaches_its_target_under_the_ceiling(
    suggested, libebur128, small_plan, tmp_path, number, seconds
):
    source = recording(number)
    before = source.read_bytes()
    mix = source
    if seconds is not None:  # one whole song is enough; of the other, five minutes long, the first part
        rate_hz = soundfile.info(source).samplerate
        samples, _ = soundfile.read(source, dtype="float32", always_2d=True, frames=round(seconds * rate_hz))
        mix = tmp_path / "part.wav"
        soundfile.write(mix, samples, rate_hz, subtype="PCM_24")
    # Both come in near -15 LUFS with peaks near 0 dBTP: 4 LU louder is more than gain can do.
    run = suggested(mix, tmp_path / "out", -11.0, -1.0, "--config", small_plan, "--budget", 12)
    assert run.ran.code == 0, run.ran.err
    assert "limiter" in {stage["stage"] for stage in run.sheet["stages"]}
    loudness, peak = libebur128(run)
    assert loudness == pytest.approx(-11.0, abs=0.1)
    assert loudness == pytest.approx(run.sheet["after"]["integrated_lufs"], abs=0.05)
    assert peak == pytest.approx(run.sheet["after"]["true_peak_sinc49_dbtp"], abs=0.05)
    written = read_mix(run.preview)
    assert max(peak, read_true_peak(written.samples, written.rate_hz).highest_dbtp) <= -1.0
    (output,) = [stage["settings"] for stage in run.sheet["stages"] if stage["stage"] == "output"]
    heard = read_mix(mix)
    cut = sum(round(output[f"{end}_cut_ms"] * heard.rate_hz / 1000.0) for end in ("head", "tail"))
    assert run.song().shape == (heard.samples.shape[0] - cut, heard.channels)
    for baseline in run.sheet["baselines"].values():
        assert run.sheet["costs"]["score"] <= baseline["score"] + 0.25  # what a longer chain has to earn
    if run.sheet["before"]["true_peak_dbtp"] > 0.0:
        # It may have been clipped once already.
        assert "clipper" not in {stage["stage"] for stage in run.sheet["stages"]}
        assert "mix_over_full_scale" in {note["code"] for note in run.sheet["notes"]}
    assert source.read_bytes() == before
