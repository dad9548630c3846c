"""A bounce laid beside the test it was made from: where it begins, which way up, at which speed.

Both ends have the same mark, a short exponential sweep. It is found by its matched filter; a parabola through the
highest three values of the correlation gives the place to a hundredth of a sample. The distance between both marks
tells the speed.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft
import scipy.signal

from autochain.audio.mix import Mix
from autochain.tool import signal
from autochain.tool.refusal import ToolError

Floats = npt.NDArray[np.float64]

MOST_OFFSET_S = 2.0  # searched for the first mark, either way of its place. A limit of this project.
_SURE = 0.5  # of the correlation of two equal marks: noise reaches a tenth
_MOST_PPM = 50.0  # a clock that is off by more moves the end of a test by 3 ms. A limit of this project.
_SPEEDS = tuple(a / b for a in signal.TEST_RATES_HZ for b in signal.TEST_RATES_HZ if a != b)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bounce:
    """A bounce in step with its test.

    Attributes
    ----------
    test
        Which list it was made from.
    rate_hz
        Sample rate of both sounds.
    played, heard
        The test, and the bounce the right way up, shape (frames, 2), float64.
    delay_samples
        By how much the bounce is late in its file: what a host puts in front, and the processor's own delay where the
        host does not take it out.
    polarity
        1, or -1 where the bounce was turned over.
    """

    test: str
    rate_hz: int
    played: Floats
    heard: Floats
    delay_samples: float
    polarity: int

    def of(self, group: str) -> tuple[signal.Stretch, ...]:
        """Segments of one group."""
        return signal.group(self.test, group)

    def both(self, span: slice) -> tuple[Floats, Floats]:
        """Test and bounce in some frames."""
        return self.played[span], self.heard[span]


def lay_beside(bounce: Mix, tests: tuple[str, ...]) -> Bounce:
    """Lay a bounce beside the first of some tests whose marks it has.

    Raises
    ------
    ToolError
        No marks, marks of another test, another speed, channels against each other.
    """
    rate_hz = bounce.rate_hz
    if rate_hz not in signal.TEST_RATES_HZ:
        known = ", ".join(map(str, signal.TEST_RATES_HZ))
        raise ToolError(f"{bounce.file}: {rate_hz} Hz; a test is played and bounced at {known} Hz. Bounce it again.")
    sound = bounce.samples.astype(np.float64)
    if sound.shape[1] == 1:
        sound = np.repeat(sound, 2, axis=1)
    first, _ = signal.marks(tests[0])
    head = found_mark(sound, round((first.start_s + MOST_OFFSET_S + signal.MARK_S) * rate_hz), rate_hz, rate_hz)
    if head is None:
        raise ToolError(f"{bounce.file}: {_why_no_mark(sound, rate_hz, first)}")
    begin, signs = head
    if signs[0] != signs[1]:
        raise ToolError(
            f"{bounce.file}: one channel is turned over against the other. Take out what does that and bounce again."
        )
    for test in tests:
        first, last = signal.marks(test)
        apart = (last.start_s - first.start_s) * rate_hz
        at = round(begin + apart - 0.02 * rate_hz)
        tail = found_mark(sound[max(0, at) :], round(0.04 * rate_hz) + round(signal.MARK_S * rate_hz), rate_hz, rate_hz)
        if tail is None:
            continue
        ppm = 1e6 * ((max(0, at) + tail[0] - begin) / apart - 1.0)
        if abs(ppm) > _MOST_PPM:
            raise ToolError(
                f"{bounce.file}: it runs {ppm:+.0f} ppm off the test's speed. Play and record with one clock."
            )
        return _in_step(sound, test, rate_hz, begin - first.start_s * rate_hz, signs[0])
    wanted = " or ".join(f"{signal.duration_s(test):.1f} s" for test in tests)
    raise ToolError(
        f"{bounce.file}: there is a mark at its start and none at its end. It was made from another test, cut short, "
        f"or its end is muted. Bounce all of the test ({wanted}) again."
    )


def found_mark(sound: Floats, frames: int, rate_hz: float, mark_hz: float) -> tuple[float, tuple[int, int]] | None:
    """Where the mark begins in the first frames, and its sign in both channels; None without one."""
    mark = signal.mark(round(mark_hz))
    piece = sound[:frames]
    if len(piece) < mark.size:
        return None
    size = scipy.fft.next_fast_len(len(piece) + mark.size, real=True)
    spectrum = scipy.fft.rfft(mark, size).conj()
    places, signs, best = list[float](), list[int](), list[float]()
    for channel in piece.T:
        correlation = scipy.fft.irfft(scipy.fft.rfft(channel, size) * spectrum, size)[: len(piece) - mark.size + 1]
        at = int(np.argmax(np.abs(correlation)))
        under = channel[at : at + mark.size]
        share = abs(correlation[at]) / max(1e-12, float(np.sqrt((under @ under) * (mark @ mark))))
        best.append(share)
        signs.append(1 if correlation[at] > 0.0 else -1)
        places.append(at + _top(np.abs(correlation), at))
    if max(best) < _SURE:
        return None
    surest = int(np.argmax(best))
    other = signs[1 - surest] if min(best) >= _SURE else signs[surest]
    return places[surest], (signs[surest], other)


def _top(values: Floats, at: int) -> float:
    """How far from its highest sample the top of a parabola lies."""
    if not 0 < at < values.size - 1:
        return 0.0
    a, b, c = values[at - 1 : at + 2]
    return float(0.5 * (a - c) / (a - 2.0 * b + c))


def _why_no_mark(sound: Floats, rate_hz: int, first: signal.Stretch) -> str:
    frames = round((2.5 * first.start_s + MOST_OFFSET_S + 0.5) * rate_hz)
    if not sound.any():
        return "it is silent. Check the routing and bounce again."
    for speed in _SPEEDS:
        if found_mark(sound, frames, rate_hz, rate_hz / speed) is not None:
            return (
                f"it plays at {speed:.3f} times the test's speed: a file of one rate was read as if it had another. "
                "Set the session to the rate of the test and bounce again."
            )
    return (
        f"the mark that begins the test is not in its first {first.start_s + MOST_OFFSET_S:g} s. Bounce all of the "
        "test, with nothing in front, and only this one processor in the path."
    )


def _in_step(sound: Floats, test: str, rate_hz: int, delay: float, polarity: int) -> Bounce:
    played = signal.make(test, rate_hz)
    whole = round(delay)
    part = delay - whole
    # Half a hundredth of a sample is what noise makes of a delay of whole samples.
    if abs(part) > 0.03:
        size = scipy.fft.next_fast_len(len(sound) + 64, real=True)
        turn = np.exp(2j * np.pi * part * np.arange(size // 2 + 1) / size)[:, None]
        sound = scipy.fft.irfft(scipy.fft.rfft(sound, size, axis=0) * turn, size, axis=0)[: len(sound)]
    else:
        delay = float(whole)
    heard = np.zeros_like(played)
    begin = max(0, whole)
    piece = sound[begin : begin + len(played) + min(0, whole)]
    at = max(0, -whole)
    heard[at : at + len(piece)] = polarity * piece[: len(heard) - at]
    return Bounce(
        test=test, rate_hz=rate_hz, played=played, heard=heard, delay_samples=delay, polarity=polarity,
    )  # fmt: skip
