"""What a mix brings along for the work ahead: level, peaks, density, balance, mono, low end, asymmetry."""

from collections.abc import Iterator

import numpy as np

from autochain.measure.inspection import Inspection
from autochain.measure.loudness import SHORT_TERM_HOPS, centre_s
from autochain.measure.measurement import LOW_END_HZ
from autochain.prepare.finding import Finding
from autochain.prepare.limits import Limits
from autochain.units import number


def levels(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    """Findings of this kind."""
    yield from _loudness(seen, limits)
    yield from _true_peak(seen, limits)
    yield from _limited(seen, limits)
    yield from _imbalance(seen, limits)
    yield from _mono(seen, limits)
    yield from _low_end(seen, limits)
    yield from _subsonic(seen, limits)
    yield from _asymmetry(seen, limits)


def _loudness(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    lufs = seen.measured.figures.integrated_lufs
    band = f"{limits.quietest_lufs:g} to {limits.loudest_lufs:g} LUFS"
    if lufs is None:
        yield Finding(
            code="loudness",
            text="Nothing in the file is loud enough to have a loudness.",
            suggestion="Check what was exported.",
            value=None,
            unit="LUFS",
            sends_back=True,
        )
    elif not limits.quietest_lufs <= lufs <= limits.loudest_lufs:
        quiet = lufs < limits.quietest_lufs
        yield Finding(
            code="loudness",
            text=f"{number(lufs, 'LUFS')} is {'quiet' if quiet else 'loud'} for a mix; {band} are easy to work with.",
            suggestion="Turn it up at the output; a 24-bit file loses nothing."
            if quiet
            else "If a limiter or clipper sits on the mix bus, take it off; otherwise turn the mix down.",
            value=lufs,
            unit="LUFS",
        )


def _true_peak(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    peak = seen.measured.figures.true_peak_dbtp
    if peak is None or limits.lowest_peak_dbtp <= peak <= limits.highest_peak_dbtp:
        return
    over = peak > 0.0
    if peak < limits.lowest_peak_dbtp:
        text = f"The true peak of {number(peak, 'dBTP')} is lower than usual; nothing is lost by it in a 24-bit file."
        suggestion = "Leave it, or turn it up at the output."
    else:
        text = f"The true peak is {number(peak, 'dBTP', signed=over)}" + (", over full scale." if over else ".")
        down = number(peak - limits.highest_peak_dbtp, "dB")
        suggestion = f"Turn the mix down by {down} or more at the output and export it again, in 24 bit or float."
    yield Finding(code="true_peak", text=text, suggestion=suggestion, value=peak, unit="dBTP", sends_back=over)


def _limited(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    plr, density = seen.measured.figures.plr_db, seen.peak_density
    if plr is not None and plr < limits.least_plr_db:
        yield Finding(
            code="limited",
            text=f"The peak-to-loudness ratio is {number(plr, 'dB')}: the mix has been limited or clipped already.",
            suggestion="Take the limiter off the mix bus and export it again. As it is, it should only be turned down.",
            value=plr,
            unit="dB",
            times_s=() if seen.measured.series.psr.min_at_s is None else (seen.measured.series.psr.min_at_s,),
            sends_back=True,
        )
    elif density is not None and density > limits.peak_density:
        yield Finding(
            code="limited",
            text=f"{number(100.0 * density, '%', 0)} of the loud moments reach within 0.5 dB of the song's highest "
            "sample: peaks have been held there.",
            suggestion="If a limiter or clipper sits on the mix bus, supply a version without it.",
            value=100.0 * density,
            unit="%",
        )


def _imbalance(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    db = seen.measured.figures.channel_imbalance_db
    silent = seen.mono is not None and db is None
    if silent:
        yield Finding(
            code="imbalance",
            text="One of both channels is silent.",
            suggestion="Check routing and panning, and export the mix again.",
            value=None,
            unit="dB",
            sends_back=True,
        )
    elif db is not None and abs(db) > limits.imbalance_db:
        side = "left" if db > 0.0 else "right"
        yield Finding(
            code="imbalance",
            text=f"The {side} channel is {number(abs(db), 'dB')} louder over the whole song.",
            suggestion="Check pan positions and the balance of the mix bus; keep it if it is meant.",
            value=db,
            unit="dB",
            sends_back=abs(db) > limits.imbalance_revisit_db,
        )


def _mono(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    mono, whole = seen.mono, seen.measured.figures.correlation
    if mono is None or whole is None:
        return
    turned = whole < limits.correlation_revisit
    times = tuple(float(at) for at in mono.at_s[mono.correlation < limits.correlation_revisit])
    loss = -mono.loss_db
    if turned or loss > limits.mono_loss_db:
        yield Finding(
            code="mono_compatibility",
            text=f"In mono the mix loses {number(loss, 'dB') if loss < 60.0 else 'nearly everything'}; left and right "
            f"correlate at {number(whole, decimals=2, signed=True)}.",
            suggestion="Look for a channel or track with its polarity turned over, or a widener, in the mix."
            if turned
            else "Listen in mono for what disappears, and narrow it in the mix.",
            value=whole,
            unit="",
            times_s=times,
            sends_back=turned,
        )
    elif times:
        yield Finding(
            code="mono_compatibility",
            text="Here left and right work against each other for 3 s or longer "
            f"(correlation down to {number(float(mono.correlation.min()), decimals=2, signed=True)}).",
            suggestion="Listen there in mono; keep it if nothing important disappears.",
            value=float(mono.correlation.min()),
            unit="",
            times_s=times,
        )


def _low_end(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    low = seen.measured.figures.correlation_below_120_hz
    if low is not None and low < limits.low_end_correlation:
        yield Finding(
            code="low_end_width",
            text=f"Below {LOW_END_HZ:g} Hz left and right correlate at {number(low, decimals=2, signed=True)}: "
            "much of the bass is lost in mono.",
            suggestion="Narrow the bass in the mix, or check its polarity.",
            value=low,
            unit="",
        )


def _subsonic(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    db = seen.measured.figures.subsonic_db
    if db is not None and db > limits.subsonic_db:
        yield Finding(
            code="subsonic",
            text=f"The energy below 20 Hz lies {number(-db, 'dB')} under the whole.",
            suggestion="Cut it at 20 to 30 Hz where it comes from; it takes headroom that nobody hears.",
            value=db,
            unit="dB",
        )


def _asymmetry(seen: Inspection, limits: Limits) -> Iterator[Finding]:
    series, figures = seen.measured.series, seen.measured.figures
    db = figures.asymmetry_db
    if db is None or db <= limits.asymmetry_db:
        return
    side = "positive" if series.asymmetry.mean is not None and series.asymmetry.mean.polarity > 0 else "negative"
    loudest, at_s = _in_loudest_part(seen)
    there = "" if loudest is None else f", {number(loudest, 'dB')} in the loudest 3 s"
    yield Finding(
        code="asymmetry",
        text=f"In the loud parts the {side} peaks reach {number(db, 'dB')} further than the others{there}.",
        suggestion="A phase rotation may save that much limiting: `suggest` tries it and says what it saves.",
        value=db,
        unit="dB",
        times_s=() if at_s is None else (at_s,),
    )


def _in_loudest_part(seen: Inspection) -> tuple[float | None, float | None]:
    """Size of the asymmetry in the loudest 3 s, and the middle of that part."""
    short_term, lean = seen.measured.series.short_term_lufs, seen.measured.series.asymmetry
    if not short_term.size:
        return None, None
    start = int(short_term.argmax())
    inside = (lean.first_hops >= start) & (lean.first_hops < start + SHORT_TERM_HOPS)
    mean = float(abs(np.mean(lean.values_db[inside]))) if inside.any() else None
    return mean, centre_s(start, SHORT_TERM_HOPS)
