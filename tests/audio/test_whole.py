"""A file that was copied by half is refused, in every format that can be written here; a whole one never is."""

import struct

import numpy as np
import pytest
import soundfile

from autochain.audio.blocks import read_blocks
from autochain.audio.files import read_mix
from autochain.audio.signals import pink_noise
from autochain.audio.whole import missing_part
from autochain.errors import AudioFileError

RATE_HZ = 44100
# Container and subtype as libsndfile names them.
KINDS = [
    ("wav", "WAV", "PCM_16"), ("wav", "WAVEX", "PCM_24"), ("wav", "RF64", "PCM_24"), ("wav", "WAV", "FLOAT"),
    ("w64", "W64", "PCM_24"), ("aiff", "AIFF", "PCM_16"), ("aiff", "AIFF", "PCM_24"), ("au", "AU", "PCM_16"),
    ("flac", "FLAC", "PCM_16"), ("ogg", "OGG", "VORBIS"), ("opus", "OGG", "OPUS"), ("mp3", "MP3", "MPEG_LAYER_III"),
]  # fmt: skip


def sound_file(folder, kind):
    suffix, container, subtype = kind
    path = folder / f"song.{suffix}"
    rate_hz = 48000 if subtype == "OPUS" else RATE_HZ
    sound = pink_noise(6.0, rate_hz, -20.0).astype(np.float32)
    soundfile.write(path, sound, rate_hz, format=container, subtype=subtype)
    return path


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: f"{kind[1]}-{kind[2]}")
def test_a_whole_file_is_read(tmp_path, kind):
    path = sound_file(tmp_path, kind)
    assert missing_part(path) is None
    assert sum(len(block) for block in read_blocks(path)) > 5 * RATE_HZ


@pytest.mark.parametrize("share", [0.76, 0.9, 0.98])
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: f"{kind[1]}-{kind[2]}")
def test_a_file_that_was_cut_is_refused(tmp_path, kind, share):
    path = sound_file(tmp_path, kind)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(AudioFileError, match=r"song\.\w+ (breaks off|cannot be decoded)"):
        read_mix(path)


def test_the_share_that_is_there_is_named(tmp_path):
    path = sound_file(tmp_path, ("wav", "WAV", "PCM_16"))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(AudioFileError, match="breaks off after 50 % of what its header promises"):
        read_blocks(path)


@pytest.mark.parametrize("length", [0, 0xFFFFFFFF])
def test_a_length_that_was_never_filled_in_promises_nothing(tmp_path, length):
    # As a program leaves it that writes into a pipe and cannot go back to its header.
    path = sound_file(tmp_path, ("wav", "WAV", "PCM_16"))
    whole = bytearray(path.read_bytes())
    at = whole.index(b"data") + 4
    whole[at : at + 4] = struct.pack("<I", length)
    path.write_bytes(whole)
    assert missing_part(path) is None


def test_what_follows_the_sound_does_not_count(tmp_path):
    path = sound_file(tmp_path, ("wav", "WAV", "PCM_16"))
    path.write_bytes(path.read_bytes() + b"LIST" + struct.pack("<I", 4000))
    assert missing_part(path) is None


HEADS_ALONE = [b"", b"RIFF", b"RIFF\0\0\0\0WAVE", b"ID3", b"OggS", b"\xff\xfb" + b"Xing" * 3, b"x" * 30]


@pytest.mark.parametrize("content", HEADS_ALONE)
def test_what_is_no_sound_file_is_no_trouble(tmp_path, content):
    path = tmp_path / "song.wav"
    path.write_bytes(content)
    found = missing_part(path)
    assert found is None or content == b"OggS"
