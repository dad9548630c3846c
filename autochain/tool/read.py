"""From bounces to a tool: aligned, checked, fitted, and what the knobs mean."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from autochain.audio.mix import Mix
from autochain.errors import steers
from autochain.progress import Progress, silent
from autochain.tool import signal
from autochain.tool.align import Bounce, lay_beside
from autochain.tool.checks import check_path
from autochain.tool.fit_clipper import ClipperFit, fit_clipper
from autochain.tool.fit_compressor import CompressorFit, fit_compressor
from autochain.tool.fit_equaliser import EqualiserFit, fit_equaliser
from autochain.tool.fit_limiter import LimiterFit, fit_limiter
from autochain.tool.knobs import ToolKnob, parse_knobs, parse_settings
from autochain.tool.refusal import ToolError
from autochain.tool.signal import ToolKind
from autochain.tool.tool import BounceRead, Tool, plain_model

_LONGEST_NAME = 100  # of a file, with what goes behind it

Fit = CompressorFit | LimiterFit | ClipperFit | EqualiserFit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToolReading:
    """A tool, the fits it was made of, their bounces, and what is worth telling, one entry a bounce."""

    tool: Tool
    fits: tuple[Fit, ...]
    bounces: tuple[Bounce, ...]
    remarks: tuple[tuple[str, ...], ...]


def fitted(bounce: Bounce, kind: ToolKind) -> Fit:
    """Fit the kind of processor that it is said to be."""
    match kind:
        case "compressor":
            return fit_compressor(bounce)
        case "limiter":
            return fit_limiter(bounce)
        case "clipper":
            return fit_clipper(bounce)
        case "equaliser":
            return fit_equaliser(bounce)


def read_bounces(
    bounces: Sequence[Mix],
    kind: ToolKind,
    name: str,
    settings: Sequence[str],
    knobs: str = "",
    progress: Progress = silent,
) -> ToolReading:
    """Read a tool from its bounces.

    Parameters
    ----------
    bounces
        One or more, at different settings.
    kind, name
        What it is, and what the user calls it.
    settings
        What was set for each bounce, as `knobs.parse_settings` takes it.
    knobs
        Ends and steps, as `knobs.parse_knobs` takes them.

    Raises
    ------
    ToolError
        Something that does not hold, with the reason.
    """
    if len(settings) != len(bounces):
        raise ToolError(
            f"there are {len(bounces)} bounces and {len(settings)} --set. Give one --set for each bounce, in the same "
            "order."
        )
    odd = any(c in "/\\" or steers(c) for c in name)
    if odd or not name.strip() or name.startswith(".") or len(name) > _LONGEST_NAME:
        raise ToolError(f"--name {name!r} cannot name a file. Choose letters, such as --name bus1.")
    given = [parse_settings(kind, text) for text in settings]
    limits = parse_knobs(kind, knobs)
    roles = _roles([positions for positions, _, _ in given])
    for role in limits:
        if role not in roles:
            raise ToolError(f"--knobs tells of {role}, which no --set names. Add it to --set, as it stood.")
    read, fits, aligned, remarks = list[BounceRead](), list[Fit](), list[Bounce](), list[tuple[str, ...]]()
    for place, (mix, (positions, _, noted)) in enumerate(zip(bounces, given, strict=True)):
        progress(f"reading {mix.file}", place / len(bounces))
        bounce = lay_beside(mix, (kind, signal.ANYTHING))
        path = check_path(bounce, kind, mix.file)
        fit = fitted(bounce, kind)
        delay = bounce.delay_samples
        if isinstance(fit, EqualiserFit):
            delay -= fit.own_delay_samples
        read.append(
            BounceRead(
                file=mix.file, sha256=mix.sha256, rate_hz=mix.rate_hz, delay_samples=round(delay, 2),
                polarity=1 if bounce.polarity > 0 else -1, gain_db=round(path.gain_db, 3),
                residual_db=round(fit.residual_db, 4), programme_db=round(programme_db(fit), 3),
                knobs=positions, noted=noted, model=plain_model(fit.model),
            )
        )
        fits.append(fit)
        aligned.append(bounce)
        remarks.append(path.remarks)
    words = {role: word for _, own, _ in reversed(given) for role, word in own.items()}
    tool = Tool(
        name=name,
        kind=kind,
        test=aligned[0].test,
        bounces=tuple(read),
        # What comes out over full scale was not in fixed point.
        over_full_scale="passes" if any(np.abs(mix.samples).max() > 1.0 for mix in bounces) else "unknown",
        knobs={role: _knob(role, words[role], limits) for role in roles},
    )
    _ = tool.maps
    return ToolReading(tool=tool, fits=tuple(fits), bounces=tuple(aligned), remarks=tuple(remarks))


def programme_db(fit: Fit) -> float:
    """How far the model is off where nothing was fitted; of an equaliser its curve."""
    return fit.residual_db if isinstance(fit, EqualiserFit) else fit.programme_db


def _roles(positions: Sequence[Mapping[str, float]]) -> list[str]:
    """Knobs that every bounce names, in the order of the first."""
    first = list(positions[0])
    for other in positions[1:]:
        if set(other) != set(first):
            odd = sorted(set(other) ^ set(first))
            raise ToolError(f"--set names {odd[0]} for one bounce and not for another. Name the same knobs for each.")
    return first


def _knob(
    role: str, word: str, limits: Mapping[str, tuple[float | None, float | None, float, tuple[float, ...]]]
) -> ToolKnob:
    low, high, step, positions = limits.get(role, (None, None, 0.0, ()))
    return ToolKnob(role=role, word=word, low=low, high=high, step=step, positions=positions)
