"""A comparison as a self-contained page."""

from collections.abc import Iterator, Sequence

from autochain.compare.account import Account
from autochain.compare.against_plan import AgainstPlan
from autochain.compare.as_markdown import (
    DISTORTION,
    LISTEN,
    NOTHING,
    NOTHING_OFF,
    advice_text,
    band_rows,
    caveats,
    figure_rows,
    plan_rows,
    said_text,
    verdict,
)
from autochain.compare.comparison import Comparison
from autochain.document.as_html import html
from autochain.document.blocks import Figure
from autochain.document.charts import band_chart, course_chart
from autochain.document.shell import element, figure, grid, items, page
from autochain.measure.band_changes import BandChange

BANDS = (
    "Change of every third octave at equal loudness, in dB. Bars: both channels together; ticks: the side, what "
    "differs between left and right."
)
COURSES = (
    "Loudness of 3 s over the song, both at the same overall loudness. Area: the mix; line: the master. Where the line "
    "runs above the area, the master brings that part forward."
)


def to_html(found: Comparison, account: Account, plan: AgainstPlan | None = None) -> str:
    """Whole document with a final newline."""
    title = f"{found.master.file} against {found.mix.file}"
    return page(title, _body(title, found, account, plan))


def spectrum_figure(bands: Sequence[BandChange]) -> Figure:
    """Picture of the third octaves that are heard, with its words."""
    heard = [band for band in bands if band.heard and band.change_db is not None]
    bands_hz, changes = [band.nominal_hz for band in heard], [band.change_db or 0.0 for band in heard]
    return Figure(band_chart(BANDS, bands_hz, changes, [band.side_change_db for band in heard]), BANDS)


def _body(title: str, found: Comparison, account: Account, plan: AgainstPlan | None) -> Iterator[str]:
    yield element("h1", title)
    if plan is not None:
        yield element("h2", "Against the plan")
        yield element("p", verdict(plan), "lead")
        yield items(map(advice_text, plan.advice)) if plan.advice else element("p", NOTHING_OFF)
        for line in caveats(plan):
            yield element("p", line, "soft")
        yield grid(["figure", "plan", "bounce"], plan_rows(found, plan))
        yield element("h2", "Against the mix")
    yield element("p", account.loudness, "lead")
    for line in account.laid:
        yield element("p", line, "soft")
    yield element("h2", "What changed, the most audible first")
    yield items(map(said_text, account.changed), "said", "ol") if account.changed else element("p", NOTHING)
    if account.unchanged:
        yield element("p", f"Not changed, or too little to notice: {', '.join(account.unchanged)}.")
    yield element("p", LISTEN, "soft")
    yield element("h2", "The spectrum")
    yield from html([spectrum_figure(found.bands)])
    if found.courses.at_s.size >= 2:
        yield element("h2", "Loudness over time")
        courses = (found.courses.at_s, found.courses.mix_lufs, found.courses.master_lufs)
        yield figure(course_chart(COURSES, *(c.tolist() for c in courses)), COURSES)
    yield element("h2", "Side by side")
    yield grid(["figure", "mix", "master", "change"], figure_rows(found))
    yield element("p", DISTORTION, "soft")
    yield element("h2", "Third octaves at equal loudness")
    yield grid(["band", "change", "mid", "side"], band_rows(found))
