"""Verdicts on mixes as one page: what was found is seen there and can be heard."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from autochain.audio.blocks import read_blocks
from autochain.check.checked import Checked
from autochain.check.report import ShownFindings, checks_report
from autochain.document.as_html import html
from autochain.document.shell import page
from autochain.page.closeups import Looks, look_at
from autochain.page.extracts import Room
from autochain.page.findings_part import findings_shown, how_it_plays, packaged, strip_of
from autochain.sheet.findings import HEADING


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
        checked, looks = [one for one, _ in self._mixes], [looks for _, looks in self._mixes]
        shown = ShownFindings(
            playing=list(how_it_plays(looks, kept)),
            findings=[[*strip_of(one), *findings_shown(one, kept)] for one in looks],
        )
        body = html(checks_report(checked, unread, shown))
        return page(HEADING, body, style, packaged("closeups.js") if kept else "")
