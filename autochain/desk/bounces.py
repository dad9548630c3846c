"""The engineer's own bounce, or an earlier master, laid under the mix to the sample, to be heard beside it."""

import filecmp
import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from autochain.audio.files import read_mix
from autochain.audio.mix import Mix, Samples
from autochain.audio.resample import resampled
from autochain.audio.room import in_blocks
from autochain.compare.pair import make_pair
from autochain.desk.renders import Stored
from autochain.measure.loudness import HopMeter
from autochain.measure.measurement import LevelFigures
from autochain.measure.true_peak import QUICK_READINGS, TruePeakMeter

_ENDINGS = {".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SongBounce:
    """A file beside the mix.

    Attributes
    ----------
    name, path
        What it is called, and where it lies.
    sha256
        Of the file.
    stored
        Its sound at the mix's rate, in step with the mix and as long, in as many channels.
    levels
        Of the whole file; the true peak by two readings.
    delay_s
        By how much the file itself is later than the mix.
    """

    name: str
    path: Path
    sha256: str
    stored: Stored
    levels: LevelFigures
    delay_s: float

    @property
    def key(self) -> str:
        """What a page asks for it by."""
        return f"bounce.{hashlib.sha256(str(self.path).encode('utf-8', 'surrogateescape')).hexdigest()[:12]}"


def sounds_in(folder: Path) -> tuple[Path, ...]:
    """Sound files of a folder, by name."""
    if not folder.is_dir():
        return ()
    return tuple(sorted(path for path in folder.iterdir() if path.suffix.lower() in _ENDINGS and path.is_file()))


def same_file(path: Path) -> Path | None:
    """Another sound file beside a file that is the same to the byte; None where there is none."""
    beside = (other for other in sounds_in(path.parent) if other != path)
    return next((other for other in beside if filecmp.cmp(path, other, shallow=False)), None)


def read_bounce(path: Path, mix: Mix) -> SongBounce:
    """Read a file and bring it in step with the mix, as `compare` does.

    What begins before the mix or ends after it is left out; where the file has nothing there is silence. The level
    stays as it is, and so does the polarity of the whole.

    Raises
    ------
    AudioFileError
        A file that cannot be used.
    DifferentMaterialError
        Another song.
    """
    own = read_mix(path)
    found = make_pair(mix, own).alignment
    delay_s = found.delay_samples / min(mix.rate_hz, own.rate_hz)
    sound = resampled(own.samples, own.rate_hz, mix.rate_hz)
    if found.swapped:
        sound = sound[:, ::-1]
    turned = found.channel_polarity
    if None not in turned and len(set(turned)) > 1:  # otherwise mid and side would change places
        sound = sound * np.asarray(turned, dtype=sound.dtype)
    levels = _levels(own)
    delay, frames = round(delay_s * mix.rate_hz), len(mix.samples)
    stored = Stored(frames, mix.channels)
    for first in range(0, frames, 1 << 18):
        stored.append(_at(sound, first + delay, min(1 << 18, frames - first), mix.channels))
    return SongBounce(name=path.name, path=path, sha256=own.sha256, stored=stored, levels=levels, delay_s=delay_s)


def _at(sound: Samples, first: int, frames: int, channels: int) -> Samples:
    """A stretch, silent where there is nothing, in so many channels."""
    part = sound[max(0, first) : max(0, first + frames)]
    before = min(frames, max(0, -first))
    part = np.pad(part, ((before, frames - before - len(part)), (0, 0)))
    if part.shape[1] == channels:
        return part
    return np.repeat(part, 2, axis=1) if channels == 2 else part.mean(axis=1, keepdims=True)


def _levels(own: Mix) -> LevelFigures:
    loudness = HopMeter(own.rate_hz, own.channels)
    peak = TruePeakMeter(own.rate_hz, own.channels, QUICK_READINGS)
    for block in in_blocks(own.samples):
        loudness.push(block)
        peak.push(block)
    return LevelFigures.of(loudness.result(), peak.result().highest_dbtp)
