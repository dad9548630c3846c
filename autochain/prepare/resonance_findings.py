"""What is said of resonances: by the check as findings, by the preparation of a search in its notes."""

from autochain.prepare.corrective import CorrectionRules, Dose, doses
from autochain.prepare.finding import Finding
from autochain.prepare.resonances import Resonance
from autochain.units import clock, number

# Names of ranges, not measures of their own: what is measured is how far a narrow range stands out of the song's
# smoothed spectrum. Common practice, no source.
_BOOM_HZ, _MUD_HZ, _HARSH_HZ = 150.0, (150.0, 500.0), (2000.0, 6000.0)


def resonance_findings(resonances: tuple[Resonance, ...], rules: CorrectionRules) -> tuple[Finding, ...]:
    """One finding each: the mix goes back where `suggest` would send it back, too; the rest are remarks."""
    return tuple(
        Finding(
            code="resonance",
            text=description(dose.resonance),
            suggestion=_suggestion(dose),
            value=dose.resonance.excess_db,
            unit="dB",
            usual=dose.resonance.usual_db,
            channels="both" if dose.resonance.channel == "stereo" else dose.resonance.channel,
            freq_hz=dose.resonance.freq_hz,
            q=dose.resonance.q,
            certainty=dose.certainty,
            times_s=dose.resonance.times_s,
            sends_back=dose.back_to_mix,
        )
        for dose in doses(resonances, rules)
    )


def description(resonance: Resonance) -> str:
    """One sentence: where, how wide, in which channel, by how much and when."""
    where = "both channels" if resonance.channel == "stereo" else f"the {resonance.channel}"
    when = "all the time"
    if resonance.passing:
        when = f"{number(100.0 * resonance.share, '%', 0)} of the time"
    return (
        f"{_kind(resonance.freq_hz)} at {number(resonance.freq_hz, 'Hz', 0)} (q {number(resonance.q, decimals=0)}) in "
        f"{where}: it stands {number(resonance.excess_db, 'dB')} out of the song's own smoothed spectrum, {when}."
    )


def strongest_at(resonance: Resonance) -> str:
    """Sentence with the times of a passing one; empty for a standing one."""
    times = ", ".join(clock(t) for t in resonance.times_s)
    return f" Most at {times}." if times else ""


def back_to_mix(dose: Dose) -> str:
    """What to do in the mix about one that is certain."""
    most_db = min(dose.full_cut_db, _MOST_ADVICE_DB)
    cut = f"cut up to {number(most_db, 'dB')} there in the track it comes from, by ear"
    if dose.full_cut_db > _MOST_ADVICE_DB:
        return f"That is a matter of the mix, but this may be the music itself: listen first, then {cut}."
    return f"Better still, {cut}."


# No figure above this is advised: a hump that would need more is as often a voice's formant or a held tone. A limit
# of this project.
_MOST_ADVICE_DB = 6.0
_DOUBTFUL = "It may as well be notes that never pause: sweep a narrow cut there by ear before you believe it."
_LIKELY = "This may be the music itself: sweep a narrow cut there by ear before you believe it."


def _suggestion(dose: Dose) -> str:
    if not dose.cut_db and not dose.back_to_mix:
        return doubt(dose)
    return back_to_mix(dose)


def doubt(dose: Dose) -> str:
    """What to do about one that is not cut."""
    return _DOUBTFUL if dose.certainty == "doubtful" else _LIKELY


def _kind(freq_hz: float) -> str:
    if freq_hz < _BOOM_HZ:
        return "Boom"
    if _MUD_HZ[0] <= freq_hz <= _MUD_HZ[1]:
        return "Mud"
    return "Harshness" if _HARSH_HZ[0] <= freq_hz <= _HARSH_HZ[1] else "A resonance"
