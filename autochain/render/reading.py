"""What a written file holds, read back from the disk by two meters."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from autochain.audio.blocks import for_soundfile, shown
from autochain.errors import AudioFileError
from autochain.measure.measurement import Measurement, MixMeter
from autochain.render.second_meter import second_lufs_of

_BLOCK_FRAMES = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Figures of a file.

    Attributes
    ----------
    figures
        Its measurement; lossy files are decoded first.
    second_lufs
        Integrated loudness by the second meter (`second_meter`), in LUFS; None where it has none or was not asked.
    clipped
        Samples at or over full scale, all channels.
    frames, rate_hz, channels
        Length, rate and channels as decoded.
    size_bytes, sha256
        Of the file.
    """

    figures: Measurement
    second_lufs: float | None
    clipped: int
    frames: int
    rate_hz: int
    channels: int
    size_bytes: int
    sha256: str

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    @property
    def meters_apart_lu(self) -> float | None:
        """What the second meter reads more than our own; None where one of them has no reading."""
        own = self.figures.integrated_lufs
        return None if own is None or self.second_lufs is None else self.second_lufs - own

    @property
    def kbps(self) -> float:
        """Bits per second over the whole file, in thousands."""
        return 8e-3 * self.size_bytes / self.duration_s


def read_back(path: Path, *, second_meter: bool = True) -> Reading:
    """Measure a file that has been written; AudioFileError when it cannot be read."""
    try:
        with path.open("rb") as stream:
            sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
        with soundfile.SoundFile(for_soundfile(path)) as file:
            meter = MixMeter(file.samplerate, file.channels)
            frames = clipped = 0
            # Words of fixed-point files stop one step under full scale.
            full = 1.0 - 2.0 ** (1 - int(file.subtype.removeprefix("PCM_"))) if file.subtype.startswith("PCM_") else 1.0
            for block in file.blocks(_BLOCK_FRAMES, dtype="float32", always_2d=True):
                meter.push(np.ascontiguousarray(block))
                frames += len(block)
                clipped += int(np.count_nonzero(np.abs(block) >= np.float32(full)))
            rate_hz, channels = file.samplerate, file.channels
        return Reading(
            figures=meter.result().figures,
            second_lufs=second_lufs_of(path) if second_meter else None,
            clipped=clipped,
            frames=frames,
            rate_hz=rate_hz,
            channels=channels,
            size_bytes=path.stat().st_size,
            sha256=sha256,
        )
    except (OSError, soundfile.SoundFileError) as error:
        raise AudioFileError(
            f"{shown(path)} was written but cannot be read back ({error}). Write it to another disk."
        ) from None
