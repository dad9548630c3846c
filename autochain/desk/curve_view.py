"""How loud: what every loudness costs, as the control that chooses one."""

from typing import Any

from autochain.curve.picture import CostLine, PointLink, cost_picture
from autochain.desk.facts import CurveFacts, CurvePoint, SongFacts
from autochain.desk.words import takes_words
from autochain.units import number

_PICTURE = (
    "Score against loudness, lower is better: the best settings found (line), limiter alone (dashes), trade default "
    "(dots); upright: the wanted loudness."
)
_HOW = "Press a dot to take its settings."
_SIZE = (600.0, 180.0)


def loud_part(facts: SongFacts) -> dict[str, Any]:
    """The curve as far as it is found, or what it takes to find it."""
    curve = facts.curve
    return {
        "picture": "" if curve is None or not _drawable(curve) else _picture(curve, facts.target_lufs),
        "caption": f"{_PICTURE} {_HOW}",
        "complete": curve is not None and curve.complete,
        "ceiling": "" if curve is None else _other_ceiling(curve.ceiling_dbtp, facts.ceiling_dbtp),
        "statement": () if curve is None else curve.statement,
        "found": 0 if curve is None else sum(one.met is not None for one in curve.points),
        "of": 0 if curve is None else len(curve.points),
        "takes": takes_words(facts.takes.get("curve")),
        "running": curve is not None and curve.running,
    }


def _other_ceiling(of_curve_dbtp: float | None, wanted_dbtp: float) -> str:
    """What to know of a curve that was found with another ceiling than the one that is wanted now."""
    if of_curve_dbtp is None or of_curve_dbtp == wanted_dbtp:
        return ""
    found, wanted = number(of_curve_dbtp, "dBTP"), number(wanted_dbtp, "dBTP")
    return f"These were found with a ceiling of {found}; yours is {wanted} now. A dot brings its own ceiling along."


def _drawable(curve: CurveFacts) -> bool:
    """Whether there is anything to see: with no score a picture is an empty frame."""
    return len(curve.points) > 1 and any(one.score is not None for one in curve.points)


def _picture(curve: CurveFacts, wanted_lufs: float) -> str:
    points = curve.points
    series = [
        CostLine(kind="third", values=[one.trade_score for one in points]),
        CostLine(kind="second", values=[one.limiter_score for one in points]),
        CostLine(kind="line", values=[one.score if one.met is not False else None for one in points]),
    ]
    links = [
        PointLink(href="", words=_words(one, chosen=abs(one.lufs - wanted_lufs) < 0.05), name=f"point{k}")
        for k, one in enumerate(points)
    ]
    at = [one.lufs for one in points]
    return cost_picture(
        _PICTURE, "score", at, series, links, curve.knee_lufs, size=_SIZE, wanted_lufs=wanted_lufs
    )


def _words(point: CurvePoint, *, chosen: bool) -> str:
    parts = [number(point.lufs, "LUFS"), "" if point.score is None else f"score {number(point.score, decimals=2)}"]
    return ", ".join(filter(None, [*parts, point.words, "the wanted loudness" if chosen else ""]))
