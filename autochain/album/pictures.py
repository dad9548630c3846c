"""Pictures of the album: each track's loudness, peaks, width and tone beside the others, and the gaps between them."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from autochain.album.figures import WATCHED, figure_of, gaps_s, outliers, outlying_gaps
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.document.charts import Column, dot_chart, value_chart
from autochain.document.shell import element, figure
from autochain.units import number


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A track that is drawn: its place from 1 on, its record, the address of its sheet."""

    place: int
    record: Record
    href: str


def pictures(album: Album, shown: Sequence[Shown]) -> Iterator[str]:
    """Figures of the tracks that are shown; medians and what stands out are those of all tracks."""
    if not shown:
        return
    marks, titles = [str(one.place) for one in shown], [one.record.title for one in shown]
    heard = [float(one.record.figures["integrated_lufs"] or 0.0) for one in shown]
    words = "Integrated loudness of each track: ring, the mix; dot, the master."
    svg = dot_chart(words, "LUFS", marks, titles, [one.record.mix_lufs for one in shown], heard)
    yield '<div class="pair">'
    yield figure(svg, words)
    for name, said, unit, least in WATCHED:
        yield from _watched(album, shown, name, said, unit, least)
    yield from _gaps(album, shown)
    yield "</div>"
    yield element("p", "Dashed: the album's median; larger dots stand out. A dot opens its track's sheet.", "soft")


def _watched(album: Album, shown: Sequence[Shown], name: str, said: str, unit: str, least: float) -> Iterator[str]:
    done = album.done
    values = {id(record): figure_of(record, name) for record in done}
    known = [value for value in values.values() if value is not None]
    if not known:
        return
    out = {id(done[place]) for place in outliers(list(values.values()), least)}
    middle = median(known)
    relative = name == "tilt_db"  # a level beside another one says nothing by itself
    yield from _chart(
        shown,
        lambda one: values[id(one.record)],
        {one.place for one in shown if id(one.record) in out},
        f"{said[0].upper()}{said[1:]}" + (", against the album's median" if relative else ""),
        unit,
        middle,
        relative=relative,
    )


def _gaps(album: Album, shown: Sequence[Shown]) -> Iterator[str]:
    gaps = gaps_s(album)
    known = [gap for gap in gaps if gap is not None]
    if not known:
        return
    out = {place + 1 for place in outlying_gaps(gaps)}
    by_place = dict(enumerate(gaps, 1))
    label = "Silence between each track and the next, as they will play"
    yield from _chart(shown, lambda one: by_place.get(one.place), out, label, "s", median(known))


def _chart(
    shown: Sequence[Shown],
    value_of: Callable[[Shown], float | None],
    out: set[int],
    said: str,
    unit: str,
    middle: float,
    *,
    relative: bool = False,
) -> Iterator[str]:
    zero = middle if relative else 0.0
    columns = [
        Column(
            mark=str(one.place),
            words=f"{one.record.title}: {number(value - zero, unit, signed=relative)}",
            value=value - zero,
            stands_out=one.place in out,
            href=one.href,
        )
        for one in shown
        if (value := value_of(one)) is not None
    ]
    if columns:
        words = f"{said}."
        yield figure(value_chart(words, unit, columns, middle - zero, signed=relative), words)
