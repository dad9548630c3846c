"""Two equalisers with one engine: narrow corrections before the dynamics, broad tone moves after them.

Each has any number of bands: bell, shelf, high-pass or low-pass, on both channels, on mid = (L + R)/2 or
side = (L - R)/2 alone, or on one channel. The curves are those of `biquad`: the prototypes of the W3C Note
"Audio EQ Cookbook" (2021), matched up to 20 kHz.

Phase `minimum`: second-order sections, no latency and no pre-echo; but peaks move, and a cut can raise them.
Phase `linear`: a symmetric filter of the same magnitude (`linear_phase`); no phase moves, half of the
ringing comes before the sound, and the latency is seven time constants of the slowest band, 53 ms for a high-pass
at 30 Hz.

Without a band, or with all gains at 0, the input is returned bit for bit. A band on the side leaves a mono sum
alone. A single channel is its own mid and has no side.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.audio.sections import Section, SectionFilter, Step, section_response
from autochain.chain import biquad
from autochain.chain.linear_phase import half_length_samples, linear_phase_filter
from autochain.chain.linear_runner import Delayed, filtered, unchanged
from autochain.chain.parameter import Parameter, choice
from autochain.chain.settings import EQUALISER, TONE, StageName, StageSettings
from autochain.chain.stage import Runner, Stage
from autochain.errors import ParameterError

__all__ = [
    "BROAD",
    "CHANNELS",
    "NARROW",
    "PHASES",
    "TYPES",
    "refuse_single_sides",
    "response_db",
]

# The tone equaliser offers the first three of each.
TYPES = ("bell", "lowshelf", "highshelf", "highpass", "lowpass")
CHANNELS = ("stereo", "mid", "side", "left", "right")
PHASES = ("minimum", "linear")

_WITHOUT_GAIN = ("highpass", "lowpass")
_ONE_CHANNEL = ("left", "right")


def response_db(
    settings: StageSettings, freq_hz: npt.NDArray[np.float64], rate_hz: int, channel: str = "stereo"
) -> npt.NDArray[np.float64]:
    """Gain of the bands on `channel` and of those on both channels, in dB at `freq_hz`: the curve to draw.

    Parameters
    ----------
    settings
        Complete settings of one of the equalisers. The phase makes no difference of more than 0.1 dB.
    freq_hz
        Frequencies under half the rate.
    rate_hz
        Sample rate.
    channel
        One of CHANNELS; `stereo` counts the bands on both channels only.
    """
    total = np.zeros(np.shape(freq_hz))
    for band in NARROW.bands(settings):
        section = _section(band, rate_hz)
        if section is not None and band.word("channel") in ("stereo", channel):
            total += 20.0 * np.log10(np.abs(section_response(section, freq_hz, rate_hz)))
    return total


def _section(band: StageSettings, rate_hz: int) -> Section | None:
    """Section of one band, None when it changes nothing."""
    kind, freq_hz, q, gain_db = band.word("type"), band["freq_hz"], band["q"], band["gain_db"]
    if kind == "highpass":
        return biquad.high_pass(freq_hz, q, rate_hz)
    if kind == "lowpass":
        return biquad.low_pass(freq_hz, q, rate_hz)
    if gain_db == 0.0:
        return None
    design = {"bell": biquad.bell, "lowshelf": biquad.low_shelf, "highshelf": biquad.high_shelf}[kind]
    return design(freq_hz, gain_db, q, rate_hz)


def _steps(bands: Sequence[StageSettings], rate_hz: int, channels: int) -> list[Step]:
    """Sections by lane, in as few changes between left/right and mid/side as the order of the bands allows.

    A band on both channels fits into either: it is the same on mid and side as on left and right.
    """
    steps: list[Step] = []
    first: list[Section] = []
    second: list[Section] = []
    mid_side: bool | None = None  # not decided while only bands on both channels have come

    def close() -> None:
        if first or second:
            steps.append(Step(mid_side=bool(mid_side), first=tuple(first), second=tuple(second)))
        first.clear()
        second.clear()

    for band in bands:
        section = _section(band, rate_hz)
        where = band.word("channel")
        if section is None or (channels == 1 and where == "side"):
            continue
        if channels == 2 and where != "stereo":
            wanted = where not in _ONE_CHANNEL
            if mid_side not in (None, wanted):
                close()
            mid_side = wanted
        if where in ("stereo", "mid", "left"):
            first.append(section)
        if where in ("stereo", "side", "right"):
            second.append(section)
    close()
    return steps


def refuse_single_sides(name: StageName, settings: StageSettings) -> None:
    """Left and right do not exist in a mix of one channel; it has a side, which is nothing."""
    for key, value in settings.items():
        if key.endswith("_channel") and value in _ONE_CHANNEL:
            raise ParameterError(
                f"{name}.{key} is {value}, but the mix has one channel. Choose stereo or mid, or a "
                "stereo mix."
            )


def _stage(
    *,
    name: StageName,
    label: str,
    types: tuple[str, ...],
    channels: tuple[str, ...],
    freq_hz: tuple[float, float],
    q: tuple[float, float, float],
    gain_db: float,
    listen_for: tuple[str, ...],
) -> Stage:
    """Build one equaliser; `q` is low, high and default, `gain_db` the end of the range on both sides.

    All ranges and defaults: common practice, no source.
    """

    def bands(settings: StageSettings) -> list[StageSettings]:
        return stage.bands(settings)

    def linear(settings: StageSettings) -> bool:
        return settings.word("phase", "minimum") == "linear"

    def start(rate_hz: int, count: int, settings: StageSettings) -> Runner:
        if count == 1:
            refuse_single_sides(name, settings)
        steps = _steps(bands(settings), rate_hz, count)
        if not steps:
            return unchanged(count)
        if linear(settings):
            return Delayed(linear_phase_filter(steps, rate_hz, count))
        return filtered(SectionFilter(steps, count), count)

    def latency_samples(rate_hz: int, settings: StageSettings) -> int:
        steps = _steps(bands(settings), rate_hz, 2)
        return half_length_samples(steps, rate_hz) if steps and linear(settings) else 0

    def applies(settings: StageSettings, parameter: str) -> bool:
        if not parameter.endswith("gain_db"):
            return True
        return settings.word(parameter.removesuffix("gain_db") + "type", "bell") not in _WITHOUT_GAIN

    stage = Stage(
        name=name,
        label=label,
        parameters=(
            choice(
                name="phase", label="phase", choices=PHASES, default="minimum", quiet=True,
                ends="minimum has no latency and no pre-echo, linear moves no phase",
            ),
        ),
        band=(
            choice(name="type", label="type", choices=types, default="bell"),
            Parameter(
                name="freq_hz", label="frequency", unit="Hz", low=freq_hz[0], high=freq_hz[1], default=1000.0,
                step=1.0, scale="log", ends="centre of a bell, corner of the others",
            ),
            Parameter(
                name="q", label="Q", unit="", low=q[0], high=q[1], default=q[2], step=0.01, scale="log",
                ends="lower is broader; 0.71 makes the steepest shelf or pass without a bump",
            ),
            Parameter(
                name="gain_db", label="gain", unit="dB", low=-gain_db, high=gain_db, default=0.0, step=0.1,
                ends="negative takes away, positive adds",
            ),
            choice(
                name="channel", label="channel", choices=channels, default="stereo", quiet=True,
                ends="mid is what both loudspeakers share, side is what differs",
            ),
        ),
        neutral=StageSettings({}),
        start=start,
        latency_samples=latency_samples,
        linear=True,
        listen_for=listen_for,
        applies=applies,
    )  # fmt: skip
    return stage


NARROW = _stage(
    name=EQUALISER,
    label="corrective equaliser",
    types=TYPES,
    channels=CHANNELS,
    freq_hz=(10.0, 20000.0),
    q=(0.3, 8.0, 0.71),
    gain_db=6.0,
    listen_for=(
        "with a band off and on at the same loudness: the fault less, the music whole",
        "how far the stages behind work: bass that is cut here no longer drives them",
    ),
)

BROAD = _stage(
    name=TONE,
    label="tone equaliser",
    types=TYPES[:3],
    channels=CHANNELS[:3],
    freq_hz=(20.0, 20000.0),
    q=(0.4, 1.4, 0.71),
    gain_db=3.0,
    listen_for=(
        "at the same loudness, off and on: is it better, or only brighter or fuller?",
        "the voice: its place in the mix should not move",
    ),
)
