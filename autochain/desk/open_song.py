"""Everything of the one song that is open."""

import threading

import numpy as np

from autochain.audio.files import read_mix
from autochain.audio.mix import Samples
from autochain.chain.chain import DEFAULT
from autochain.chain.settings import ChainSettings, StageName, Value
from autochain.config import read_config
from autochain.desk.folder import SongFiles
from autochain.desk.versions import HAND, MIX, Heard, Version
from autochain.earlier.read import read_sheet
from autochain.errors import UsageError
from autochain.measure.loudness import integrated_lufs, weighted_hops
from autochain.render.sheet_chain import sheet_chain
from autochain.search.space import outline_at
from autochain.solve.decisions import Decisions

_PREROLL_S, _PLACE_S = 2.0, 6.0


class OpenSong:
    """One song: what can be heard of it, and what is under the hand."""

    def __init__(self, files: SongFiles) -> None:
        self.files = files
        self.mix = read_mix(files.path)
        self.config = read_config()
        self._lock = threading.Lock()
        self._lufs = integrated_lufs(weighted_hops(self.mix.samples, self.mix.rate_hz))
        self._revision = 1
        self.chain, self.settings = DEFAULT, ChainSettings()
        if files.sheet.exists():
            self.chain, self.settings = sheet_chain(read_sheet(files.sheet))
        else:
            first = outline_at(self.config.search.trade_default, Decisions(), self.config.target.ceiling_dbtp, DEFAULT)
            self.settings = DEFAULT.rounded(first.settings)

    @property
    def frames(self) -> int:
        """Length of every version."""
        return len(self.mix.samples)

    def versions(self) -> tuple[Version, ...]:
        """What can be heard."""
        return (
            Version(key=MIX, name="mix", revision=1, lufs=self._lufs, gain_db=0.0, exact=True),
            Version(key=HAND, name="your settings", revision=self._revision, lufs=None, gain_db=-6.0, exact=False),
        )

    def turn(self, stage: StageName, parameter: str, value: Value, at_s: float) -> Heard:
        """Set one setting, and solve the place that holds a time of the mix."""
        known = self.chain.stage(stage)
        given = known.parameter(parameter).parsed(value, known.name)
        with self._lock:
            self.settings = self.settings.with_(known.name, {parameter: given})
            self._revision += 1
            return self._heard(at_s)

    def place(self, start_s: float) -> Heard:
        """Move the place that repeats."""
        return self._heard(start_s)

    def _heard(self, at_s: float) -> Heard:
        start = min(max(0.0, at_s), max(0.0, self.mix.duration_s - _PLACE_S))
        return Heard(start_s=start, stop_s=start + _PLACE_S, revision=self._revision, gain_db=-6.0)

    def sound(self, key: str, revision: int, first: int, frames: int) -> Samples:
        """Samples of a version from a frame of the mix on, float32 of shape (frames, channels)."""
        last = min(self.frames, first + frames)
        if key == MIX:
            return self.mix.samples[first:last]
        if key == HAND:
            begin = max(0, first - round(_PREROLL_S * self.mix.rate_hz))
            out = self.chain.render(self.mix.samples[begin:last], self.mix.rate_hz, self.settings).samples
            return np.ascontiguousarray(out[first - begin :])
        raise UsageError(f"there is no version {key!r}. Load the page again.")
