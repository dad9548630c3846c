"""Findings with their pictures and places, as a part of a page: of the check's own and of the sheet's."""

import json
from collections.abc import Iterator, Mapping
from importlib.resources import files

from autochain.document.shell import element, figure, text
from autochain.page.closeups import Look, Looks, Place
from autochain.page.extracts import LEVELLED, Extract
from autochain.page.pictures.strip import Mark, strip_picture
from autochain.sheet.findings import SURE, beyond_usual, by_weight, kind, when
from autochain.sheet.words import CAUTION
from autochain.units import clock, number

STRIP = "The mix from beginning to end. Every wedge is a place of a finding, and leads to it."


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


def strip_of(looks: Looks) -> str:
    """The mix as a strip; empty where no finding has a place."""
    marks = marks_of(looks)
    if not marks:
        return ""
    return f'<div class="strip">{figure(strip_picture(STRIP, looks.duration_s, looks.outline, marks), STRIP)}</div>'


def findings_html(
    looks: Looks, kept: Mapping[str, Extract], heading: int, *, folded: bool = False
) -> Iterator[str]:
    """All findings, reasons to go back first.

    Parameters
    ----------
    looks
        What there is to see.
    kept
        What can be heard.
    heading
        Level of the titles.
    folded
        Whether pictures are folded away until they are asked for.
    """
    by_finding = {id(look.finding): look for look in looks.looks}
    for title, own in by_weight([look.finding for look in looks.looks]):
        yield element(f"h{heading}", title)
        for finding in own:
            yield from _finding(by_finding[id(finding)], kept, heading + 1, folded)


def _finding(look: Look, kept: Mapping[str, Extract], heading: int, folded: bool) -> Iterator[str]:
    one = look.finding
    weight = "It sends the mix back." if one.sends_back else "It is a remark and does not send the mix back."
    yield '<section class="found">'
    yield element(f"h{heading}", kind(one))
    yield element("p", " ".join(filter(None, (one.text, beyond_usual(one), one.suggestion))))
    yield element("p", f"{SURE[one.certainty]} {weight}", "soft")
    if one.times_s:
        yield element("p", when(one), "on-paper")
    drawn = [place for place in look.places if place.picture]
    fold = folded and bool(look.whole or drawn)
    if fold:
        yield f"<details><summary>{'See' if not drawn else 'See and hear' if kept else 'See its places'}</summary>"
    if look.whole:
        yield f'<div class="pair">{figure(look.whole, look.caption)}</div>'
    if drawn:
        yield element("p", look.caption, "soft")
        yield '<div class="pair">'
        for place in drawn:
            yield (
                f'<figure id="{place.mark}">{place.picture}'
                f"<figcaption>{_button(place, look, kept)}</figcaption></figure>"
            )
        yield "</div>"
    if fold:
        yield "</details>"
    if look.places and not drawn:
        times = (f'<span id="{place.mark}">{_button(place, look, kept)}</span>' for place in look.places)
        yield f'<p class="cues">{" ".join(times)}</p>'
    more = len(one.times_s) - len(look.places)
    if more:
        yield element("p", f"{more} more {'place' if more == 1 else 'places'} of this kind, not shown here.", "soft")
    yield "</section>"


def _button(place: Place, look: Look, kept: Mapping[str, Extract]) -> str:
    sound = kept.get(place.sound)
    if sound is None:
        return f'<span class="time">{clock(place.at_s)}</span>'
    name = text(f"play {kind(look.finding)} at {clock(place.at_s)}")
    turned = text(f"turned by {number(sound.gain_db, 'dB', signed=True)}")
    return (
        f'<button type="button" data-extract="{place.sound}" aria-label="{name}" title="{turned}" '
        f'aria-pressed="false">play {clock(place.at_s)}</button>'
    )


def how_it_plays(looks: list[Looks], kept: Mapping[str, Extract]) -> Iterator[str]:
    """The caution, how loud places play, and how many have no sound; nothing where nothing plays."""
    if not kept:
        return
    yield element("p", CAUTION, "soft plays")
    told = f"{LEVELLED} A second press stops it."
    places = {place.sound for one in looks for look in one.looks for place in look.places}
    if len(places) > len(kept):
        told += (
            f" The page has room for {len(kept)} of {len(places)} places; every finding keeps its first place longest."
        )
    yield element("p", told, "soft plays")


def sounds_html(kept: Mapping[str, Extract]) -> Iterator[str]:
    """What the script plays; nothing where nothing plays."""
    if kept:
        packed = json.dumps({name: one.flac for name, one in kept.items()}, separators=(",", ":"))
        yield f'<script type="application/json" id="extracts">{packed}</script>'
