"""Everything that is measured between a mix and a master of it, in one frozen value."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.blocks import SHORTEST_MIX_S
from autochain.audio.mix import Mix
from autochain.compare.head_and_tail_changes import EndChange, compare_head_and_tail
from autochain.compare.new_clicks import NewClick, new_clicks
from autochain.compare.pair import Pair, make_pair
from autochain.compare.splices import TimeSpan, unmatched_spans
from autochain.errors import AutochainError, DifferentMaterialError
from autochain.measure.align import Alignment
from autochain.measure.band_changes import BandChange, band_changes, width_change_db
from autochain.measure.crest import CrestReference
from autochain.measure.distortion import Distortion
from autochain.measure.linear_change import fit_linear_change
from autochain.measure.loudness import HOP_S, SHORT_TERM_HOPS, centre_s, integrated_lufs, short_term_lufs, weighted_hops
from autochain.measure.measurement import Measurement, measure
from autochain.measure.movement import contrast_loss_lu, gain_trace_db, movement_between_db
from autochain.measure.spectrum import measure_spectrum
from autochain.progress import Progress, silent

_TRACE_HOPS = 50  # half a second between two points of a picture

_Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One of the two files as it is, at its own rate.

    Attributes
    ----------
    file, sha256, rate_hz, channels, duration_s, subtype
        As in `audio.mix.Mix`.
    figures
        Measurement of the whole file.
    """

    file: str
    sha256: str
    rate_hz: int
    channels: int
    duration_s: float
    subtype: str
    figures: Measurement


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoudnessTraces:
    """Short-term loudness (3 s) of both on the mix's time, for a picture.

    Attributes
    ----------
    at_s
        Mix times in s, shape (points,), half a second apart.
    mix_lufs, master_lufs
        Loudness at these times, the master turned to the mix's loudness.
    gain_at_s
        Mix time of the first of `gain_db`.
    gain_db
        Gain of every 10 ms relative to its median, static filtering aside (`movement.gain_trace_db`).
    """

    at_s: npt.NDArray[np.floating[Any]]
    mix_lufs: _Doubles
    master_lufs: _Doubles
    gain_at_s: float
    gain_db: _Doubles


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """What lies between a mix and its master. All but `mix`, `master`, `head` and `tail` is about the stretch in step.

    Attributes
    ----------
    mix, master
        The files.
    rate_hz, resampled
        The rate both were compared at, and which of them was brought to it.
    unmatched_s
        Spans of mix time in which the two do not match: an edit, or another version.
    compared_s
        Span of mix time that is compared: in step and matching, without what was faded or cut at the ends.
    alignment, delay_s
        Where the master lies, in samples at `rate_hz`, and the delay in s.
    gain_lu
        Integrated loudness of the master over that of the mix; every level below is compared with this taken off.
    bands
        Third octaves.
    width_change_db
        Change of side against mid, over the whole spectrum; None where one of them is silent in either file.
    curve_hz, curve_db
        Static filtering in twelfths of an octave relative to its own loudness, one value per channel
        (`measure.linear_change.LinearChange`).
    distortion
        What no static filter explains.
    onset_change_db
        Change of the edge of strong hits (`measure.crest`), negative when lost.
    crest_loss_db
        Loss of peak over rms in 50 ms windows, whole and by bands.
    movement_db
        Rms of the gain between 0.5 and 20 Hz in the loud parts, from the files alone.
    contrast_change_lu
        Change of the spread of short-term loudness: negative when quiet and loud parts moved together.
    head, tail
        First and last sound.
    new_clicks
        Clicks in the master that the mix does not have, at mix times.
    new_edges_s
        Mix times of hard edges of cut peaks in the master that the mix does not have.
    traces
        Loudness and gain over time.
    """

    mix: Side
    master: Side
    rate_hz: int
    resampled: str | None
    unmatched_s: tuple[TimeSpan, ...]
    compared_s: TimeSpan
    alignment: Alignment
    delay_s: float
    gain_lu: float
    bands: tuple[BandChange, ...]
    width_change_db: float | None
    curve_hz: tuple[float, ...]
    curve_db: tuple[tuple[float, ...], ...]
    distortion: Distortion
    onset_change_db: float
    crest_loss_db: float
    movement_db: float
    contrast_change_lu: float
    head: EndChange
    tail: EndChange
    new_clicks: tuple[NewClick, ...]
    new_edges_s: tuple[float, ...]
    traces: LoudnessTraces

    @property
    def turn_deg(self) -> float:
        """Rotation of the phase with the polarity in it, -180 to 180 degrees."""
        rest = self.alignment.rotation_deg
        if self.alignment.polarity > 0:
            return rest
        return rest - 180.0 if rest > 0.0 else rest + 180.0


def compare(mix: Mix, master: Mix, progress: Progress = silent) -> Comparison:
    """Measure everything between two files.

    Parameters
    ----------
    mix, master
        Any two files, at least 3 s each, at their own rates.
    progress
        Told of the phases.

    Raises
    ------
    DifferentMaterialError
        When they are not the same song.
    AutochainError
        When they overlap for too short a time or one is inaudible.
    """
    with ThreadPoolExecutor(2) as pool:  # the loops let go of the interpreter, so the second core takes part
        sides = [pool.submit(_side, one) for one in (mix, master)]
        try:
            progress("aligning the master with the mix", 0.1)
            pair = make_pair(mix, master)
            unmatched, matching = unmatched_spans(pair)
            if matching[1] - matching[0] < SHORTEST_MIX_S:
                raise DifferentMaterialError(
                    "mix and master are different material: they match for less than 3 s. Check that both are the "
                    "same version, at the same speed."
                )
            head, tail = compare_head_and_tail(pair)
            if unmatched:  # they may be of other parts
                head, tail = head.whole(), tail.whole()
            progress("measuring what was added", 0.3)
            start_s, stop_s = _compared(pair, head, tail, matching)
            found = _between(pair, start_s, stop_s)
            progress("measuring both files", 0.8)
            before, after = (side.result() for side in sides)
        except AutochainError:
            for side in sides:
                side.cancel()
            raise
    return Comparison(
        mix=before,
        master=after,
        rate_hz=pair.rate_hz,
        resampled=pair.resampled,
        alignment=pair.alignment,
        delay_s=pair.delay_s,
        head=head,
        tail=tail,
        unmatched_s=tuple((a + pair.start_s, b + pair.start_s) for a, b in unmatched),
        compared_s=(start_s, stop_s),
        **found,
    )


def _side(mix: Mix) -> Side:
    return Side(
        file=mix.file,
        sha256=mix.sha256,
        rate_hz=mix.rate_hz,
        channels=mix.channels,
        duration_s=mix.duration_s,
        subtype=mix.subtype,
        figures=measure(mix.samples, mix.rate_hz),
    )


def _compared(pair: Pair, head: EndChange, tail: EndChange, matching: TimeSpan) -> TimeSpan:
    """Mix times of what is compared: in step, matching, and without what was faded or cut."""
    start_s, stop_s = (at + pair.start_s for at in matching)
    if head.lost_s:
        start_s = max(start_s, head.at_s)
    if tail.lost_s:
        stop_s = min(stop_s, tail.at_s)
    return start_s, stop_s


def _between(pair: Pair, start_s: float, stop_s: float) -> dict[str, Any]:
    """All figures of a stretch in step, by their names in `Comparison`."""
    rate_hz = pair.rate_hz
    begin, end = (max(0, round((at - pair.start_s) * rate_hz)) for at in (start_s, stop_s))
    x, y = (s[begin:end] for s in (pair.in_step_mix, pair.in_step_master))
    seen = fit_linear_change(x, y, rate_hz)
    hops_x, hops_y, hops_reference = (weighted_hops(s, rate_hz) for s in (x, y, seen.reference))
    before, after, linear = (integrated_lufs(hops) for hops in (hops_x, hops_y, hops_reference))
    if before is None or after is None or linear is None:
        raise AutochainError(
            "mix or master stays under -70 LUFS in what they have in common; there is nothing to compare. Give a "
            "louder part."
        )
    gain = after - before
    crest = CrestReference(x, rate_hz).compare(y)
    spectra = measure_spectrum(x, rate_hz), measure_spectrum(y, rate_hz)
    brought_in, from_s = new_clicks(seen.reference, y, rate_hz), pair.start_s + begin / rate_hz
    short = [short_term_lufs(hops) for hops in (hops_x, hops_y)]
    at = np.arange(0, short[0].size, _TRACE_HOPS)
    return {
        "gain_lu": gain,
        "bands": band_changes(*spectra, gain),
        "width_change_db": width_change_db(*spectra),
        "curve_hz": seen.curve_hz,
        "curve_db": seen.curve_db,
        "distortion": seen.distortion,
        "onset_change_db": 0.0 if crest is None else crest.onset_change_db,
        "crest_loss_db": 0.0 if crest is None else crest.crest_loss_db,
        "movement_db": movement_between_db(hops_reference, hops_y, linear),
        "new_clicks": tuple(replace(click, at_s=from_s + click.at_s) for click in brought_in.clicks),
        "new_edges_s": tuple(from_s + at for at in brought_in.edges_s),
        "contrast_change_lu": contrast_loss_lu(short[1:], short[:1]) - contrast_loss_lu(short[:1], short[1:]),
        "traces": LoudnessTraces(
            at_s=from_s + centre_s(0, SHORT_TERM_HOPS) + at * HOP_S,
            mix_lufs=short[0][at],
            master_lufs=short[1][at] - gain,
            gain_at_s=from_s,
            gain_db=gain_trace_db(hops_reference, hops_y),
        ),
    }
