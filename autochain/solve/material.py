"""What a trial is rendered on: the excerpts, or the whole song as one excerpt; with everything cached.

The same evaluation runs on both, so that the only difference between a trial and the final verification is
how much of the song it hears.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.chain.settings import StageName
from autochain.chain.stage import GainTrace
from autochain.measure.loudness import (
    gated_lufs,
    gating_blocks,
    loud_hops,
    power_to_lufs,
    short_term_lufs,
    weighted_hops,
)
from autochain.solve.excerpts import GRID_HOPS, Span

Mask = npt.NDArray[np.bool_]
_Floats = npt.NDArray[np.float64]

_FAINT = 1e-12  # power, far below the gate
_LEVELS = 8  # classes of equally many blocks in which a chain's gain is read
_BLOCKS_OF_3_S = 27
_BLOCKS_A_LEVEL = 6  # at least: gating blocks of 400 ms, a new one each 100 ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One excerpt with its pre-roll: samples, and how many 10 ms hops at its head are not scored."""

    samples: Samples
    span: Span

    @property
    def skip_hops(self) -> int:
        """Pre-roll length in 10 ms hops."""
        return self.span.preroll_hops

    @property
    def scored_hops(self) -> int:
        """Scored length in 10 ms hops."""
        return self.span.stop_hop - self.span.start_hop


class Material:
    """Segments of the linear-stage output, and their levels beside the song's.

    Parameters
    ----------
    song
        Linear-stage output of the whole song, shape (frames, channels).
    rate_hz
        Sample rate.
    song_hops
        K-weighted power per 10 ms hop of `song`.
    integrated_lufs
        Loudness of `song`; loud parts are those at or above it.
    spans
        What to take.
    of_loudest_part
        Whether the loudness that a solve aims at is that of the loudest 3 s, and not the integrated one.
    reference
        What is compared with: `song` behind linear stages that come later in the chain; `song` when None.
    """

    def __init__(
        self,
        song: Samples,
        rate_hz: int,
        song_hops: npt.NDArray[np.float64],
        integrated_lufs: float,
        spans: Sequence[Span],
        reference: Samples | None = None,
        *,
        of_loudest_part: bool = False,
    ) -> None:
        self.rate_hz = rate_hz
        self._of_loudest_part = of_loudest_part
        self.hop = round(rate_hz / 100)
        self.integrated_lufs = integrated_lufs
        self._song_hops = song_hops
        loud = loud_hops(song_hops, integrated_lufs)
        self.whole = all(span.start_hop == 0 and span.stop_hop == len(song_hops) for span in spans)
        self._alone = len(spans) == 1  # one excerpt does not tell how a chain treats other levels
        self.segments = [Segment(samples=self._cut(song, span), span=span) for span in spans]
        self._references = (
            [s.samples for s in self.segments] if reference is None else [self._cut(reference, s) for s in spans]
        )
        self.loud: list[Mask] = [loud[span.start_hop : span.stop_hop] for span in spans]
        self.loud_joined = np.concatenate(self.loud)
        self.loud_blocks = [
            mask[: len(mask) // GRID_HOPS * GRID_HOPS].reshape(-1, GRID_HOPS).mean(axis=1) >= 0.5 for mask in self.loud
        ]

    def _cut(self, song: Samples, span: Span) -> Samples:
        if self.whole:
            # The whole song keeps its last incomplete hop: it is rendered and measured to its last sample.
            return song
        first = (span.start_hop - span.preroll_hops) * self.hop
        return np.ascontiguousarray(song[first : span.stop_hop * self.hop])

    def scored(self, rendered: Sequence[Samples], out: Samples | None = None) -> Samples:
        """Join the scored parts of one array per segment, in `out` where that is given.

        What was scored once is not joined again: a single segment without pre-roll, and the input itself.
        """
        if len(rendered) == 1 and self.segments[0].skip_hops == 0:
            return rendered[0]
        if out is not None and all(r is x for r, x in zip(rendered, self._references, strict=True)):
            return self.inputs
        return np.concatenate(self._parts(rendered), axis=0, out=out)

    def highest(self, rendered: Sequence[Samples]) -> float:
        """Largest magnitude of the scored parts, without a copy of them."""
        blocks = (block for part in self._parts(rendered) for block in in_blocks(part))
        return max(max(float(block.max()), -float(block.min())) for block in blocks)

    def _parts(self, rendered: Sequence[Samples]) -> list[Samples]:
        return [r[s.skip_hops * self.hop :] for r, s in zip(rendered, self.segments, strict=True)]

    def scored_hops(self, rendered: Sequence[Samples]) -> list[npt.NDArray[np.float64]]:
        """K-weighted power per 10 ms hop of the scored part of each segment."""
        return [
            weighted_hops(r, self.rate_hz)[s.skip_hops :] for r, s in zip(rendered, self.segments, strict=True)
        ]

    def wanted_lufs(self, hops: Sequence[npt.NDArray[np.float64]]) -> float | None:
        """The loudness that a solve aims at: of the song by what these parts of it show, or of their loudest 3 s.

        Excerpts have another share of loud and quiet parts than their song, and a chain turns these up unlike. So its
        gain is read by the level of what goes in, and every gating block of the song given the gain of its level. One
        excerpt alone stands for itself.
        """
        if not self._of_loudest_part:
            return self.lufs(hops) if self._alone else gated_lufs(self._song_blocks_by_level(hops))
        if self._alone:
            windows = np.concatenate([short_term_lufs(h) for h in hops])
        else:
            windows = _short_term_of_blocks(self._song_blocks_by_level(hops))
        return float(windows.max()) if windows.size else None

    def hops_before(self, before_peaks: Sequence[Samples]) -> list[_Floats]:
        """As `scored_hops` ahead of the peak stages, where nothing may have been done to the segments."""
        if all(x is s.samples for x, s in zip(before_peaks, self.segments, strict=True)):
            return self._hops_of_segments
        return self.scored_hops(before_peaks)

    @cached_property
    def _hops_of_segments(self) -> list[_Floats]:
        return self.scored_hops([s.samples for s in self.segments])

    def _song_blocks_by_level(self, hops: Sequence[_Floats]) -> _Floats:
        """Power of the song's gating blocks behind a chain that gave the scored parts this power per hop."""
        into, out = self._input_blocks, np.concatenate([gating_blocks(h) for h in hops])
        gain = np.maximum(out, _FAINT) / np.maximum(into, _FAINT)
        count = max(1, min(_LEVELS, len(into) // _BLOCKS_A_LEVEL))
        classes = np.array_split(np.argsort(into, kind="stable"), count)
        levels = [float(np.log(np.maximum(into[c], _FAINT)).mean()) for c in classes]
        gains = [float(np.log(gain[c].mean())) for c in classes]
        return np.asarray(self._song_blocks * np.exp(np.interp(self._song_levels, levels, gains)))

    @cached_property
    def _input_blocks(self) -> _Floats:
        return np.concatenate([gating_blocks(h) for h in self.input_hops])

    @cached_property
    def _song_blocks(self) -> _Floats:
        return gating_blocks(self._song_hops)

    @cached_property
    def _song_levels(self) -> _Floats:
        return np.asarray(np.log(np.maximum(self._song_blocks, _FAINT)))

    @cached_property
    def _song_short_term(self) -> _Floats:
        return _short_term_of_blocks(self._song_blocks)

    @staticmethod
    def lufs(hops: Sequence[npt.NDArray[np.float64]]) -> float | None:
        """Gated loudness pooled over segments; no gating block straddles a splice."""
        return gated_lufs(np.concatenate([gating_blocks(h) for h in hops]))

    @staticmethod
    def short_term(hops: Sequence[npt.NDArray[np.float64]]) -> npt.NDArray[np.float64]:
        """Short-term loudness at a 100 ms step, pooled over segments; no window straddles a splice."""
        return np.concatenate([short_term_lufs(h)[::10] for h in hops])

    def contrast(self, hops: Sequence[_Floats]) -> tuple[_Floats, _Floats]:
        """Short-term loudness of the song at a 100 ms step, before a chain and as these parts let expect it behind.

        What a chain does to a song's contrast is done between its loud and its quiet parts, seldom inside one excerpt.
        """
        if self._alone:
            return self.input_short_term, self.short_term(hops)
        return self._song_short_term, _short_term_of_blocks(self._song_blocks_by_level(hops))

    def trace(self, values: Sequence[npt.NDArray[np.float32]]) -> list[npt.NDArray[np.float32]]:
        """Scored part of one 100 Hz trace per segment."""
        return [v[s.skip_hops :][: s.scored_hops] for v, s in zip(values, self.segments, strict=True)]

    def reductions(
        self, traces: Sequence[Mapping[StageName, GainTrace]], stages: Sequence[StageName]
    ) -> dict[StageName, list[npt.NDArray[np.float32]]]:
        """Largest reduction per 400 ms block of each segment, by stage; stages without a trace are left out."""
        found: dict[StageName, list[npt.NDArray[np.float32]]] = {}
        for name in stages:
            if all(name in trace for trace in traces):
                scored = self.trace([trace[name].max_db for trace in traces])
                found[name] = [
                    v[: len(v) // GRID_HOPS * GRID_HOPS].reshape(-1, GRID_HOPS).max(axis=1) for v in scored
                ]
        return found

    @cached_property
    def inputs(self) -> Samples:
        """Scored linear-stage output, joined."""
        return self.scored(self._references)

    @cached_property
    def input_short_term(self) -> npt.NDArray[np.float64]:
        """Short-term loudness of the scored input."""
        return self.short_term(self.input_hops)

    @cached_property
    def input_hops(self) -> list[npt.NDArray[np.float64]]:
        """K-weighted power of the scored input."""
        return self.scored_hops(self._references)

    @cached_property
    def input_lufs(self) -> float:
        """Loudness of the scored input."""
        lufs = self.lufs(self.input_hops)
        return self.integrated_lufs if lufs is None else lufs

    def warm(self) -> None:
        """Build what is cached now, so that parallel trials only read it."""
        _ = (self.input_short_term, self.input_lufs, self._input_blocks, self._song_levels, self._song_short_term)
        _ = self._hops_of_segments


def _short_term_of_blocks(blocks: _Floats) -> _Floats:
    """Loudness of 3 s windows from the powers of their gating blocks: 27 of 400 ms, a new one each 100 ms."""
    if len(blocks) < _BLOCKS_OF_3_S:
        return np.empty(0)
    return power_to_lufs(sliding_window_view(blocks, _BLOCKS_OF_3_S).mean(axis=1))
