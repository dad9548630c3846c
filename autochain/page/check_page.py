"""Verdicts on mixes as one page: all at a glance, then each with what was seen and can be heard."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from autochain.audio.blocks import read_blocks
from autochain.check.report import Checked, figures_line
from autochain.document.shell import element, page, text
from autochain.page.closeups import Looks, look_at
from autochain.page.extracts import Extract, Room
from autochain.page.findings_part import findings_html, how_it_plays, packaged, sounds_html, strip_of
from autochain.sheet.findings import HEADING, NOTHING, VERDICTS
from autochain.units import number

_HEAD = ("mix", "verdict", "loudness", "true peak", "PLR", "reasons", "remarks")


class CheckPage:
    """The page, mix by mix: what is drawn and heard is taken off each while it is at hand."""

    def __init__(self) -> None:
        self._room, self._mixes = Room(), list[tuple[Checked, Looks]]()

    def add(self, path: Path, one: Checked) -> None:
        """Take a mix that was checked; AudioFileError where its file can no longer be read."""
        blocks = read_blocks(path)
        frames = round(one.duration_s * blocks.rate_hz)
        number_ = len(self._mixes) + 1
        looks = look_at(one.readiness.findings, blocks, blocks.rate_hz, blocks.channels, frames, number_)
        self._room.put(looks.extracts)
        self._mixes.append((one, replace(looks, extracts=())))

    def html(self, unread: Sequence[str] = ()) -> str:
        """Whole document with a final newline; `unread` is what is to be said of files that could not be read."""
        style, kept = packaged("closeups.css") + packaged("check.css"), self._room.kept
        return page(HEADING, _body(self._mixes, kept, unread), style, packaged("closeups.js") if kept else "")


def _body(
    checked: Sequence[tuple[Checked, Looks]], kept: Mapping[str, Extract], unread: Sequence[str]
) -> Iterator[str]:
    yield element("h1", HEADING)
    yield element("p", _in_all([one for one, _ in checked]), "lead")
    for problem in unread:
        yield element("p", f"Not checked: {problem}")
    yield from _glance([one for one, _ in checked])
    yield from how_it_plays([looks for _, looks in checked], kept)
    for number_, (one, looks) in enumerate(checked, 1):
        head = f"<bdi>{text(one.file)}</bdi>: {text(VERDICTS[one.readiness.verdict])}"
        yield f"<details{' open' if len(checked) == 1 else ''}><summary><h2>{head}</h2></summary>"
        # Inside, and not the whole: a browser opens what holds the place that a link leads to.
        yield f'<div id="mix-{number_}" class="mix">'
        yield element("p", figures_line(one))
        yield strip_of(looks)
        yield from findings_html(looks, kept, 3) if looks.looks else [element("p", NOTHING)]
        yield "</div></details>"
    yield from sounds_html(kept)


def _in_all(checked: Sequence[Checked]) -> str:
    counts = Counter[str](one.readiness.verdict for one in checked)
    told = [f"{counts[verdict]} {words}" for verdict, words in VERDICTS.items() if counts[verdict]]
    mixes = "1 mix" if len(checked) == 1 else f"{len(checked)} mixes"
    return f"{mixes}: {'; '.join(told)}."


def _glance(checked: Sequence[Checked]) -> Iterator[str]:
    yield '<table class="glance"><thead><tr>'
    yield "".join(element("th", head) for head in _HEAD)
    yield "</tr></thead><tbody>"
    for place, one in enumerate(checked, 1):
        figures, verdict = one.measurement, one.readiness.verdict
        reasons = sum(found.sends_back for found in one.readiness.findings)
        cells = (
            number(figures.integrated_lufs, "LUFS"),
            number(figures.true_peak_dbtp, "dBTP"),
            number(figures.plr_db, "dB"),
            str(reasons),
            str(len(one.readiness.findings) - reasons),
        )
        yield (
            f'<tr class="{verdict}"><td><a href="#mix-{place}"><bdi>{text(one.file)}</bdi></a></td>'
            f"<td>{text(VERDICTS[verdict])}</td>"
            + "".join(
                f'<td data-head="{head}">{text(cell)}</td>' for head, cell in zip(_HEAD[2:], cells, strict=True)
            )
            + "</tr>"
        )
    yield "</tbody></table>"
