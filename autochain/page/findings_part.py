"""Findings with their pictures and places, as a part of a page: of the check's own and of the sheet's."""

import json
from collections.abc import Iterator, Mapping
from importlib.resources import files

from autochain.document.blocks import Block, Figure, Folded, Heading, Paragraph, Part, Player
from autochain.document.shell import text
from autochain.page.closeups import Closeup, Look, Looks
from autochain.page.extracts import LEVELLED, Extract
from autochain.page.pictures.strip import Mark, strip_picture
from autochain.sheet.findings import SURE, beyond_usual, by_weight, kind, when
from autochain.sheet.words import CAUTION
from autochain.units import clock, number

_RUN_UP_S = 1.0  # what is heard without what comes before it is hard to judge
_STRIP = "The mix from beginning to end. Every wedge is a place of a finding, and leads to it."


def packaged(name: str) -> str:
    """Text of a file beside this module."""
    return files("autochain.page").joinpath(name).read_text(encoding="utf-8")


def marks_of(looks: Looks) -> list[Mark]:
    """Every place, in order of time."""
    every = [(look, place) for look in looks.looks for place in look.places]
    return [
        Mark(at_s=place.at_s, words=f"{kind(look.finding)} at {clock(place.at_s)}", leads_to=place.mark)
        for look, place in sorted(every, key=lambda one: one[1].at_s)
    ]


def strip_of(looks: Looks) -> Iterator[Block]:
    """The mix as a strip; nothing where no finding has a place."""
    marks = marks_of(looks)
    if marks:
        yield Part([Figure(strip_picture(_STRIP, looks.duration_s, looks.outline, marks), _STRIP)], role="strip")


def findings_shown(looks: Looks, kept: Mapping[str, Extract], *, folded: bool = False) -> Iterator[Block]:
    """All findings, reasons to go back first.

    Parameters
    ----------
    looks
        What there is to see.
    kept
        What can be heard.
    folded
        Whether pictures are folded away until they are asked for.
    """
    by_finding = {id(look.finding): look for look in looks.looks}
    for title, own in by_weight([look.finding for look in looks.looks]):
        yield Heading(title, 3)
        for finding in own:
            yield Part(list(_finding(by_finding[id(finding)], kept, folded)), role="found")


def _finding(look: Look, kept: Mapping[str, Extract], folded: bool) -> Iterator[Block]:
    one = look.finding
    weight = "It sends the mix back." if one.sends_back else "It is a remark and does not send the mix back."
    yield Heading(kind(one), 4)
    yield Paragraph(" ".join(filter(None, (one.text, beyond_usual(one), one.suggestion))))
    yield Paragraph(f"{SURE[one.certainty]} {weight}", role="soft")
    if one.times_s:
        yield Paragraph(when(one), role="on-paper")
    drawn = [place for place in look.places if place.picture]
    seen = list(_seen(look, drawn, kept))
    if folded and seen:
        yield Folded("See" if not drawn else "See and hear" if kept else "See its places", seen)
    else:
        yield from seen
    if look.places and not drawn:
        times = (f'<span id="{place.mark}">{_button(place, look, kept)}</span>' for place in look.places)
        yield Player(f'<p class="cues">{" ".join(times)}</p>')
    more = len(one.times_s) - len(look.places)
    if more:
        yield Paragraph(f"{more} more {'place' if more == 1 else 'places'} of this kind, not shown here.", role="soft")


def _seen(look: Look, drawn: list[Closeup], kept: Mapping[str, Extract]) -> Iterator[Block]:
    if look.whole:
        yield Part([Figure(look.whole, look.caption)], role="pair")
    if drawn:
        yield Paragraph(look.caption, role="soft")
        pictures = (
            f'<figure id="{place.mark}">{place.picture}<figcaption>{_button(place, look, kept)}</figcaption></figure>'
            for place in drawn
        )
        yield Part([Player(one) for one in pictures], role="pair")


def _button(place: Closeup, look: Look, kept: Mapping[str, Extract]) -> str:
    sound = kept.get(place.sound)
    if sound is None:
        return f'<span class="time" data-time="{max(0.0, place.at_s - _RUN_UP_S):.2f}">{clock(place.at_s)}</span>'
    name = text(f"play {kind(look.finding)} at {clock(place.at_s)}")
    turned = text(f"turned by {number(sound.gain_db, 'dB', signed=True)}")
    return (
        f'<button type="button" data-extract="{place.sound}" aria-label="{name}" title="{turned}" '
        f'aria-pressed="false">play {clock(place.at_s)}</button>'
    )


def how_it_plays(looks: list[Looks], kept: Mapping[str, Extract]) -> Iterator[Block]:
    """The caution, how loud places play, and how many have no sound, with the sound; nothing where nothing plays."""
    if not kept:
        return
    told = f"{LEVELLED} A second press stops it."
    places = {place.sound for one in looks for look in one.looks for place in look.places}
    if len(places) > len(kept):
        told += (
            f" The page has room for {len(kept)} of {len(places)} places; the first of every finding have precedence."
        )
    yield Part([Paragraph(CAUTION, role="soft"), Paragraph(told, role="soft")], role="plays")
    packed = json.dumps({name: one.flac for name, one in kept.items()}, separators=(",", ":"))
    yield Player(f'<script type="application/json" id="extracts">{packed}</script>')
