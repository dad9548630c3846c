import hashlib
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from autochain.audio.blocks import read_blocks
from autochain.audio.files import check_output, read_mix, write_text, write_wav
from autochain.audio.signals import pink_noise
from autochain.errors import AudioFileError, UsageError
from autochain.measure.inspection import inspect_file
from autochain.measure.measurement import measure_file


def noise(seconds: float = 3.5, channels: int = 2, rate_hz: int = 44100) -> np.ndarray:
    generator = np.random.default_rng(11)
    return 0.1 * generator.standard_normal((round(seconds * rate_hz), channels))


def names_in(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir()]


def refusal(path: Path) -> str:
    with pytest.raises(AudioFileError) as caught:
        read_mix(path)
    message = str(caught.value)
    assert caught.value.exit_code == 1
    assert "\n" not in message
    assert str(path) in message
    for block_frames in (None, 44100, 30_011):
        with pytest.raises(AudioFileError) as in_blocks:
            for _ in read_blocks(path, block_frames):
                pass
        # Where a damaged file ends differs: a decoder gives nothing of the call that fails.
        damaged = ("cannot be decoded", "breaks off")
        if any(words in message for words in damaged):
            assert any(words in str(in_blocks.value) for words in damaged)
        else:
            assert str(in_blocks.value) == message
    return message


@pytest.mark.parametrize(
    ("name", "subtype", "tolerance"),
    [
        # half a step of the word, plus float32 rounding
        ("mix.wav", "PCM_16", 2.0**-15),
        ("mix.wav", "PCM_24", 2.0**-23),
        ("mix.wav", "PCM_32", 2.0**-23),
        ("mix.wav", "FLOAT", 1e-7),
        ("mix.wav", "DOUBLE", 1e-7),
        ("mix.flac", "PCM_24", 2.0**-23),
        ("mix.aiff", "PCM_24", 2.0**-23),
    ],
)
def test_lossless_formats_come_back_as_float32(
    tmp_path: Path, name: str, subtype: str, tolerance: float
) -> None:
    path, samples = tmp_path / name, noise()
    soundfile.write(path, samples, 44100, subtype=subtype)
    mix = read_mix(path)
    assert mix.samples.dtype == np.float32
    assert mix.samples.flags.c_contiguous
    assert np.abs(mix.samples - samples).max() <= tolerance
    assert (mix.rate_hz, mix.file, mix.subtype, mix.channels) == (44100, name, subtype, 2)
    assert mix.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(("name", "subtype"), [("mix.ogg", "VORBIS"), ("mix.mp3", "MPEG_LAYER_III")])
def test_lossy_formats_come_back_with_their_length(tmp_path: Path, name: str, subtype: str) -> None:
    path = tmp_path / name
    tone = 0.5 * np.sin(2 * np.pi * 440.0 / 44100.0 * np.arange(4 * 44100))[:, np.newaxis]
    soundfile.write(path, tone, 44100, subtype=subtype)
    mix = read_mix(path)
    assert mix.channels == 1
    # encoders pad by less than 3 blocks of 1152 frames
    assert abs(mix.samples.shape[0] - tone.shape[0]) <= 3 * 1152
    # closed form: rms of a sine; a lossy coder keeps the level of a tone within 5 %
    assert np.sqrt(np.mean(mix.samples[44100:-44100] ** 2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.05)


@pytest.mark.parametrize("block_frames", [1000, 44100, 1 << 18])
@pytest.mark.parametrize(
    ("name", "subtype"),
    [
        ("mix.wav", "PCM_16"),
        ("mix.wav", "FLOAT"),
        ("mix.flac", "PCM_24"),
        ("mix.aiff", "PCM_24"),
        ("mix.ogg", "VORBIS"),
        ("mix.mp3", "MPEG_LAYER_III"),
    ],
)
def test_blocks_joined_are_the_whole_file(tmp_path: Path, name: str, subtype: str, block_frames: int) -> None:
    path = tmp_path / name
    soundfile.write(path, noise(4.0), 44100, subtype=subtype)
    whole, blocks = read_mix(path), read_blocks(path, block_frames)
    assert (blocks.rate_hz, blocks.channels, blocks.file, blocks.subtype) == (44100, 2, name, subtype)
    read = list(blocks)
    assert {len(block) for block in read[:-1]} <= {block_frames}
    assert 0 < len(read[-1]) <= block_frames
    assert all(block.flags.c_contiguous and block.dtype == np.float32 for block in read)
    np.testing.assert_array_equal(np.concatenate(read), whole.samples)
    np.testing.assert_array_equal(np.concatenate(list(blocks)), whole.samples)  # a second reading starts anew


def test_extensible_header_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mix.wav"
    soundfile.write(path, noise(), 96000 // 2, format="WAVEX", subtype="PCM_24")
    assert read_mix(path).rate_hz == 48000


def test_float_file_above_full_scale_is_accepted(tmp_path: Path) -> None:
    path = tmp_path / "mix.wav"
    soundfile.write(path, noise() * 30, 44100, subtype="FLOAT")
    assert read_mix(path).samples.max() > 1.0


@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_both_ends_of_the_rate_range_are_accepted(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "mix.wav"
    soundfile.write(path, noise(3.0, 1, rate_hz), rate_hz)
    assert read_mix(path).duration_s == 3.0


def test_missing_file_is_refused(tmp_path: Path) -> None:
    assert "does not exist" in refusal(tmp_path / "none.wav")


def test_folder_is_refused(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path)


@pytest.mark.parametrize("name", ["a.wav", "a.mp3", "a.raw", "a.flac", "a"])
def test_file_that_is_no_sound_is_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text("no sound at all " * 200)
    assert "not a sound file" in refusal(path)


def test_file_of_no_bytes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.touch()
    assert "0 bytes" in refusal(path)


def test_file_of_no_frames_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((0, 2)), 44100)
    assert "0 frames" in refusal(path)


def test_digital_silence_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros((4 * 44100, 2)), 44100)
    assert "silent" in refusal(path)


@pytest.mark.parametrize(("value", "word"), [(np.nan, "NaN"), (np.inf, "infinite"), (-np.inf, "infinite")])
def test_sample_that_is_no_number_is_refused_with_its_time(tmp_path: Path, value: float, word: str) -> None:
    path, samples = tmp_path / "a.wav", noise()
    samples[round(2.5 * 44100), 1] = value
    samples[round(3.0 * 44100), 0] = value
    soundfile.write(path, samples, 44100, subtype="FLOAT")
    message = refusal(path)
    assert word in message
    assert "at 0:02.5 " in message


def test_double_beyond_float32_is_refused_as_infinite(tmp_path: Path) -> None:
    path, samples = tmp_path / "a.wav", noise()
    samples[44100, 0] = 1e60
    soundfile.write(path, samples, 44100, subtype="DOUBLE")
    assert "infinite" in refusal(path)


def test_more_than_two_channels_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(channels=6), 44100)
    assert "6 channels" in refusal(path)


def test_less_than_three_seconds_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(2.99), 44100)
    assert "2.99 s" in refusal(path)
    # A hop of 10 ms is a whole number of frames: 480 at 47952 Hz, 300 of them are 144000 frames.
    soundfile.write(path, noise(3.0, rate_hz=47952), 47952)
    assert "3.01 s or more" in refusal(path)
    soundfile.write(path, noise(144000 / 47952, rate_hz=47952), 47952)
    assert read_mix(path).samples.shape[0] == 144000


@pytest.mark.parametrize("rate_hz", [22050, 44099, 384000])
def test_rate_outside_the_range_is_refused(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(), rate_hz)
    assert f"{rate_hz} Hz" in refusal(path)


@pytest.mark.parametrize("name", ["a.flac", "a.mp3"])
def test_file_that_breaks_off_is_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    soundfile.write(path, noise(8.0), 44100)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    assert any(words in refusal(path) for words in ("cannot be decoded", "breaks off"))


def test_line_break_in_a_name_does_not_break_the_line(tmp_path: Path) -> None:
    with pytest.raises(AudioFileError) as caught:
        read_mix(tmp_path / "a\nb.wav")
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(sys.platform != "linux", reason="only there may a name be any bytes")
def test_name_that_is_no_text_is_read_and_escaped(tmp_path: Path) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.wav"))  # Latin-1, not UTF-8
    soundfile.write(os.fsencode(path), noise(), 44100, format="WAV")
    assert read_mix(path).file == "caf\\udce9.wav"


def test_written_file_is_24_bit_and_within_one_and_a_half_steps(tmp_path: Path) -> None:
    path, samples = tmp_path / "out.wav", noise(8.0).astype(np.float32)
    write_wav(path, samples, 44100, seed=1)
    info = soundfile.info(path)
    assert (info.format, info.subtype, info.samplerate, info.channels) == ("WAV", "PCM_24", 44100, 2)
    back = soundfile.read(path, dtype="float64")[0]
    error_lsb = (back - samples) * 2.0**23
    # closed form: triangular dither 1 LSB plus rounding 1/2 LSB
    assert np.abs(error_lsb).max() <= 1.5 + 1e-6
    # Lipshitz, Wannamaker, Vanderkooy 1992: total error LSB^2/4; 0.05 dB
    assert abs(10 * np.log10(np.mean(error_lsb**2) * 4)) < 0.05


def test_overs_are_written_as_full_scale(tmp_path: Path) -> None:
    path = tmp_path / "out.wav"
    write_wav(path, np.array([[2.0], [-2.0]] * 50), 44100, seed=1)
    words = soundfile.read(path, dtype="int32")[0] >> 8
    assert words[:2].tolist() == [2**23 - 1, -(2**23)]


def test_same_seed_gives_the_same_bytes_and_another_seed_does_not(tmp_path: Path) -> None:
    samples = noise(7.0)
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        write_wav(tmp_path / name, samples, 44100, seed=seed)
    a, b, c = ((tmp_path / name).read_bytes() for name in "abc")
    assert a == b
    assert a != c


def test_existing_file_is_kept_without_force_and_replaced_with_it(tmp_path: Path) -> None:
    path = tmp_path / "out.wav"
    path.write_text("mine")
    with pytest.raises(UsageError, match="exists already"):
        write_wav(path, noise(), 44100, seed=1)
    assert path.read_text() == "mine"
    write_wav(path, noise(), 44100, seed=1, force=True)
    assert soundfile.info(path).frames == len(noise())


def appended(path: Path) -> None:
    with path.open("ab") as file:
        file.write(b"\0" * 4000)


def saved_again(path: Path) -> None:
    path.write_bytes(path.read_bytes())


def replaced_by_one_of_the_same_time_and_size(path: Path) -> None:
    seen, other = path.stat(), path.with_suffix(".new")
    other.write_bytes(path.read_bytes()[::-1])
    os.utime(other, ns=(seen.st_atime_ns, seen.st_mtime_ns))
    other.replace(path)


def cut_to_half(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (appended, r"had \d+ bytes at first and \d+ at the end while it was read"),
        (saved_again, "was written anew while it was read"),
        (replaced_by_one_of_the_same_time_and_size, "was written anew while it was read"),
        (cut_to_half, r"had \d+ bytes at first and \d+ at the end while it was read"),
        (Path.unlink, "was taken away while it was read"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
@pytest.mark.parametrize("reads", [read_mix, measure_file, inspect_file], ids=lambda reads: reads.__name__)
@pytest.mark.parametrize("first", ["header", "sound"])
def test_a_file_that_changes_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reads, change, words: str, first: str
) -> None:
    path, opened = tmp_path / "mix.wav", soundfile.SoundFile
    soundfile.write(path, noise(), 44100)
    os.utime(path, ns=(10**18, 10**18))
    changes = iter([change])

    def changed_behind(*arguments, **named):
        # The first opening is that of the header, the second that of the samples.
        file = opened(*arguments, **named)
        if first == "header" or changed_behind.turn:
            for one in changes:
                one(path)
        changed_behind.turn = True
        return file

    changed_behind.turn = False
    monkeypatch.setattr(soundfile, "SoundFile", changed_behind)
    with pytest.raises(AudioFileError, match=words):
        reads(path)


def test_source_is_never_overwritten_not_even_through_a_link(tmp_path: Path) -> None:
    source, link = tmp_path / "mix.wav", tmp_path / "link.wav"
    source.write_text("the mix")
    link.symlink_to(source)
    for path in (source, link, tmp_path / "." / "mix.wav"):
        with pytest.raises(UsageError, match="never overwritten"):
            write_wav(path, noise(), 44100, seed=1, force=True, sources=[source])
        with pytest.raises(UsageError, match="never overwritten"):
            write_text(path, "x", force=True, sources=[source])
        with pytest.raises(UsageError, match="never overwritten"):
            check_output(tmp_path, [path.name], force=True, sources=[source])
    assert source.read_text() == "the mix"


def test_nothing_is_left_behind_after_a_failed_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "out.wav"
    path.write_text("mine")

    def stop(self: Path, target: Path) -> Path:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_wav(path, noise(), 44100, seed=1, force=True)
    assert path.read_text() == "mine"
    assert names_in(tmp_path) == ["out.wav"]


FULL_DISK = """
import resource, sys
import numpy as np
from autochain.audio.files import write_text, write_wav
from autochain.errors import AudioFileError
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
for write in (
    lambda: write_wav(sys.argv[1], np.zeros((400_000, 2)), 44100, seed=1),
    lambda: write_text(sys.argv[1], "x" * 200_000),
):
    try:
        write()
    except AudioFileError as error:
        print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a file size limit")
def test_full_disk_is_one_line_and_leaves_nothing(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(tmp_path / "out.wav")],
        capture_output=True,
        text=True,
        check=True,
    )
    lines = run.stdout.splitlines()
    assert len(lines) == 2, run
    assert all("out.wav cannot be written" in line for line in lines)
    assert names_in(tmp_path) == []


def test_samples_that_are_no_numbers_are_not_written(tmp_path: Path) -> None:
    samples = noise()
    samples[44100, 0] = np.nan
    with pytest.raises(AudioFileError, match=r"0:01\.0 is NaN"):
        write_wav(tmp_path / "out.wav", samples, 44100, seed=1)
    assert names_in(tmp_path) == []


def test_more_than_a_wav_can_hold_is_refused(tmp_path: Path) -> None:
    endless = np.broadcast_to(np.float32(0.0), (800_000_000, 2))
    # the size field of a RIFF chunk has 32 bits
    with pytest.raises(AudioFileError, match=r"4\.8 GB"):
        write_wav(tmp_path / "out.wav", endless, 192000, seed=1)


def test_text_is_written_in_utf8_with_its_folder(tmp_path: Path) -> None:
    path = tmp_path / "new" / "sheet.md"
    write_text(path, "Größe – 1 dB\n")
    assert path.read_bytes() == "Größe – 1 dB\n".encode()
    with pytest.raises(UsageError, match="exists already"):
        write_text(path, "other")
    assert path.read_bytes() == "Größe – 1 dB\n".encode()


def test_checking_an_output_folder_makes_nothing(tmp_path: Path) -> None:
    check_output(tmp_path / "a" / "b", ["x.sheet.json", "x.sheet.md"])
    assert names_in(tmp_path) == []


def test_output_name_that_exists_needs_force(tmp_path: Path) -> None:
    (tmp_path / "x.sheet.md").write_text("mine")
    with pytest.raises(UsageError, match=r"x\.sheet\.md exists already"):
        check_output(tmp_path, ["x.sheet.json", "x.sheet.md"])
    check_output(tmp_path, ["x.sheet.json", "x.sheet.md"], force=True)
    assert (tmp_path / "x.sheet.md").read_text() == "mine"


def test_output_name_that_is_a_folder_is_refused_even_with_force(tmp_path: Path) -> None:
    (tmp_path / "x.sheet.md").mkdir()
    with pytest.raises(UsageError, match="is a folder"):
        check_output(tmp_path, ["x.sheet.md"], force=True)


@pytest.mark.parametrize("below", [False, True])
def test_output_folder_that_is_a_file_is_refused(tmp_path: Path, below: bool) -> None:
    blocker = tmp_path / "out"
    blocker.write_text("")
    with pytest.raises(AudioFileError) as caught:
        check_output(blocker / "deeper" if below else blocker, ["x.md"])
    assert "\n" not in str(caught.value)
    assert str(blocker) in str(caught.value)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs a folder that no user can write to")
def test_folder_that_cannot_be_written_to_is_refused() -> None:
    with pytest.raises(AudioFileError, match="cannot be written"):
        check_output("/proc", ["x.md"])
    with pytest.raises(AudioFileError, match="cannot be written"):
        write_text("/proc/x.md", "x")


def test_name_too_long_for_the_disk_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(AudioFileError, match="cannot be written"):
        write_text(tmp_path / ("x" * 400), "x")


@pytest.mark.parametrize("bits", [16, 24])
def test_a_stream_of_blocks_is_written_as_the_whole_is(tmp_path, bits):
    sound = pink_noise(3.1, 44100, -20.0)
    write_wav(tmp_path / "whole.wav", sound, 44100, 7, bits=bits)
    edges = [0, 1, 1, 900, 70000, len(sound)]
    write_wav(tmp_path / "cut.wav", (sound[a:b] for a, b in pairwise(edges)), 44100, 7, bits=bits)
    assert (tmp_path / "whole.wav").read_bytes() == (tmp_path / "cut.wav").read_bytes()
    assert soundfile.info(tmp_path / "cut.wav").subtype == f"PCM_{bits}"


def test_a_stream_that_turns_bad_leaves_nothing_behind(tmp_path):
    good = pink_noise(0.5, 44100, -20.0)
    bad = good.copy()
    bad[441, 1] = np.inf
    with pytest.raises(AudioFileError, match=r"0:00\.5 is NaN or infinite"):
        write_wav(tmp_path / "out.wav", iter([good, bad]), 44100, 1)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("bits", "dbfs"), [(16, -96.33), (24, -144.49)])
def test_the_file_adds_the_noise_of_triangular_dither(tmp_path, bits, dbfs):
    # Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992 (from memory): total error power LSB^2 / 4.
    sound = np.float64(0.5) * pink_noise(6.0, 48000, -20.0).astype(np.float64)
    write_wav(tmp_path / "out.wav", sound, 48000, 3, bits=bits)
    read, _ = soundfile.read(tmp_path / "out.wav", dtype="float64", always_2d=True)
    assert 10.0 * np.log10(np.mean((read - sound) ** 2)) == pytest.approx(dbfs, abs=0.05)


def test_a_fault_in_what_is_written_is_not_taken_for_a_full_disk(tmp_path):
    def stream():
        yield pink_noise(0.1, 44100)
        raise AssertionError("a bug in a stage")

    with pytest.raises(AssertionError, match="a bug in a stage"):
        write_wav(tmp_path / "out.wav", stream(), 44100, 1)
    with pytest.raises(AudioFileError, match="the stream is empty"):
        write_wav(tmp_path / "out.wav", iter([]), 44100, 1)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("block_frames", [0, -1])
def test_a_block_without_frames_is_refused(tmp_path, block_frames):
    write_wav(tmp_path / "in.wav", pink_noise(3.1, 44100), 44100, 1)
    with pytest.raises(UsageError, match=f"block_frames is {block_frames}"):
        read_blocks(tmp_path / "in.wav", block_frames)


def test_a_sample_beyond_any_mix_is_refused_with_its_level_and_time(tmp_path: Path) -> None:
    samples = noise()
    samples[44100, 0] = 1e30  # 600 dBFS by 20 log10; refused from 60 dBFS on, a limit of this project
    path = tmp_path / "huge.wav"
    soundfile.write(path, samples, 44100, subtype="FLOAT")
    assert "a sample of +600 dBFS at 0:01.0; no mix goes over +60 dBFS" in refusal(path)
