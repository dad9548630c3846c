"""What was found between two files in plain words, the most audible first; no word about taste.

How audible something is, is judged roughly: by how many times it exceeds what is just noticed in a comparison at equal
loudness. These limits stand in the files that say it, and are common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from autochain.compare import changes, fault_changes
from autochain.compare.changes import Change
from autochain.compare.comparison import Comparison
from autochain.units import number

_LOUDNESS_LU = 0.1
POOR_STEP = 0.6  # driven 12 dB into a limiter a song still reads 0.88; clocks 20 millionths apart, 0.3 over 40 s
FEWEST_S = 8.0  # of less, the transfer between the two is too uncertain: an untouched 3 s read -19 dB noise-to-mask

# Kinds of change, and how each is called where nothing of it was found.
UNCHANGED = {
    "course": "the arrangement (no edit)",
    "tone": "the spectrum",
    "width": "the stereo width",
    "balance": "the balance of left and right",
    "channels": "channel order and polarity",
    "hits": "the attack of hits",
    "peaks": "peaks against loudness",
    "distortion": "distortion",
    "movement": "the steadiness of the level",
    "contrast": "quiet against loud parts",
    "clipped": "clipped places",
    "clicks": "clicks",
    "ends": "the first and the last sound",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """Everything there is to say.

    Attributes
    ----------
    loudness
        How much louder the master is, and what was done about it.
    made_comparable
        What else was done to compare the two, and what that cannot tell.
    changed
        The most audible first.
    unchanged
        What did not change, or too little to notice.
    """

    loudness: str
    made_comparable: tuple[str, ...]
    changed: tuple[Change, ...]
    unchanged: tuple[str, ...]


_PARTS = (
    fault_changes.splices,
    fault_changes.channels,
    changes.tone,
    changes.width,
    changes.balance,
    changes.hits,
    changes.peaks,
    changes.distortion,
    changes.movement,
    fault_changes.clipped,
    fault_changes.clicks,
    fault_changes.head_and_tail,
)


def describe(found: Comparison) -> Description:
    """Put a comparison into words."""
    untold = {"distortion"} if found.compared_s[1] - found.compared_s[0] < FEWEST_S else set()
    if found.unmatched_s:
        untold.add("ends")
    changed = [one for part in _PARTS for one in part(found) if one.size >= 1.0 and one.kind not in untold]
    kinds = {one.kind for one in changed}
    return Description(
        loudness=_loudness(found.gain_lu),
        made_comparable=tuple(_made_comparable(found)),
        changed=tuple(sorted(changed, key=lambda one: -one.size)),
        unchanged=tuple(words for kind, words in UNCHANGED.items() if kind not in kinds | untold),
    )


def _loudness(gain_lu: float) -> str:
    if abs(gain_lu) < 0.5 * _LOUDNESS_LU:
        return "Both are equally loud."
    louder, turned = ("louder", "down") if gain_lu > 0.0 else ("quieter", "up")
    return f"The master is {number(abs(gain_lu), 'LU')} {louder}. For all that follows it was turned {turned} by that."


def _made_comparable(found: Comparison) -> Iterator[str]:
    if found.mix.sha256 == found.master.sha256:
        yield "Both are the same file."
    delay = found.alignment.delay_samples
    if abs(delay) >= 0.005:
        word = "later" if delay > 0.0 else "earlier"
        yield (
            f"The master runs {number(abs(1000.0 * found.delay_s), 'ms', 2)} {word} than the mix "
            f"({number(abs(delay), 'samples', 2)} at {found.rate_hz} Hz); it was moved back into step."
        )
    if found.resampled is not None:
        yield (
            f"The mix has {found.mix.rate_hz} Hz, the master {found.master.rate_hz} Hz: the {found.resampled} was "
            f"brought to {found.rate_hz} Hz for the comparison. Loudness, true peak and clipped places are those of "
            "each file as it is."
        )
    if found.alignment.confidence < POOR_STEP and not found.unmatched_s:
        yield (
            f"The master drifts against the mix, or much was added to it (coherence "
            f"{number(found.alignment.confidence, decimals=2)} of 1). If one of them came through tape or another "
            "clock, distortion and gain movement read too high."
        )
    length_s = found.compared_s[1] - found.compared_s[0]
    if length_s < FEWEST_S:
        yield f"Only {number(length_s, 's')} are compared: too short to tell added distortion from filtering."
    if found.mix.channels != found.master.channels:
        one = "mix" if found.mix.channels == 1 else "master"
        yield f"The {one} has one channel. It was compared as two equal ones, which a meter reads 3.0 LU higher."
