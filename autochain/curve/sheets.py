"""A curve with the sheet of each point, and the names of all that is written of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from autochain.audio.mix import Mix
from autochain.curve.point import Curve, Point
from autochain.curve.targets import loudness_name
from autochain.page import to_html
from autochain.progress import Progress, silent
from autochain.sheet import SHEET_KINDS, Sheet, build_sheet, to_json, to_markdown

if TYPE_CHECKING:
    from autochain.tool.tool import Tool

CURVE_KINDS = ("md", "html", "json", "csv")


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSheets:
    """What every report of a curve reads: the curve, one sheet a point, the mix's name without its ending."""

    curve: Curve
    sheets: tuple[Sheet, ...]
    mix_stem: str

    @property
    def points(self) -> list[tuple[Point, Sheet]]:
        """Each point with its sheet, from quiet to loud."""
        return list(zip(self.curve.points, self.sheets, strict=True))

    def sheet_name(self, point: Point, kind: str) -> str:
        """File of a point's sheet."""
        return f"{_sheet_stem(self.mix_stem, point.target_lufs)}.{kind}"


def with_sheets(
    curve: Curve, mix_stem: str, tools: "Sequence[Tool]" = (), progress: Progress = silent
) -> CurveSheets:
    """Build the sheet of each point, once for all reports; with `tools` each tells what to set on them."""
    if not tools:
        sheets = tuple(build_sheet(point.found) for point in curve.points)
        return CurveSheets(curve=curve, sheets=sheets, mix_stem=mix_stem)
    from autochain.search.on_tools import set_tools

    made = []
    for place, point in enumerate(curve.points):
        progress("setting your own tools", place / len(curve.points))
        made.append(build_sheet(point.found, set_tools(point.found, tools)))
    return CurveSheets(curve=curve, sheets=tuple(made), mix_stem=mix_stem)


def curve_file_names(mix_stem: str, targets_lufs: tuple[float, ...]) -> list[str]:
    """Everything that may be written."""
    own = [f"{mix_stem}.curve.{kind}" for kind in CURVE_KINDS]
    return own + [f"{_sheet_stem(mix_stem, target)}.{kind}" for target in targets_lufs for kind in SHEET_KINDS]


def _sheet_stem(mix_stem: str, target_lufs: float) -> str:
    return f"{mix_stem}.at{loudness_name(target_lufs)}.sheet"


def sheet_texts(mix: Mix, point: Point, sheet: Sheet) -> dict[str, str]:
    """Text by kind of file; the point is rendered once more for the pictures, which are without sound."""
    chain, settings = point.found.config.chain_plan, point.chosen.settings
    samples = chain.render(mix.samples, mix.rate_hz, settings).samples
    page = to_html(replace(point.found, samples=samples), sheet)
    return {"json": to_json(sheet), "html": page, "md": to_markdown(sheet)}
