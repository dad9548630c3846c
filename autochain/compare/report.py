"""A comparison as a report: what a bounce looks like beside its sheet, what changed, pictures and figures."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from autochain.chain.chain import STAGES
from autochain.compare.advice import Advice
from autochain.compare.bounce import BounceVerdict
from autochain.compare.changes import Change
from autochain.compare.comparison import Comparison
from autochain.compare.description import Description
from autochain.config import read_config
from autochain.document.as_html import html
from autochain.document.blocks import (
    Block,
    Figure,
    FileName,
    Heading,
    Inline,
    Line,
    Listed,
    Paragraph,
    Part,
    Strong,
    Time,
    table,
)
from autochain.document.charts import band_chart, chart_over_time
from autochain.document.shell import page
from autochain.measure.band_changes import BandChange
from autochain.sheet.faults import shown_faults
from autochain.sheet.words import FIGURES, LISTEN_MODERATELY
from autochain.units import clock, frequency, number

NOTHING_NOTICED = "Nothing that would be noticed in a comparison at equal loudness."
NOTHING_OFF = "No stage looks off."
OTHER_MIX = (
    "The sheet was made for another file than this mix. It was rendered on this mix all the same, so its thresholds "
    "and its drive may not fit."
)
LISTEN = f"These are changes; you decide whether they are wanted. {LISTEN_MODERATELY}"
DISTORTION = (
    "Added distortion is read from the two files alone. Behind an equaliser it may read several dB above the sheet's "
    "figure, most of all under 200 Hz: the sheet knows the equaliser, this comparison has to estimate it."
)
BANDS = (
    "Change of every third octave at equal loudness, in dB. Bars: both channels together; ticks: the side, what "
    "differs between left and right."
)
LOUDNESS = (
    "Loudness of 3 s over the song, both at the same overall loudness. Area: the mix; line: the master. Where the line "
    "runs above the area, the master brings that part forward."
)
_PLANNED_FIGURES = (
    ("integrated_lufs", "integrated loudness", "LUFS"),
    ("max_short_term_lufs", "loudest short-term", "LUFS"),
    ("true_peak_dbtp", "true peak", "dBTP"),
    ("plr_db", "peak to loudness (PLR)", "dB"),
    ("asymmetry_db", "waveform asymmetry", "dB"),
)
_PLANNED_CHANGES: tuple[tuple[str, Callable[[Comparison], float | None]], ...] = (
    ("attack of hits, changed by", lambda found: found.onset_change_db),
    ("crest lost", lambda found: found.crest_loss_db),
    ("gain moving with the music (rms)", lambda found: found.movement_db),
    ("distortion added (noise-to-mask)", lambda found: found.distortion.nmr_db),
    ("stereo image wider by", lambda found: found.width_change_db),
)
_MOST_TIMES = 8
_RUN_UP_S = 1.0  # heard before a time
_PLAYABLE = " A press plays from there, where the bar at the foot is filled."


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedPair:
    """What a page plays beside the words: its player, and from when to when of the mix."""

    player: Sequence[Block] = ()
    held_s: Sequence[tuple[float, float]] = ()

    def holds(self, at_s: float) -> bool:
        """Whether a time can be heard."""
        return any(start <= at_s <= stop for start, stop in self.held_s)


def report(
    found: Comparison, described: Description, verdict: BounceVerdict | None = None, heard: PlayedPair | None = None
) -> Iterator[Block]:
    """Everything that is said of two files; the verdict on a bounce comes first. With `heard` as a page has it."""
    heard = heard or PlayedPair()
    yield Heading(_title(found.master.file, found.mix.file), 1)
    if verdict is not None:
        yield from _verdict(found, verdict)
        yield Heading("Against the mix")
    yield Paragraph(described.loudness, "lead")
    yield from (Paragraph(line, "soft") for line in described.made_comparable)
    yield from heard.player
    yield Heading("What changed, the most audible first")
    changes = [_change(one, heard) for one in described.changed]
    yield Listed(changes, role="ranked") if changes else Paragraph(NOTHING_NOTICED)
    if described.unchanged:
        yield Paragraph(f"Not changed, or too little to notice: {', '.join(described.unchanged)}.")
    yield Paragraph(LISTEN, "soft")
    yield Part([*_pictures(found, heard)], only="page")
    yield Heading("Side by side")
    yield table(["figure", "mix", "master", "change"], _figure_rows(found))
    yield Paragraph(DISTORTION, "soft")
    yield Heading("Third octaves at equal loudness")
    yield table(["band", "change", "mid", "side"], _band_rows(found))


def different_report(mix: str, master: str, reason: str) -> Iterator[Block]:
    """What is said of two files that are no mix and master."""
    yield Heading(_title(master, mix), 1)
    yield Paragraph((Strong("Different material."), f" {reason[:1].upper()}{reason[1:]}"))


def report_page(found: Comparison, blocks: Iterable[Block], style: str = "", script: str = "") -> str:
    """The report as a self-contained page."""
    return page(f"{found.master.file} against {found.mix.file}", html(blocks), style, script)


def spectrum_figure(bands: Sequence[BandChange]) -> Figure:
    """Picture of the third octaves that are heard, with its words."""
    heard = [band for band in bands if band.heard and band.change_db is not None]
    bands_hz, changes = [band.nominal_hz for band in heard], [band.change_db or 0.0 for band in heard]
    return Figure(band_chart(BANDS, bands_hz, changes, [band.side_change_db for band in heard]), BANDS)


def _title(master: str, mix: str) -> tuple[FileName, str, FileName]:
    return FileName(master), " against ", FileName(mix)


def _verdict(found: Comparison, verdict: BounceVerdict) -> Iterator[Block]:
    target = verdict.target
    part = " in the loudest 3 s" if target.of_loudest_part else ""
    reached = "reached" if verdict.reached else "not reached"
    yield Heading("Against the sheet")
    yield Paragraph(
        Strong(
            f"The sheet's target is {reached}: {number(verdict.loudness_lufs, 'LUFS')}{part} at "
            f"{number(verdict.true_peak_dbtp, 'dBTP')} (wanted: {number(target.loudness_lufs, 'LUFS')}{part} under "
            f"{number(target.ceiling_dbtp, 'dBTP')})."
        ),
        "lead",
    )
    if verdict.on_tools:
        plan = verdict.planned.master.figures
        yield Paragraph(
            f"Judged by the models of your own tools ({', '.join(verdict.on_tools)}). Set as the sheet's column has "
            f"them, they come to {number(target.heard_lufs(plan), 'LUFS')}{part} at "
            f"{number(plan.true_peak_dbtp, 'dBTP')}."
        )
    yield Listed([_advice(one) for one in verdict.advice]) if verdict.advice else Paragraph(NOTHING_OFF)
    if not verdict.same_mix:
        yield Paragraph(OTHER_MIX, "soft")
    yield table(["figure", "sheet", "bounce"], _planned_rows(verdict.planned, found))


def _pictures(found: Comparison, heard: PlayedPair) -> Iterator[Block]:
    traces = found.traces
    yield Heading("The spectrum")
    yield spectrum_figure(found.bands)
    if traces.at_s.size >= 2:
        yield Heading("Loudness over time")
        at_s, mix, master = (one.tolist() for one in (traces.at_s, traces.mix_lufs, traces.master_lufs))
        words = LOUDNESS + (_PLAYABLE if heard.held_s else "")
        yield Part([Figure(chart_over_time(words, at_s, mix, master, heard.held_s), words)], role="song")


def _change(change: Change, heard: PlayedPair) -> Line:
    """Sentence with the times to listen at; on a page that plays, those that it holds, a second before each."""
    times = {clock(at): at for at in reversed(change.times_s)}
    shown = sorted(times, key=lambda words: times[words])
    if change.kind == "clicks" and shown:
        more = f" and {len(shown) - _MOST_TIMES} more" if len(shown) > _MOST_TIMES else ""
        return f"{change.text} At ", *_times(shown[:_MOST_TIMES], times), f"{more} of the mix."
    played = list[str]()
    for words in shown:  # one of those that are heard together
        if heard.holds(times[words]) and (not played or times[words] - times[played[-1]] >= _RUN_UP_S):
            played.append(words)
    return (f"{change.text} Hear it at ", *_times(played[:_MOST_TIMES], times), ".") if played else change.text


def _times(shown: Sequence[str], times: Mapping[str, float]) -> Iterator[Inline]:
    for place, words in enumerate(shown):
        if place:
            yield ", "
        yield Time(words, max(0.0, times[words] - _RUN_UP_S))


def _advice(advice: Advice) -> str:
    """Stage, what was seen, and what to try."""
    label = f"{STAGES[advice.stage].label}: " if advice.stage else ""
    return f"{label}{advice.seen} {advice.try_next}"


def _planned_rows(planned: Comparison, found: Comparison) -> Iterable[list[str]]:
    """Rows of what sheet and bounce do: label, sheet, bounce."""
    for name, label, unit in _PLANNED_FIGURES:
        values = [getattr(one.master.figures, name) for one in (planned, found)]
        yield [label, *(number(value, unit) for value in values)]
    for label, pick in _PLANNED_CHANGES:
        yield [label, *(number(pick(one), "dB") for one in (planned, found))]


def _figure_rows(found: Comparison) -> Iterable[list[str]]:
    """Rows of figures: label, mix, master, change."""
    before, after = (side.figures.as_dict() for side in (found.mix, found.master))
    yield ["length", clock(found.mix.duration_s), clock(found.master.duration_s), ""]
    for name, label, unit, decimals in FIGURES:
        yield _row(label, before[name], after[name], unit, decimals)
    for name, label, unit, decimals, _ in shown_faults((before, after), read_config().check.model_dump()):
        yield _row(label, before[name], after[name], unit, decimals)
    yield ["distortion added (noise-to-mask)", "", number(found.distortion.nmr_db, "dB"), ""]
    yield ["  of that under 200 Hz", "", number(found.distortion.nmr_low_db, "dB"), ""]
    yield ["attack of hits", "", "", number(found.onset_change_db, "dB", signed=True)]
    yield ["gain moving with the music (rms)", "", number(found.movement_db, "dB"), ""]


def _row(label: str, before: float | None, after: float | None, unit: str, decimals: int) -> list[str]:
    change = None if before is None or after is None else after - before
    unit_of_change = {"LUFS": "LU", "dBTP": "dB", "dBFS": "dB"}.get(unit, unit)
    return [
        label,
        number(before, unit, decimals),
        number(after, unit, decimals),
        number(change, unit_of_change, decimals, signed=True),
    ]


def _band_rows(found: Comparison) -> Iterable[list[str]]:
    """Rows of the third octaves that are heard: band, change, mid, side."""
    for band in found.bands:
        if band.heard:
            changes = (band.change_db, band.mid_change_db, band.side_change_db)
            yield [frequency(band.nominal_hz), *(number(change, "dB", signed=True) for change in changes)]
