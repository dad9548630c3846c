"""What a master should not bring in, one sentence each: swapped channels, splices, clipping, clicks, lost sound."""

from collections.abc import Iterator

from autochain.compare.changes import HARDLY_HEARD, PLAIN_FAULT, Change
from autochain.compare.comparison import Comparison
from autochain.compare.head_and_tail_changes import EndChange
from autochain.units import clock, number

# What is just noticed in a comparison at equal loudness. common practice, no source
CLIPPED_RUNS = 3
OVER_DBTP = 0.0
SILENCE_S = 0.1
HEARD_CLICK_DB = -30.0  # re the peaks around: lower ones are told last. a limit of this project
_OVER_MORE_DB = 0.1  # what a mix was over by already is no change
ROTATION_DEG = 25.0  # an equaliser with a compressor read 17 on a recording


def channels(found: Comparison) -> Iterator[Change]:
    """Swapped, inverted and rotated channels."""
    place, polarities = found.alignment, found.alignment.channel_polarity
    if place.swapped:
        yield Change(
            kind="channels", text="Left and right are swapped.", value=1.0, unit="", size=PLAIN_FAULT
        )
    if None not in polarities and len(set(polarities)) > 1:
        yield Change(
            kind="channels",
            text="One channel is inverted against the other: the centre sounds hollow, and mono thin.",
            value=-1.0,
            unit="",
            size=PLAIN_FAULT,
        )
    elif place.polarity < 0 and abs(place.rotation_deg) < ROTATION_DEG:
        yield Change(
            kind="channels",
            text="The polarity is inverted, in both channels alike.",
            value=-1.0,
            unit="",
            size=HARDLY_HEARD,
        )
    if abs(place.rotation_deg) >= ROTATION_DEG:
        yield Change(
            kind="channels",
            text=f"The phase is rotated by {number(found.turn_deg, 'degrees', 0, signed=True)} at all frequencies.",
            value=found.turn_deg,
            unit="deg",
            size=HARDLY_HEARD,
        )


def splices(found: Comparison) -> Iterator[Change]:
    """Parts that do not match."""
    if found.unmatched_s:
        spans = " and from ".join(f"{clock(a)} to {clock(b)}" for a, b in found.unmatched_s)
        yield Change(
            kind="course",
            text=f"Mix and master do not match from {spans} of the mix: an edit, or another version. The rest "
            f"of this page is about {clock(found.compared_s[0])} to {clock(found.compared_s[1])}.",
            value=sum(b - a for a, b in found.unmatched_s),
            unit="s",
            size=2.0 * PLAIN_FAULT,
            times_s=tuple(a for a, _ in found.unmatched_s),
        )


def clipped(found: Comparison) -> Iterator[Change]:
    """Places cut off flat, and peaks over full scale."""
    before, after = found.mix.figures, found.master.figures
    if after.clipped_runs >= before.clipped_runs + CLIPPED_RUNS:
        had = f"; the mix has {before.clipped_runs}" if before.clipped_runs else ""
        yield Change(
            kind="clipped",
            text=f"{after.clipped_runs} places are cut off flat at {number(after.sample_peak_dbfs, 'dBFS')}, for up to "
            f"{after.longest_clipped_run} samples{had}.",
            value=float(after.clipped_runs),
            unit="",
            size=2.0,
        )
    elif (edges := len(found.new_edges_s)) >= CLIPPED_RUNS:
        yield Change(
            kind="clipped",
            text=f"In {edges} places hits have the hard edges of clipped peaks; the mix has none there.",
            value=float(edges),
            unit="",
            size=1.5,
            times_s=found.new_edges_s,
        )
    peak = after.true_peak_dbtp
    if peak is not None and peak > max(OVER_DBTP, (before.true_peak_dbtp or -_OVER_MORE_DB) + _OVER_MORE_DB):
        yield Change(
            kind="clipped",
            text=f"The true peak reaches {number(peak, 'dBTP', signed=True)}: converters and encoders may clip there.",
            value=peak,
            unit="dBTP",
            size=2.0,
        )


def clicks(found: Comparison) -> Iterator[Change]:
    """Clicks that the master brought in."""
    new = found.new_clicks
    if new:
        highest_db = max(click.height_db for click in new)
        count = "One click" if len(new) == 1 else f"{len(new)} clicks"
        which = "" if len(new) == 1 else " the highest"
        yield Change(
            kind="clicks",
            text=f"{count} that the mix does not have,{which} {number(abs(highest_db), 'dB')} "
            f"{'under' if highest_db < 0.0 else 'over'} the peaks around it.",
            value=float(len(new)),
            unit="",
            size=0.5 * PLAIN_FAULT if highest_db > HEARD_CLICK_DB else HARDLY_HEARD,
            times_s=tuple(click.at_s for click in new),
        )


def head_and_tail(found: Comparison) -> Iterator[Change]:
    """Sound cut off or faded at the start and the end, and silence there."""
    for end, which, fades, at in (
        (found.head, "first", "fades in", "until"),
        (found.tail, "last", "fades out", "from"),
    ):
        if end.lost_s > 0.0:
            length, moment = number(end.lost_s, "s", 2), clock(end.at_s)
            text = (
                f"The {which} {length} of the mix's sound are cut off; they reach {_under_peak(end.lost_peak_db)}."
                if end.abrupt
                else f"The master {fades} over {length}, {at} {moment}."
            )
            size = PLAIN_FAULT if end.abrupt else 2.0
            yield Change(kind="ends", text=text, value=end.lost_s, unit="s", size=size, times_s=(end.at_s,))
        elif not found.unmatched_s:
            yield from _silence(end, which)


def _under_peak(level_db: float | None) -> str:
    return f"{number(None if level_db is None else max(0.0, -level_db), 'dB')} under the song's peak"


def _silence(end: EndChange, which: str) -> Iterator[Change]:
    more = end.silence_master_s - end.silence_mix_s
    if abs(more) >= SILENCE_S:
        where = "before the first" if which == "first" else "after the last"
        yield Change(
            kind="ends",
            text=f"There is {number(abs(more), 's', 2)} {'more' if more > 0.0 else 'less'} silence {where} sound.",
            value=more,
            unit="s",
            size=HARDLY_HEARD,
        )
