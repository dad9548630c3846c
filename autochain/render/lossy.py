"""Encoding with what libsndfile has, and reading the result back as a player would."""

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import soundfile

from autochain.audio.blocks import for_soundfile, shown
from autochain.audio.files import replace_file, write_samples
from autochain.audio.mix import Samples
from autochain.audio.tags import put_id3, put_tags
from autochain.errors import AudioFileError
from autochain.render.formats import Export

_BLOCK_FRAMES = 1 << 16
_MP3_KBPS = (320.0, 32.0)  # at libsndfile's compression levels 0 and 1
_OPUS_KBPS = (512.0, 12.0)  # for two channels
_VORBIS_QUALITY = (10.0, 0.0)


def compression_level(export: Export, channels: int) -> float:
    """Libsndfile's one number, 0 (largest file) to 1, for kbit/s or a quality."""
    largest, smallest = {"mp3": _MP3_KBPS, "opus": _OPUS_KBPS, "vorbis": _VORBIS_QUALITY}[export.kind.name]
    if export.kind.name == "opus":
        largest, smallest = 0.5 * channels * largest, 0.5 * channels * smallest
    return min(1.0, max(0.0, (largest - export.setting) / (largest - smallest)))


def write_lossy(
    path: Path,
    samples: Samples,
    export: Export,
    tags: Mapping[str, str],
    force: bool = False,
    sources: Iterable[Path] = (),
) -> None:
    """Encode floating-point samples (no word length, so no dither); the file appears complete or not at all."""
    id3 = export.kind.name == "mp3"

    def write(temporary: Path) -> None:
        with soundfile.SoundFile(
            for_soundfile(temporary),
            "w",
            samplerate=export.rate_hz,
            channels=samples.shape[1],
            format=export.kind.container,
            subtype=export.kind.subtype,
            compression_level=compression_level(export, samples.shape[1]),
            bitrate_mode="CONSTANT" if id3 else None,
        ) as file:
            put_tags(file, {} if id3 else tags)
            for start in range(0, len(samples), _BLOCK_FRAMES):
                write_samples(file, np.ascontiguousarray(samples[start : start + _BLOCK_FRAMES]), path)
        if id3:
            put_id3(temporary, tags)
        back = soundfile.info(for_soundfile(temporary)).frames  # what a coder could not write at its end raises nothing
        if back != len(samples):
            raise AudioFileError(
                f"{shown(path)} cannot be written ({back} of {len(samples)} samples came back); "
                "check the space or leave this format out."
            )

    replace_file(path, write, force, sources)
