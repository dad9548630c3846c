"""Look-ahead limiter: turns the level down smoothly and ahead of time, so that no peak passes the ceiling."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from autochain.audio.cells import CELL_FRAMES, Cells, grown
from autochain.audio.mix import Samples
from autochain.audio.oversample import BLOCK_FRAMES, Hidden, Watch, interpolator, margin, mirrored, scratch
from autochain.chain import _limiter_kernels as kernels
from autochain.chain.limiter_gain import gain_line, lookahead_samples
from autochain.chain.limiter_release import RELEASES, release_of
from autochain.chain.parameter import Parameter, choice
from autochain.chain.settings import LIMITER, StageSettings
from autochain.chain.stage import TRACE_HZ, GainTrace, Stage
from autochain.resources import read_table
from autochain.units import db_to_linear

# Its points read steady sines within 0.11 dB up to 0.455 of the sample rate (20 kHz at 44.1 kHz). No filter
# of finite length does so up to half the rate.
DETECTOR = interpolator(4, 36, 3.0)
# A band-limited peak exceeds its nearest quarter point by at most 1 / cos(pi/8) = 0.688 dB (ITU-R BS.1770-5,
# Annex 2, Attachment 1): where every quarter point stays below this share of the ceiling, so does the signal.
_SURE = 0.92
_MARGIN = margin(DETECTOR)
# What a limiter without true-peak detection reads, as `detector`; for `search.strangers`, no setting of this one.
SAMPLE_PEAK = "sample_peak"
# Bounds of what is read near a frame. The parabola through three quarter points exceeds the middle one by an eighth of
# their second difference at most, hence by a quarter of the point, or by 0.21 of the samples' largest second difference
# (0.1 behind the first point of a frame, which is a sample itself). The meters stay under all three.
_TOPS = {"absolute_sum": 4.1, "straight_sum": 1.002, "curvature_sum": 1.43}

@dataclass(slots=True)
class _Work:
    """What depends on the sample type."""

    taps: Samples
    rows: Samples
    up: Samples
    read: Samples
    turns: npt.NDArray[np.bool_]
    peaks: npt.NDArray[np.float64]
    watch: Watch


class Limiting:
    """Limit the true peak of a stream to `ceiling_dbtp`.

    With L the look-ahead and A the attack in frames, p[n] the largest peak around n (four points per frame
    from n - 3/4 to n + 3/4 and the parabola through them), c the ceiling:

        g[n] = min(1, c / p[n]),  m[n] = min(g[n-L .. n]),  r = release of m,  s = h * r,  y[n] = x[n] s[n+L],

    h two averages in a row, A + 1 long together. Every m in reach of h at n + L knows g[n], r never exceeds m,
    and h averages, so s never exceeds the g it answers: the samples cannot pass the ceiling (Hämäläinen,
    DAFx-02, for the minimum before the smoothing). The gain starts down L before a peak and is down after A.
    Two four-fold meters are asked as well, as they may read over the true peak by up to 0.2 dB: the published one
    of ITU-R BS.1770 and the 49-tap windowed sinc of libebur128. The true peak can pass by what
    the detector misses and by the peaks that the moving gain itself makes: under 0.05 dB for content up to
    20 kHz at 44.1 kHz; 0.2 to 0.8 dB for content that reaches half the sample rate at full level (noise).

    Where nothing in reach exceeds the ceiling and the release has ended, the gain is exactly 1 and the
    samples pass bit for bit. Peaks between two higher samples that lie within L + 2 frames are not looked for: the gain
    is held over them anyway.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1 or 2.
    settings
        `ceiling_dbtp` -24 to 0 dBTP. `lookahead_ms`, how far ahead of a peak the gain starts down, 0.5 (bites, keeps
        level) to 10 ms (smooth, softens attacks). `release_ms`, 2 (loud, distorts bass) to 1000 ms (clean,
        pumps or sits low), and `release_behaviour`, see `limiter_release`. `attack_ms`, the time the gain takes to
        come down, 0.1 to 10 ms, at most the look-ahead. `link_percent`: 100 gives all channels the gain of the one that
        needs the most reduction, 0 each its own; between, each has its own reduction raised by that share of the
        difference, in dB. Complete and checked.

    Attributes
    ----------
    trace
        `max_db` of the channel that is turned down most, `mean_db` of the mean gain of all.
    """

    def __init__(self, rate_hz: int, channels: int, settings: StageSettings) -> None:
        self._ceiling = db_to_linear(settings["ceiling_dbtp"])
        self._link = 0.01 * settings["link_percent"]
        ahead = lookahead_samples(rate_hz, settings)
        # The cell of output lies that far back; one block before the cell of input is looked at too.
        self._before = BLOCK_FRAMES * -(-max(ahead, BLOCK_FRAMES + _MARGIN) // BLOCK_FRAMES)
        self._ahead = ahead
        self._cells = Cells(channels, before=self._before, after=_MARGIN, delay=ahead)
        self._first = -ahead  # frame that the next cell of output begins with
        self._frames = 0
        self._hop = round(rate_hz / TRACE_HZ)
        self._lines = [gain_line(rate_hz, settings) for _ in range(1 if self._link == 1.0 else channels)]
        self._release = release_of(rate_hz, settings)
        self._reads_samples = settings.word("detector", "true_peak") == SAMPLE_PEAK
        self._at_rest = True
        # One block before the cell, whose last frame raises the need of the cell's first, and one frame after.
        self._needs = np.zeros((len(self._lines), BLOCK_FRAMES + CELL_FRAMES + 1), np.int32)
        self._most, self._summed = np.zeros((2, 1), np.int64)
        self._work: _Work | None = None
        self.trace: GainTrace | None = None

    def push(self, block: Samples) -> Samples:
        """Take the next frames; return those that are ready."""
        self._frames += block.shape[0]
        return self._cells.push(block, self._limit)

    def finish(self) -> Samples:
        """Return the rest."""
        rest = self._cells.finish(self._limit)
        self.trace = self._traced()
        return rest

    def _limit(self, window: Samples, output: Samples, low: int, high: int) -> None:
        found = self._look(window)
        begin = self._before - self._ahead
        source = window[begin : begin + CELL_FRAMES]
        if not found and self._at_rest:
            output[:] = source
        else:
            hops = max(0, self._first + CELL_FRAMES) // self._hop + 1
            self._most, self._summed = grown(self._most, hops), grown(self._summed, hops)
            tally = low, high, self._first, self._hop, self._most, self._summed
            self._at_rest = True
            for channel, line in enumerate(self._lines):
                at_rest = kernels.turn_down(
                    source.reshape(-1), window.shape[1], channel if len(self._lines) > 1 else -1,
                    self._needs[channel, BLOCK_FRAMES:-1], tuple(line), tuple(self._release), output.reshape(-1), tally,
                )  # fmt: skip
                self._at_rest = self._at_rest and at_rest
        self._first += CELL_FRAMES

    def _look(self, window: Samples) -> bool:
        """Fill `_needs` for the cell; False when nothing passes the ceiling."""
        first = self._before - BLOCK_FRAMES
        if self._reads_samples:
            return self._look_at_samples(window[first : self._before + CELL_FRAMES])
        work = self._work = self._work or self._prepared(window)
        nearly = _SURE * self._ceiling
        starts, stops = work.watch.runs(window, first, self._before + CELL_FRAMES, nearly)
        if not starts.size:
            self._needs[:] = 0
            return False
        found = kernels.find_needs(
            window.reshape(-1), window.shape[1], starts, stops, work.taps, work.rows, self._ceiling, nearly,
            work.up, work.read, work.turns, work.peaks, first, self._needs,
        )  # fmt: skip
        if found and len(self._lines) > 1 and self._link > 0.0:
            kernels.link_needs(self._needs, self._link)
        return bool(found)

    def _look_at_samples(self, frames: Samples) -> bool:
        self._needs[:] = 0
        peaks = np.maximum(np.abs(frames), 1e-9).astype(np.float64)
        highest = peaks.max(axis=1)
        found = 0
        for channel, needs in enumerate(self._needs):
            own = np.ascontiguousarray(peaks[:, channel]) if len(self._needs) > 1 else highest
            found += kernels.raise_needs(own, self._ceiling, needs[:-1])
        if found and len(self._needs) > 1 and self._link > 0.0:
            kernels.link_needs(self._needs, self._link)
        return bool(found)

    def _prepared(self, window: Samples) -> _Work:
        dtype = window.dtype
        up = scratch(DETECTOR, window.shape[1], dtype)
        # The gain is held over the look-ahead, so that what lies between higher peaks changes nothing; with a gain for
        # each channel there are two of them, and what one needs depends on the other frame by frame.
        hidden = None
        if len(self._lines) == 1:
            # A release that never waits is known ahead; the others depend on how often there was work.
            keep = 1.0 - self._release.fall if self._release.way == kernels.FIXED else 0.0
            hidden = Hidden(frames=self._ahead + 2, **_TOPS, over=self._ceiling, keep=keep)
        return _Work(
            taps=DETECTOR.mirrored.astype(dtype),
            rows=_meter_rows().astype(dtype),
            up=up,
            read=np.empty(up.shape[1], dtype),
            turns=np.empty(up.shape[1], np.bool_),
            peaks=np.empty((4, up.shape[1])),
            watch=Watch(DETECTOR, window.shape[0], window.shape[1], dtype, hidden),
        )

    def _traced(self) -> GainTrace:
        hops = -(-self._frames // self._hop)
        most, summed = np.zeros((2, hops))
        known = min(hops, self._most.size)
        most[:known], summed[:known] = self._most[:known], self._summed[:known]
        frames = np.full(hops, float(self._hop * len(self._lines)))
        if self._frames % self._hop:
            frames[-1] *= self._frames % self._hop / self._hop
        unit = float(kernels.UNIT * self._lines[0].first_length * self._lines[0].second_length)
        return GainTrace(max_db=_reduction_db(most / unit), mean_db=_reduction_db(summed / (unit * frames)))


@cache
def _meter_rows() -> npt.NDArray[np.float64]:
    """Mirrored weights of frames n - 5 .. n + 6 for the points that meters read between n and n + 1, shape (7, 6).

    The four phases of ITU-R BS.1770-5, Annex 2: n + 1/8, 3/8, 5/8 and 7/8; the three of a Hann-windowed sinc of
    49 taps at four times the rate (facts of libebur128's interpolator): n + 1/4, 1/2 and 3/4.
    """
    annex2 = np.array(read_table("true_peak.toml")["annex2"]["phases"])[:, ::-1]
    distance = np.arange(-5, 7) - np.array([[0.25], [0.5], [0.75]])
    sinc = np.sinc(distance) * (0.5 + 0.5 * np.cos(np.pi * distance / 6.0))
    # From the outside in, so that each half mirrors the other.
    return mirrored(np.concatenate((annex2[:2], sinc, annex2[2:])))


def _reduction_db(share: npt.NDArray[np.float64]) -> npt.NDArray[np.float32]:
    return np.abs(20.0 * np.log10(1.0 - share)).astype(np.float32)  # abs: no minus zero


def latency_samples(rate_hz: int, settings: StageSettings) -> int:
    """Delay of a real-time version: the look-ahead and the detector's reach."""
    return lookahead_samples(rate_hz, settings) + DETECTOR.reach


def _applies(settings: StageSettings, name: str) -> bool:
    return name != "attack_ms" or settings["attack_ms"] < settings["lookahead_ms"]


STAGE = Stage(
    name=LIMITER,
    label="limiter",
    parameters=(
        Parameter(
            name="ceiling_dbtp",
            label="ceiling",
            unit="dBTP",
            low=-24.0,
            high=0.0,
            default=-1.0,
            step=0.1,
            ends="the level no peak passes, true peak",
        ),
        Parameter(
            name="lookahead_ms",
            label="look-ahead",
            unit="ms",
            low=0.5,
            high=10.0,
            default=2.0,
            step=0.1,
            scale="log",
            ends="0.5 bites and keeps level; 10 is smooth and softens attacks",
        ),
        Parameter(
            name="release_ms",
            label="release",
            unit="ms",
            low=2.0,
            high=1000.0,
            default=60.0,
            step=1.0,
            scale="log",
            ends="2 is loud and distorts bass; 1000 is clean and holds the level down",
        ),
        Parameter(
            name="attack_ms",
            label="attack",
            unit="ms",
            low=0.1,
            high=10.0,
            default=10.0,
            step=0.1,
            scale="log",
            ends="short comes down steeply and roughens; as long as the look-ahead or longer uses all of it",
            quiet=True,
        ),
        choice(
            name="release_behaviour",
            label="release behaviour",
            choices=RELEASES,
            default="fixed",
            ends="fixed always takes the same time; by_work is slower the more it worked; two_stage is fast after "
            "single peaks and slow after long work",
            quiet=True,
        ),
        Parameter(
            name="link_percent",
            label="stereo link",
            unit="%",
            low=0.0,
            high=100.0,
            default=100.0,
            step=5.0,
            ends="0 limits left and right apart; 100 keeps the image",
            quiet=True,
        ),
    ),
    neutral=StageSettings({"ceiling_dbtp": 0.0}),
    start=Limiting,
    latency_samples=latency_samples,
    applies=_applies,
    listen_for=(
        "hits losing weight: longer look-ahead or less work for the limiter",
        "bass growing rough: longer release",
        "the mix breathing with the beat: shorter release",
    ),
)
