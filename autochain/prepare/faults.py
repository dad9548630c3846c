"""What is wrong with the sound of a mix itself: clicks, holes, clipping, hum, offset, noise, cut-off ends."""

from collections.abc import Iterator

from autochain.measure.clicks import Click, edges_of_clipping
from autochain.measure.dropouts import Dropout
from autochain.measure.ear_model import full_scale_sine_db_spl
from autochain.measure.hum import Hum
from autochain.measure.inspection import Inspection
from autochain.measure.jumps import Jump
from autochain.prepare.finding import Certainty, Finding
from autochain.prepare.limits import Limits
from autochain.units import number

_EDGE_S = 0.005
# Over the mask of what is around it (0 is where ITU-R BS.1387 lets a difference be heard), and over all that is left
# near it: of the music of 15 recordings nothing that is told reaches both. A limit of this project.
_HEARD_DB = 3.0
_SURE_OUT = 6.0
_PAUSE_DB = 30.0  # a quietest 0.4 s that lies less under the loudness is music and no pause. common practice, no source

# Limits of this project: a note and its octave may stand still on two multiples of the mains; and a hum is as loud in
# one part of the song as in the next, where a bass that stands on 60 Hz is not.
_SURE_LINES, _STEADY_DB = 3, 3.0


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


def _sides(channels: set[str]) -> str:
    return next(iter(channels)) if len(channels) == 1 else "both"


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
    found = [click for click in seen.clicks if click not in edges and not _at_hole(click, seen.dropouts)]
    for certainty in _CLICKS:
        alike = [click for click in found if _click_certainty(click) == certainty]
        if alike:
            yield _click_finding(alike, seen.mono is not None, certainty)


def _click_certainty(click: Click) -> Certainty:
    """How sure it is that nothing of the sound explains it, and that it can be heard."""
    over, out = click.over_mask_db, click.stands_out
    if over is None or out is None:  # not looked at more closely
        return "likely"
    if over < 0.0:
        return "doubtful"
    return "certain" if over >= _HEARD_DB and out >= _SURE_OUT else "likely"


_CLICKS: dict[Certainty, tuple[str, str]] = {
    "certain": (
        "one to four samples that do not fit the sound around them.",
        "Listen at these times, repair the edit or the track, and export the mix again.",
    ),
    "likely": (
        "perhaps masked or explained by the sound around.",
        "Listen at these times on headphones; if you hear none, leave them.",
    ),
    "doubtful": (
        "masked by the sound around; a master may uncover it.",
        "Listen at these times on headphones; if you hear none, leave them.",
    ),
}


def _click_finding(found: list[Click], stereo: bool, certainty: Certainty) -> Finding:
    sides = {click.channels for click in found}
    what, suggestion = _CLICKS[certainty]
    return Finding(
        code="click",
        text=f"{_count(len(found), 'click', 'clicks')}{_where(sides) if stereo else ''}: {what}",
        suggestion=suggestion,
        value=float(len(found)),
        unit="clicks",
        times_s=tuple(click.at_s for click in found),
        channels=_sides(sides),
        certainty=certainty,
        sends_back=certainty == "certain",
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
        channels=_sides({hole.channels for hole in found}),
        sends_back=True,
    )


def _clipped(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    figures, edges = seen.measured.figures, _edges(seen)
    # Dither and filters leave no flat tops, but the edges of the clipped peaks.
    count = max(figures.clipped_runs, len(edges))
    if count < limits.clipped_runs:
        return
    sure = figures.clipped_runs >= limits.clipped_runs_revisit  # edges alone may be of another kind
    flat = f", flat for up to {figures.longest_clipped_run} samples" if figures.clipped_runs else ""
    yield Finding(
        code="clipped",
        text=f"The waveform is cut off at {number(figures.sample_peak_dbfs, 'dBFS')} in "
        f"{_count(count, 'place', 'places').lower()}{flat}.",
        suggestion="Take what clips off the mix bus, or turn down what goes into it, and export the mix again.",
        value=float(count),
        unit="places",
        usual=float(limits.clipped_runs - 1),
        times_s=tuple(sorted({*seen.measured.series.clipped_at_s, *(click.at_s for click in edges)})),
        certainty="certain" if sure else "likely",
        sends_back=sure,
    )


def _jumps(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    """An edit over the limit sends a mix back; a smaller one, or a step seen in the levels only, may be meant."""
    large = [jump for jump in seen.jumps if jump.within_a_sample and abs(jump.step_db) >= limits.jump_revisit_db]
    rest = [jump for jump in seen.jumps if jump not in large]
    if large:
        yield _jump(large, limits, seen.mono is not None, "certain")
    if rest:
        yield _jump(rest, limits, seen.mono is not None, "likely")


def _jump(found: list[Jump], limits: Limits, stereo: bool, certainty: Certainty) -> Finding:
    largest = max(found, key=lambda jump: abs(jump.step_db))
    sides = {jump.channels for jump in found} if stereo else {"both"}
    how = "from one sample to the next" if all(jump.within_a_sample for jump in found) else "at once"
    return Finding(
        code="level_jump",
        text=f"The level changes {how}{_where(sides)} in {_count(len(found), 'place', 'places').lower()}, by "
        f"{'up to ' if len(found) > 1 else ''}{number(largest.step_db, 'dB', signed=True)} in all bands alike, "
        "and stays there.",
        suggestion="Listen there: if it is an edit or a fader and no part of the song, even it out in the mix.",
        value=largest.step_db,
        unit="dB",
        usual=limits.jump_revisit_db if certainty == "certain" else None,
        times_s=tuple(jump.at_s for jump in found),
        channels=next(iter(sides)) if len(sides) == 1 else "both",
        certainty=certainty,
        sends_back=certainty == "certain",
    )


def _hum(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    for hum in seen.hum:
        if hum.level_dbfs < limits.hum_dbfs or not _audible(hum, seen):
            continue
        lines = ", ".join(f"{line:g}" for line in hum.lines_hz)
        where = _where({hum.channels}) if seen.mono is not None else ""
        certainty: Certainty = "likely" if len(hum.lines_hz) > 1 else "doubtful"
        if len(hum.lines_hz) >= _SURE_LINES and hum.swing_db <= _STEADY_DB:
            certainty = "certain"
        yield Finding(
            code="hum",
            text=f"A steady tone of the {hum.mains_hz:g} Hz mains{where}, at {lines} Hz, "
            f"{number(hum.level_dbfs, 'dBFS')} together (a full-scale sine has 0 dBFS).",
            suggestion="Solo the tracks in a pause, find the one that hums, and clean it there.",
            value=hum.level_dbfs,
            unit="dBFS",
            usual=limits.hum_dbfs,
            channels=hum.channels if seen.mono is not None else "both",
            certainty=certainty,
            sends_back=certainty == "certain" and hum.level_dbfs >= limits.hum_revisit_dbfs,
        )


def _audible(hum: Hum, seen: Inspection) -> bool:
    """Whether a line would be heard in a pause of the mix played at 83 dB SPL.

    Threshold of hearing at low frequencies: 3.64 (f / 1 kHz)^-0.8 dB SPL (Terhardt, "Calculating virtual pitch",
    Hearing Research 1, 1979, from memory).
    """
    loudness = seen.measured.figures.integrated_lufs
    if loudness is None:
        return True
    sine_db_spl = full_scale_sine_db_spl(loudness, 1 if seen.mono is None else 2)
    return any(
        sine_db_spl + level > 3.64 * (line_hz / 1000.0) ** -0.8
        for line_hz, level in zip(hum.lines_hz, hum.line_dbfs, strict=True)
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
            text=f"The waveform does not rest at zero: an offset of {sides}, up to "
            f"{number(limits.dc_dbfs, 'dBFS', 0)} being usual.",
            suggestion="Remove the offset before anything else: it takes headroom and clicks where the sound starts.",
            value=max(over.values()),
            unit="dBFS",
            usual=limits.dc_dbfs,
            channels=next(iter(over)) if len(over) == 1 and seen.mono is not None else "both",
        )


def _noise(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    floor, loudness = seen.steady_floor_dbfs, seen.measured.figures.integrated_lufs
    if floor is not None and loudness is not None and limits.noise_dbfs < floor < loudness - _PAUSE_DB:
        yield Finding(
            code="noise",
            text=f"The quietest steady 0.4 s have {number(floor, 'dBFS')} rms (a full-scale sine has -3.0), "
            f"{number(floor - limits.noise_dbfs, 'dB')} more than is usual in a pause.",
            suggestion="Export the pause alone and listen to that, the level down at first: if it is noise and no "
            "music, mute or clean the tracks there. A master makes it louder by as much as the song.",
            value=floor,
            unit="dBFS",
            usual=limits.noise_dbfs,
            certainty="doubtful",  # a held note is as steady
        )


def _ends(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    ends = seen.head_and_tail
    cuts = [
        (ends.first_dbfs, 0.0, "starts", "first", "before the first sound"),
        (ends.last_dbfs, seen.duration_s, "ends", "last", "until the last sound has died away"),
    ]
    for level, at_s, verb, which, what in cuts:
        if level > limits.cut_off_dbfs:
            yield Finding(
                code="silence",
                text=f"The file {verb} in the middle of sound: its {which} 10 ms reach {number(level, 'dBFS')}"
                + ("; a note may begin there." if verb == "starts" else "."),
                suggestion=f"Export again with some silence {what}.",
                value=level,
                unit="dBFS",
                usual=limits.cut_off_dbfs,
                times_s=(at_s,),
                # A song may well begin with a note at its first sample, and hardly ends in one.
                certainty="doubtful" if verb == "starts" else "likely",
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
                usual=limit,
                times_s=(at_s,),
            )
