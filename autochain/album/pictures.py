"""Pictures of the album: each track's loudness, peaks, width and tone beside the others, and the gaps between them."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from autochain.album.figures import WATCHED, figure_of, gaps_s, outliers, outlying_gaps
from autochain.album.record import Record
from autochain.album.run import Album
from autochain.document.blocks import Block, Figure, Paragraph, Part
from autochain.document.rows import Row, row_chart
from autochain.units import number

MOST_DRAWN = 40  # tracks; of more, each picture has those that stand out in it


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A track that may be drawn: its place from 1 on, its record, the address of its sheet."""

    place: int
    record: Record
    href: str


def pictures(album: Album, tracks: Sequence[Drawn]) -> Iterator[Block]:
    """Figures of these tracks; medians and what stands out are those of all."""
    figures = [*_loudness(tracks), *(one for watched in WATCHED for one in _watched(album, tracks, *watched))]
    figures += _gaps(album, tracks)
    if figures:
        yield Part(figures, "pair")
        words = "Dashed: the album's median. Larger dots stand out. A name or a dot opens its track's sheet."
        if len(tracks) > MOST_DRAWN:
            words += " Of so many tracks, pictures have those that miss their loudness or stand out."
        yield Paragraph(words, "soft")


def _loudness(tracks: Sequence[Drawn]) -> Iterator[Figure]:
    rows = []
    for one in tracks:
        mix, master = one.record.mix_lufs, one.record.figures["integrated_lufs"]
        if master is None or (len(tracks) > MOST_DRAWN and one.record.met):
            continue
        words = f"{one.record.title}: {number(mix)} to {number(master, 'LUFS')}"
        rows.append(Row(name=one.record.title, words=words, value=float(master), before=mix, href=one.href))
    words = "Integrated loudness. Ring: the mix; dot: the master."
    if rows:
        yield Figure(row_chart(words, "LUFS", rows[:MOST_DRAWN]), words)


def _watched(
    album: Album, tracks: Sequence[Drawn], name: str, label: str, unit: str, least: float
) -> Iterator[Figure]:
    values = {id(record): figure_of(record, name) for record in album.done}
    known = [value for value in values.values() if value is not None]
    if not known:
        return
    out = {id(album.done[place]) for place in outliers(list(values.values()), least)}
    relative = name == "tilt_db"  # a level beside another one says nothing by itself
    yield from _figure(
        tracks,
        lambda one: values[id(one.record)],
        {one.place for one in tracks if id(one.record) in out},
        f"{label[0].upper()}{label[1:]}" + (", against the album's median." if relative else "."),
        unit,
        median(known),
        relative=relative,
    )


def _gaps(album: Album, tracks: Sequence[Drawn]) -> Iterator[Figure]:
    gaps = gaps_s(album)
    known = [gap for gap in gaps if gap is not None]
    if not known:
        return
    out = {place + 1 for place in outlying_gaps(gaps)}
    by_place = dict(enumerate(gaps, 1))
    label = "Silence between each track and the next, as they will play."
    yield from _figure(tracks, lambda one: by_place.get(one.place), out, label, "s", median(known))


def _figure(
    tracks: Sequence[Drawn],
    value_of: Callable[[Drawn], float | None],
    out: set[int],
    label: str,
    unit: str,
    middle: float,
    *,
    relative: bool = False,
) -> Iterator[Figure]:
    zero = middle if relative else 0.0
    rows = [
        Row(
            name=one.record.title,
            words=f"{one.record.title}: {number(value - zero, unit, signed=relative)}",
            value=value - zero,
            stands_out=one.place in out,
            href=one.href,
        )
        for one in tracks
        if (value := value_of(one)) is not None and (len(tracks) <= MOST_DRAWN or one.place in out)
    ]
    if rows:
        yield Figure(row_chart(label, unit, rows[:MOST_DRAWN], middle - zero, signed=relative), label)
