"""What there is to see and to hear behind the findings of a mix: one pass over its sound."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from autochain.audio.mix import Samples
from autochain.measure.hum import Hum, HumMeter
from autochain.measure.spectrum import Spectrum, SpectrumMeter, measure_spectrum
from autochain.page.extracts import Extract, extract_of, span_s
from autochain.page.near import (
    Cuts,
    LowLines,
    OutlineMeter,
    WaveformExtremes,
    flat_at,
    hole_end,
    hump_of,
    level_near,
    mean_spectrum,
    waveform_near,
)
from autochain.page.pictures.hump import hump_picture
from autochain.page.pictures.level import level_picture
from autochain.page.pictures.lines import lines_picture
from autochain.page.pictures.waveform import waveform_picture
from autochain.prepare.finding import Finding
from autochain.sheet.findings import MOST_TIMES, kind
from autochain.units import clock

_COLUMNS = 600
_APART_S = 1.0
_CLICK_FRAMES = 80  # to each side: 1.7 ms at 48 kHz, and a dot still stands beside its neighbour
_CLIPPED_S = 0.012  # behind the time of a clipped place, which is told to 10 ms
_BEFORE_HOLE_S, _LONGEST_HOLE_S = 0.02, 0.54
_JUMP_S, _JUMP_WINDOW_S = 4.0, 0.05
_END_S = 0.05
_SILENCE_S, _SILENCE_WINDOW_S = 2.0, 0.02  # shown of the sound beside a silence
_JUMP_SPAN_DB, _SILENCE_SPAN_DB = 36.0, 108.0

_Span = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Closeup:
    """One time of a finding: an id that is its own on the page, its picture as SVG or nothing, its sound's name."""

    mark: str
    at_s: float
    picture: str
    sound: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A finding with its pictures.

    Attributes
    ----------
    finding
        What it is about.
    whole
        Picture of the whole mix as SVG, or nothing.
    caption
        What its pictures show; empty without any.
    places
        `MOST_TIMES` of its times at most.
    """

    finding: Finding
    whole: str
    caption: str
    places: tuple[Closeup, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """All findings of a mix, the mix's outline, and what is to be heard."""

    looks: tuple[Look, ...]
    outline: WaveformExtremes
    duration_s: float
    extracts: tuple[Extract, ...]


def look_at(
    findings: Sequence[Finding],
    blocks: Iterable[Samples],
    rate_hz: int,
    channels: int,
    frames: int,
    number: int = 1,
    *,
    sound: bool = True,
) -> Looks:
    """Take pictures and sounds of findings off a mix.

    Parameters
    ----------
    findings
        Findings of the check.
    blocks
        The mix, block by block, each of shape (frames, channels); iterated once.
    rate_hz, channels, frames
        Of the mix.
    number
        Which mix of the page it is, from 1 on: it is part of every id.
    sound
        Whether its places are to be heard.
    """
    looking = _Looking(findings, rate_hz, channels, frames)
    for block in blocks:
        looking.push(block)
    looks = [
        Look(
            finding=one,
            whole=looking.whole(one),
            caption=looking.caption(one),
            places=tuple(
                Closeup(
                    mark=f"place-{number}-{k + 1}-{n + 1}",
                    at_s=at_s,
                    picture=looking.place(one, at_s),
                    sound=f"{number}-{looking.heard(at_s)[0]}",
                )
                for n, at_s in enumerate(shown_times(one.times_s))
            ),
        )
        for k, one in enumerate(findings)
    ]
    return Looks(
        looks=tuple(looks),
        outline=looking.outline.result(),
        duration_s=frames / rate_hz,
        extracts=tuple(_extracts(looking, looks, number)) if sound else (),
    )


def shown_times(times_s: Sequence[float]) -> list[float]:
    """Up to `MOST_TIMES` of many times: the first ones that are `_APART_S` apart, then the first of the rest, in order.

    What comes in swarms would otherwise be seen and heard in its first swarm alone.
    """
    apart: list[float] = []
    for at_s in times_s:
        if not apart or at_s - apart[-1] >= _APART_S:
            apart.append(at_s)
    taken = apart[:MOST_TIMES]
    rest = [at_s for at_s in times_s if at_s not in taken]
    return sorted([*taken, *rest[: MOST_TIMES - len(taken)]])


def _extracts(looking: "_Looking", looks: Sequence[Look], number: int) -> Iterator[Extract]:
    done = set[str]()
    most = max((len(look.places) for look in looks), default=0)
    for n in range(most):  # first places first: of two findings at one place the better rank packs it
        for k, look in enumerate(looks):
            if n < len(look.places) and look.places[n].sound not in done:
                done.add(look.places[n].sound)
                first, last = looking.heard(look.places[n].at_s)
                yield extract_of(
                    looking.cuts.result((first, last)),
                    looking.rate_hz,
                    look.places[n].sound,
                    (n, not look.finding.sends_back, number, k),
                    opens=first <= 0,
                    closes=last >= looking.frames,
                )


class _Looking:
    """One pass over a mix, and what the pictures need of it."""

    def __init__(self, findings: Sequence[Finding], rate_hz: int, channels: int, frames: int) -> None:
        self.rate_hz, self.frames = rate_hz, frames
        self.outline = OutlineMeter(frames, _COLUMNS)
        spans = [
            span
            for one in findings
            for at_s in shown_times(one.times_s)
            for span in (self.heard(at_s), self._seen(one, at_s))
            if span is not None
        ]
        self.cuts = Cuts(spans)
        humming = any(one.code == "hum" for one in findings)
        self._spectrum = SpectrumMeter(rate_hz, channels) if any(map(_has_hump, findings)) else None
        self._lines = LowLines(rate_hz, channels) if humming else None
        self._hum = HumMeter(rate_hz, channels) if humming else None
        self._song: Spectrum | None = None
        self._hums: tuple[Hum, ...] = ()
        meters = (self.outline, self.cuts, self._spectrum, self._lines, self._hum)
        self._meters = [meter for meter in meters if meter is not None]

    def push(self, block: Samples) -> None:
        for meter in self._meters:
            meter.push(block)

    def heard(self, at_s: float) -> _Span:
        start_s, stop_s = span_s(at_s, self.frames / self.rate_hz)
        return round(start_s * self.rate_hz), min(self.frames, round(stop_s * self.rate_hz))

    def _seen(self, one: Finding, at_s: float) -> _Span | None:
        """Frames of the picture of a place; None where it has none of its own."""
        at, span = round(at_s * self.rate_hz), _SPANS.get(one.code)
        if span is None:
            return None
        before, behind = span(one, self.rate_hz)
        return max(0, at - before), min(self.frames, at + behind)

    def place(self, one: Finding, at_s: float) -> str:
        span = self._seen(one, at_s)
        if span is None:
            return ""
        label = f"{kind(one)} at {clock(at_s)}: {_CAPTIONS[one.code]}"
        cut, at = self.cuts.result(span), min(round(at_s * self.rate_hz) - span[0], span[1] - span[0])
        if not cut.size:
            return ""
        if one.code == "level_jump":
            return level_picture(label, level_near(cut, self.rate_hz, at, _JUMP_WINDOW_S), _JUMP_SPAN_DB)
        if one.code == "silence" and one.unit == "s":
            return level_picture(label, level_near(cut, self.rate_hz, at, _SILENCE_WINDOW_S), _SILENCE_SPAN_DB)
        if one.code == "clipped":
            at = flat_at(cut[: len(cut) - _CLICK_FRAMES], max(0, at - _CLICK_FRAMES // 4))
            first = max(0, at - _CLICK_FRAMES)
            cut, at = cut[first : at + _CLICK_FRAMES + 1], at - first
        if one.code == "dropout":
            cut = cut[: hole_end(cut, self.rate_hz, at, one.channels) + at]
        return waveform_picture(label, waveform_near(cut, self.rate_hz, at, one.channels), edges=one.code == "clipped")

    def whole(self, one: Finding) -> str:
        label = f"{kind(one)}: {self.caption(one)}"
        if one.code == "hum" and self._lines is not None and self._hum is not None:
            freq_hz, level_db = self._lines.result(one.channels)
            return lines_picture(label, freq_hz, level_db, self._lines_of(one)) if freq_hz else ""
        if not _has_hump(one) or one.freq_hz is None or self._spectrum is None:
            return ""
        self._song = self._song or self._spectrum.result()
        hump = song = hump_of(self._song, one.channels, one.freq_hz, one.q)
        cuts = [self.cuts.result(self.heard(at_s)) for at_s in shown_times(one.times_s)]
        if cuts:
            there = mean_spectrum([measure_spectrum(cut, self.rate_hz) for cut in cuts])
            hump = hump_of(there, one.channels, one.freq_hz, one.q)
        if hump is None:
            return ""
        return hump_picture(label, one.freq_hz, hump, song if cuts else None)

    def _lines_of(self, one: Finding) -> tuple[float, ...]:
        """Lines of the hum that this finding tells of: the one of its level."""
        if not self._hums and self._hum is not None:
            self._hums = self._hum.result()
        near = [hum.lines_hz for hum in self._hums if one.value is not None and abs(hum.level_dbfs - one.value) < 0.01]
        return near[0] if near else ()

    def caption(self, one: Finding) -> str:
        if _has_hump(one):
            return _AT_PLACES if one.times_s else _ALL_THE_TIME
        if one.code == "silence":
            return _CAPTIONS["silence"] if one.unit == "s" else _CUT_OFF
        return _CAPTIONS.get(one.code, "")


def _has_hump(one: Finding) -> bool:
    return one.freq_hz is not None and one.code != "hum"


def _around_hole(_: Finding, rate_hz: int) -> _Span:
    return round(_BEFORE_HOLE_S * rate_hz), round(_LONGEST_HOLE_S * rate_hz)


def _around_end(one: Finding, rate_hz: int) -> _Span:
    """Of a silence all of it with the sound beside it, of sound that is cut off its last or first moment."""
    if one.unit != "s":
        return round(_END_S * rate_hz), round(_END_S * rate_hz)
    return round(_SILENCE_S * rate_hz), round((_SILENCE_S + (one.value or 0.0)) * rate_hz)


# By kind: frames before and behind a place that its picture shows.
_SPANS: dict[str, Callable[[Finding, int], _Span]] = {
    "click": lambda _, __: (_CLICK_FRAMES, _CLICK_FRAMES + 1),
    "clipped": lambda _, rate_hz: (_CLICK_FRAMES, round(_CLIPPED_S * rate_hz) + _CLICK_FRAMES),
    "dropout": _around_hole,
    "level_jump": lambda _, rate_hz: (round(_JUMP_S * rate_hz), round(_JUMP_S * rate_hz)),
    "silence": _around_end,
}
_CAPTIONS = {
    "click": "The waveform around it; every dot is a sample.",
    "clipped": "The waveform around it; every dot is a sample. Dashes: where it ends.",
    "dropout": "The waveform from just before the hole to just after it.",
    "level_jump": "Level in windows of 50 ms, from 4 s before to 4 s after it.",
    "silence": "Level in windows of 20 ms: the silence and the sound next to it.",
    "hum": "The low end: the level that a quarter of the seconds stay under. Dotted: the lines of the hum.",
}
_CUT_OFF = "The waveform at the edge of the file: it does not begin or end in silence."
_ALL_THE_TIME = (
    "Averaged spectrum of the whole mix around it. Thick: smoothed; thin: not smoothed. Dashes: a straight line "
    "through what lies on both sides."
)
_AT_PLACES = (
    "Averaged spectrum of these places around it. Thick: smoothed; thin: not smoothed. Dashes: a straight line through "
    "what lies on both sides; second line: the whole mix."
)
