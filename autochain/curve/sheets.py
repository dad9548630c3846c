"""The sheet of one point, in every form."""

from dataclasses import replace

from autochain.audio.mix import Mix
from autochain.curve.point import Point
from autochain.page import to_html
from autochain.sheet import build_sheet, to_json, to_markdown

KINDS = ("json", "html", "md")


def sheet_texts(mix: Mix, point: Point) -> dict[str, str]:
    """Text by kind of file; the point is rendered once more for the pictures, which are without sound."""
    chain, settings = point.found.config.chain_plan, point.chosen.settings
    samples = chain.render(mix.samples, mix.rate_hz, settings).samples
    sheet = build_sheet(point.found)
    page = to_html(replace(point.found, samples=samples), sheet)
    return {"json": to_json(sheet), "html": page, "md": to_markdown(sheet)}
