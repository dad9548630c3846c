"""A curve as Markdown: what it says, the points, the rest of the costs, normalisation."""

from collections.abc import Iterator

from autochain.curve.dents import dented
from autochain.curve.files import stem_of
from autochain.curve.point import Beside, Curve, Point
from autochain.curve.statement import METHOD, NO_ADVICE, dents_text, statement
from autochain.render.normalised import PRACTICES, normalise
from autochain.search.baselines import LIMITER_ONLY, NAMES, TRADE_DEFAULT
from autochain.sheet.tables import plain, table
from autochain.sheet.words import CAUTION, COSTS
from autochain.units import number

BESIDE = (LIMITER_ONLY, TRADE_DEFAULT)
BESIDE_NOTE = (
    "Scores with ~ come from one sweep over the excerpts, moved by what the whole song adds at three verified points; "
    "a dash: not reached. Limiter alone is the best of several for the first point searched, kept for all."
)
NORMALISED_NOTE = (
    "What loudness normalisation at published levels does to each point: the gain it applies, and by how much it stays "
    "under the level where peaks stand in the way. Points louder than a level are all turned down to it."
)


def beside_text(beside: Beside | None) -> str:
    """Score of a baseline."""
    if beside is None or not beside.met:
        return "–"
    return f"{'' if beside.verified else '~'}{number(beside.score, decimals=2)}"


def score_text(point: Point) -> str:
    """Score of a point; what missed its loudness compares with nothing."""
    return number(point.chosen.score if point.met else None, decimals=2)


def how(point: Point) -> str:
    """Where the settings come from."""
    if not point.met:
        return f"not reached: {number(point.chosen.after.integrated_lufs, 'LUFS')}"
    if point.by_gain:
        return "gain alone"
    if point.taken_from_lufs is not None:
        return f"those of {number(point.taken_from_lufs)}, driven less"
    return "searched"


POINT_HEAD = [
    "LUFS", "true peak dBTP", "score", *(NAMES[name] for name in BESIDE), "crest lost dB", "added distortion dB",
    "gain movement dB", "settings",
]  # fmt: skip


def point_rows(curve: Curve) -> Iterator[list[str]]:
    """Cells of the table of points, the sheet's name excepted."""
    for point in curve.points:
        costs = point.chosen.costs
        yield [
            number(point.target_lufs),
            number(point.chosen.after.true_peak_dbtp),
            score_text(point),
            *(beside_text(point.beside.get(name)) for name in BESIDE),
            number(costs.crest_loss_db),
            number(costs.added_distortion_nmr_db),
            number(costs.gain_movement_db),
            how(point),
        ]


COST_HEAD = ["LUFS", *(label.strip() for label, *_ in COSTS.values())]


def cost_rows(curve: Curve) -> Iterator[list[str]]:
    """Every cost of every point."""
    for point in curve.points:
        values = point.chosen.costs.as_dict()
        yield [number(point.target_lufs), *(number(values[n], decimals=d) for n, (_, _, d, _) in COSTS.items())]


NORMALISED_HEAD = ["LUFS", *(f"{practice}, {number(level, 'LUFS')}" for practice, level, _ in PRACTICES)]


def normalised_rows(curve: Curve) -> Iterator[list[str]]:
    """Gain of every practice for every point."""
    for point in curve.points:
        after = point.chosen.after
        if after.integrated_lufs is None or after.true_peak_dbtp is None:
            continue
        cells = []
        for found in normalise(after.integrated_lufs, after.true_peak_dbtp):
            short = f", {number(found.short_lu, 'LU')} short" if found.short_lu >= 0.05 else ""
            cells.append(number(found.gain_db, "dB", signed=True) + short)
        yield [number(point.target_lufs), *cells]


def to_markdown(curve: Curve, stem: str) -> str:
    """Whole page with a final newline; `stem` is the mix's name without its ending."""
    first, *more = statement(curve)
    mix = curve.points[0].found.mix
    ceiling = curve.points[0].found.config.target.ceiling_dbtp
    lines = [f"# What loudness costs: {plain(mix.file)}", "", f"**{first}**", ""]
    if more:
        lines += [" ".join(more), ""]
    lines += table(POINT_HEAD, point_rows(curve))
    lines += ["", f"Ceiling {number(ceiling, 'dBTP')}. {BESIDE_NOTE}", "", f"{METHOD} {dents_text(curve)} {NO_ADVICE}"]
    left = dented(curve)
    if left:
        lines += ["", f"Dents left at {', '.join(number(t) for t in left)} LUFS: search these alone with more trials."]
    lines += ["", "## Every cost", "", *table(COST_HEAD, cost_rows(curve))]
    lines += ["", "## After normalisation", "", NORMALISED_NOTE, "", *table(NORMALISED_HEAD, normalised_rows(curve))]
    lines += ["", "## Sheets", ""]
    lines += [
        f"- {number(p.target_lufs, 'LUFS')}: {plain(stem_of(stem, p.target_lufs))}.sheet.html, .md, .json"
        for p in curve.points
    ]
    return "\n".join([*lines, "", CAUTION]) + "\n"
