"""What is wrong with the sound of a mix itself: clicks, holes, clipping, hum, offset, noise, cut-off ends."""

from collections.abc import Iterator

from autochain.measure.clicks import Click, edges_of_clipping
from autochain.measure.dropouts import Dropout
from autochain.measure.inspection import Inspection
from autochain.prepare.finding import Finding
from autochain.prepare.limits import Limits
from autochain.units import number

_EDGE_S = 0.005
_PAUSE_DB = 30.0  # a quietest 0.4 s that lies less under the loudness is music and no pause. common practice, no source


def faults(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    """Findings of this kind."""
    yield from _clicks(seen)
    yield from _dropouts(seen)
    yield from _clipped(seen, limits)
    yield from _jumps(seen, limits)
    yield from _hum(seen, limits)
    yield from _offset(seen, limits)
    yield from _noise(seen, limits)
    yield from _ends(seen, limits)


def _where(channels: set[str]) -> str:
    return "" if channels == {"both"} or len(channels) > 1 else f" in the {next(iter(channels))} channel"


def _count(n: int, one: str, many: str) -> str:
    return f"One {one}" if n == 1 else f"{n} {many}"


def _edges(seen: Inspection) -> tuple[Click, ...]:
    return edges_of_clipping(seen.clicks, seen.measured.figures.clipped_runs)


def _at_hole(click: Click, holes: tuple[Dropout, ...]) -> bool:
    """Whether a click is no more than the edge of a hole."""
    at = click.at_s
    return any(hole.at_s - _EDGE_S <= at <= hole.at_s + hole.length_s + _EDGE_S for hole in holes)


def _clicks(seen: Inspection) -> Iterator[Finding]:
    edges = set(_edges(seen))
    found = tuple(click for click in seen.clicks if click not in edges and not _at_hole(click, seen.dropouts))
    if not found:
        return
    where = _where({click.channels for click in found}) if seen.mono is not None else ""
    yield Finding(
        code="click",
        text=f"{_count(len(found), 'click', 'clicks')}{where}: a sample or a few that belong to nothing around them.",
        suggestion="Listen at these times, repair the edit or the track, and export the mix again.",
        value=float(len(found)),
        unit="clicks",
        times_s=tuple(click.at_s for click in found),
        revisit=True,
    )


def _dropouts(seen: Inspection) -> Iterator[Finding]:
    found = seen.dropouts
    if not found:
        return
    longest = max(hole.length_s for hole in found)
    where = _where({hole.channels for hole in found}) if seen.mono is not None else ""
    yield Finding(
        code="dropout",
        text=f"{_count(len(found), 'hole', 'holes')} in the sound{where}, up to {number(1e3 * longest, 'ms', 0)} long.",
        suggestion="If it is no cut of yours, export the mix again and listen at these times.",
        value=float(len(found)),
        unit="holes",
        times_s=tuple(hole.at_s for hole in found),
        revisit=True,
    )


def _clipped(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    figures, edges = seen.measured.figures, _edges(seen)
    # Dither and filters leave no flat tops, but the edges of the clipped peaks.
    count = max(figures.clipped_runs, len(edges))
    if count < limits.clipped_runs:
        return
    flat = f", flat for up to {figures.longest_clipped_run} samples" if figures.clipped_runs else ""
    yield Finding(
        code="clipped",
        text=f"The waveform is cut off at {number(figures.sample_peak_dbfs, 'dBFS')} in "
        f"{_count(count, 'place', 'places').lower()}{flat}.",
        suggestion="Take what clips off the mix bus, or turn down what goes into it, and export the mix again.",
        value=float(count),
        unit="places",
        times_s=tuple(sorted({*seen.measured.series.clipped_at_s, *(click.at_s for click in edges)})),
        revisit=count >= limits.clipped_runs_revisit,
    )


def _jumps(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    if not seen.jumps:
        return
    largest = max(seen.jumps, key=lambda jump: abs(jump.step_db))
    where = _where({jump.channels for jump in seen.jumps})
    yield Finding(
        code="level_jump",
        text=f"The level changes abruptly{where} in {_count(len(seen.jumps), 'place', 'places').lower()}, by up to "
        f"{number(largest.step_db, 'dB', signed=True)}, in all bands alike.",
        suggestion="Listen there: if it is an edit or a fader and no part of the song, even it out in the mix.",
        value=largest.step_db,
        unit="dB",
        times_s=tuple(jump.at_s for jump in seen.jumps),
        revisit=abs(largest.step_db) >= limits.jump_revisit_db,
    )


def _hum(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    for hum in seen.hum:
        if hum.level_dbfs < limits.hum_dbfs:
            continue
        lines = ", ".join(f"{line:g}" for line in hum.lines_hz)
        where = _where({hum.channels}) if seen.mono is not None else ""
        yield Finding(
            code="hum",
            text=f"A steady tone of the {hum.mains_hz:g} Hz mains{where}, at {lines} Hz, "
            f"{number(hum.level_dbfs, 'dBFS')} in all.",
            suggestion="Solo the tracks in a pause, find the one that hums, and clean it there.",
            value=hum.level_dbfs,
            unit="dBFS",
            revisit=hum.level_dbfs >= limits.hum_revisit_dbfs,
        )


def _offset(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    figures = seen.measured.figures
    offsets = {"left": figures.dc_left_dbfs, "right": figures.dc_right_dbfs}
    over = {side: dbfs for side, dbfs in offsets.items() if dbfs is not None and dbfs > limits.dc_dbfs}
    if over:
        sides = " and ".join(f"{number(dbfs, 'dBFS')} ({side})" for side, dbfs in over.items())
        if seen.mono is None and figures.dc_right_dbfs is None:
            sides = number(over["left"], "dBFS")
        yield Finding(
            code="dc",
            text=f"The waveform does not rest at zero: an offset of {sides}.",
            suggestion="Remove the offset before anything else: it takes headroom and clicks where the sound starts.",
            value=max(over.values()),
            unit="dBFS",
        )


def _noise(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    floor, loudness = seen.steady_floor_dbfs, seen.measured.figures.integrated_lufs
    if floor is not None and loudness is not None and limits.noise_dbfs < floor < loudness - _PAUSE_DB:
        yield Finding(
            code="noise",
            text=f"Where the mix is quietest, {number(floor, 'dBFS')} remain for 0.4 s.",
            suggestion="Export a pause alone and listen to that, the level down at first: if it is noise, mute or "
            "clean the tracks there. "
            "A master makes it louder by as much as the song.",
            value=floor,
            unit="dBFS",
        )


def _ends(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    ends = seen.ends
    cuts = [
        (ends.first_dbfs, 0.0, "starts", "first", "before the first sound"),
        (ends.last_dbfs, seen.duration_s, "ends", "last", "until the last sound has died away"),
    ]
    for level, at_s, verb, which, what in cuts:
        if level > limits.cut_off_dbfs:
            yield Finding(
                code="silence",
                text=f"The file {verb} in the middle of sound: its {which} 10 ms reach {number(level, 'dBFS')}.",
                suggestion=f"Export again with some silence {what}.",
                value=level,
                unit="dBFS",
                times_s=(at_s,),
            )
    for length, limit, at_s, where in [
        (ends.head_s, limits.longest_head_s, 0.0, "before the first sound"),
        (ends.tail_s, limits.longest_tail_s, seen.duration_s - ends.tail_s, "after the last sound"),
    ]:
        if length > limit:
            yield Finding(
                code="silence",
                text=f"{number(length, 's')} of silence {where}.",
                suggestion="Trim it; about 0.2 s is usual.",
                value=length,
                unit="s",
                times_s=(at_s,),
            )
