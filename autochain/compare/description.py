"""What was found between two files in plain words, the most audible first; no word about taste.

How audible something is, is judged roughly: by how many times it exceeds what is just noticed in a comparison at equal
loudness. These limits stand in the files that say it, and are common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from autochain.compare import changes as said_of_tone
from autochain.compare import fault_changes as said_of_faults
from autochain.compare import said_of_level
from autochain.compare.comparison import Comparison
from autochain.compare.said import Said
from autochain.units import number

LOUDNESS_LU = 0.1
POOR_STEP = 0.6  # driven 12 dB into a limiter a song still reads 0.88; clocks 20 millionths apart, 0.3 over 40 s
FEWEST_S = 8.0  # of less, the transfer between the two is too uncertain: an untouched 3 s read -19 dB noise-to-mask

UNCHANGED = {
    "course": "the course of the song",
    "tone": "the spectrum",
    "width": "the width",
    "balance": "left against right",
    "channels": "channel order and polarity",
    "hits": "the edge of hits",
    "peaks": "peaks against loudness",
    "distortion": "distortion",
    "movement": "the steadiness of the level",
    "contrast": "quiet against loud parts",
    "clipped": "clipped places",
    "clicks": "clicks",
    "ends": "the first and the last sound",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Everything there is to say.

    Attributes
    ----------
    loudness
        How much louder the master is, and what was done about it.
    laid
        How else the two were made comparable.
    changed
        The most audible first.
    unchanged
        What did not change, or too little to notice.
    """

    loudness: str
    laid: tuple[str, ...]
    changed: tuple[Said, ...]
    unchanged: tuple[str, ...]


_PARTS = (
    said_of_faults.course,
    said_of_faults.channels,
    said_of_tone.tone,
    said_of_tone.width,
    said_of_tone.balance,
    said_of_level.hits,
    said_of_level.peaks,
    said_of_level.distortion,
    said_of_level.movement,
    said_of_faults.clipped,
    said_of_faults.clicks,
    said_of_faults.ends,
)


def account(found: Comparison) -> Account:
    """Put a comparison into words."""
    untold = {"distortion"} if found.compared_s[1] - found.compared_s[0] < FEWEST_S else set()
    if found.apart_s:
        untold.add("ends")
    said = [one for part in _PARTS for one in part(found) if one.size >= 1.0 and one.kind not in untold]
    kinds = {one.kind for one in said}
    return Account(
        loudness=_loudness(found.gain_lu),
        laid=tuple(_laid(found)),
        changed=tuple(sorted(said, key=lambda one: -one.size)),
        unchanged=tuple(words for kind, words in UNCHANGED.items() if kind not in kinds | untold),
    )


def _loudness(gain_lu: float) -> str:
    if abs(gain_lu) < 0.5 * LOUDNESS_LU:
        return "Both are equally loud."
    size = number(abs(gain_lu), "LU")
    if gain_lu > 0.0:
        return f"The master is {size} louder; for all that follows it was turned down by that."
    return f"The master is {size} quieter; for all that follows it was turned up by that."


def _laid(found: Comparison) -> Iterator[str]:
    if found.mix.sha256 == found.master.sha256:
        yield "Both are the very same file."
    delay = found.alignment.delay_samples
    if abs(delay) >= 0.005:
        word = "later" if delay > 0.0 else "earlier"
        yield (
            f"The master lies {number(abs(1000.0 * found.delay_s), 'ms', 2)} {word} in its file "
            f"({number(abs(delay), 'samples', 2)} at {found.rate_hz} Hz); it was moved back."
        )
    if found.resampled is not None:
        yield (
            f"The mix has {found.mix.rate_hz} Hz, the master {found.master.rate_hz} Hz: the {found.resampled} was "
            f"brought to {found.rate_hz} Hz for the comparison. Loudness, true peak, clipping and clicks are those of "
            "each file as it is."
        )
    if found.alignment.confidence < POOR_STEP and not found.apart_s:
        yield (
            f"The master drifts against the mix, or much was added to it (coherence "
            f"{number(found.alignment.confidence, decimals=2)} of 1): if one of them came through tape or another "
            "clock, distortion and movement read too high."
        )
    length_s = found.compared_s[1] - found.compared_s[0]
    if length_s < FEWEST_S:
        yield f"Only {number(length_s, 's')} are compared: too short to tell added distortion from filtering."
    if found.mix.channels != found.master.channels:
        one = "mix" if found.mix.channels == 1 else "master"
        yield f"The {one} has one channel; it was compared as two equal ones, which a meter reads 3.0 LU higher."
