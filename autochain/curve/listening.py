"""What the page of a curve plays: the mix and its points at the same places, equally loud."""

from collections.abc import Sequence

import numpy as np

from autochain.audio.mix import Samples
from autochain.curve.point import Curve, Point
from autochain.curve.sheets import CurveSheets
from autochain.measure.loudness import weighted_hops
from autochain.page.listening import Listening, affordable_s, levelled, places_of, rendered_places, span_of
from autochain.page.places import WINDOW_S, Window, excerpts
from autochain.search.facts import loudest_start_s
from autochain.units import number

MOST_PLAYED = 8  # points: a key each, behind the mix
_SPREAD = 8  # places over the song, where there is room


def played_points(curve: Curve) -> Sequence[Point]:
    """Points that are heard, from quiet to loud: those that reach their loudness by more than a gain.

    A gain alone leaves the mix, once it is turned back. Of many points both ends play, and others evenly between.
    """
    points = curve.searched
    if len(points) <= MOST_PLAYED:
        return points
    return [points[k] for k in np.linspace(0, len(points) - 1, MOST_PLAYED).round().astype(int)]


def curve_sounds(found: CurveSheets) -> Listening | None:
    """Render the places of the points that are heard; None where there is no such point."""
    points = played_points(found.curve)
    if not points:
        return None
    mix, seed = points[0].found.mix, points[0].found.config.search.seed
    loudest_s = loudest_start_s(weighted_hops(mix.samples, mix.rate_hz))
    played = {id(point) for point in points}
    cues_s = [
        cue
        for point, sheet in found.points
        if id(point) in played
        for entry in sheet.stages
        if entry.listen_for
        for cue in entry.cues_s
    ]
    first_s = max(0.0, min(loudest_s, mix.duration_s - WINDOW_S))
    loudest = Window(start_s=first_s, stop_s=min(first_s + WINDOW_S, mix.duration_s), at_s=0.0)
    there = mix.samples[span_of(first_s, mix.rate_hz)]
    room_s = affordable_s([there, *[_rendered(points[-1], (loudest,))] * len(points)], mix.rate_hz)
    spread_s = np.linspace(0.0, max(0.0, mix.duration_s - WINDOW_S), _SPREAD).tolist()
    windows = excerpts(mix.duration_s, loudest_s, cues_s, room_s, spread_s)
    heard = {"mix": places_of(mix.samples, windows, mix.rate_hz)}
    heard |= {number(point.target_lufs, "LUFS"): _rendered(point, windows) for point in points}
    return levelled(heard, mix.rate_hz, windows, seed)


def _rendered(point: Point, windows: Sequence[Window]) -> Samples:
    return rendered_places(point.found.config.chain_plan, point.chosen.settings, point.found.mix, windows)
