"""What the page of one song shows: one function and one template a part, so that each part can be sent alone.

A part is the element of its id. Nothing is measured or searched here: facts become words, and numbers text.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from autochain.chain.chain import STAGES
from autochain.chain.settings import LIMITER
from autochain.desk.chain_view import chain_part
from autochain.desk.curve_view import loud_part
from autochain.desk.facts import ChoiceFacts, Known, SongFacts
from autochain.desk.fields import target_field
from autochain.desk.pages import blocks_html, folded, rendered, report_html
from autochain.desk.words import SIGNS, takes_words
from autochain.document.blocks import Block
from autochain.given import name_shown
from autochain.page.closeups import Looks
from autochain.page.findings_part import findings_shown, marks_of, strip_of
from autochain.page.pictures.song import song_picture
from autochain.render.formats import KINDS, RATES_HZ
from autochain.search.costs import terms
from autochain.sheet.findings import NOTHING, VERDICTS, kinds, listed
from autochain.sheet.words import CAUTION, COSTS, LISTEN_MODERATELY
from autochain.units import clock, number

_YOURS = "your settings"
_TERMS_TOLD = 3
_TERM_WORTH = 0.05  # points; less is not told
_SONG = (
    "The song: waveform of the mix, loudness before and after, and what every stage takes, these on one scale. A press "
    "plays from there."
)
_EARLIER = "Your settings have changed since; the picture follows when the whole song was verified."
_PLACES_TOLD, _SAME_PLACE_S = 3, 2.0
_WORTH_HEARING_DB = 0.5  # less taken is seldom heard
_SAME_LU = 0.15  # scores of versions further apart in loudness do not compare


def head_part(facts: SongFacts) -> dict[str, Any]:
    """Does it reach the target, what does it cost, and what is wrong with the mix."""
    beside = [one for one in _beside(facts) if not one.is_hand]
    return {
        "name": facts.files.name,
        "state": _state(facts.hand) if len(facts.settings) else "Settings come as soon as the mix has been measured.",
        "usual": bool(len(facts.settings)) and facts.suggestion is None and not facts.undo,
        "listen": _listen_first(facts),
        "no_limiter": bool(len(facts.settings)) and LIMITER not in facts.settings,
        "sign": SIGNS[{True: "ready", False: "revisit", None: "waiting"}[facts.hand.met]],
        "figures": _figures(facts.hand),
        "cost": _cost(facts),
        "beside": _told_beside([one for one in beside if one.score is not None], facts.hand),
        "mix": _mix(facts),
        "findings": "" if facts.checked is None else kinds(facts.checked.readiness.findings),
        "aims": [target_field("lufs", facts), target_field("ceiling_dbtp", facts)],
        "facts": facts,
        "search_takes": takes_words(facts.takes.get("search")),
        "around_takes": takes_words(facts.takes.get("around")),
    }


def _state(hand: Known) -> str:
    if hand.met is None:
        return "Not heard as a whole yet:"
    if not hand.exact:
        return "About on target:" if hand.met else "About off target:"
    return "Target reached:" if hand.met else "Target NOT reached:"


def _figures(hand: Known) -> str:
    """Loudness and peak in one line; what is an estimate says so."""
    about = "" if hand.exact else "about "
    part = hand.loudest_part_lufs
    loudest = "" if part is None else f"{about}{number(part, 'LUFS')} in the loudest 3 s"
    parts = [
        loudest if hand.lufs is None else f"{about}{number(hand.lufs, 'LUFS')}",
        "" if hand.true_peak_dbtp is None else f"{about}{number(hand.true_peak_dbtp, 'dBTP')}",
    ]
    return " at ".join(filter(None, parts))


def _cost(facts: SongFacts) -> str:
    """The score, and what most of it is: points of each cost."""
    hand = facts.hand
    if hand.score is None or hand.costs is None:
        return ""
    points = terms(hand.costs, facts.weights)
    most = sorted(points, key=lambda name: -points[name])[:_TERMS_TOLD]
    told = [f"{COSTS[name][0].strip()} {number(points[name])}" for name in most if points[name] >= _TERM_WORTH]
    score = f"Score {'' if hand.exact else 'about '}{number(hand.score, decimals=2)}"
    return f"{score}, of which {', '.join(told)}." if told else f"{score}."


def _listen_first(facts: SongFacts) -> list[dict[str, Any]]:
    """Where the stages take most: what there is to hear of them is heard there; places of several stages are one."""
    places: list[tuple[float, list[str]]] = []
    for name, meter in sorted(facts.meters.items(), key=lambda item: -abs(item[1].most_db)):
        at_s = meter.most_at_s
        if at_s is None or abs(meter.most_db) < _WORTH_HEARING_DB:
            continue
        near = next((own for own_s, own in places if abs(own_s - at_s) <= _SAME_PLACE_S), None)
        if near is None:
            places.append((at_s, near := []))
        verb = "adds" if meter.most_db < 0.0 else "takes"
        near.append(f"{facts.chain.stages[name].label} {verb} {number(abs(meter.most_db), 'dB')}")
    return [{"at_s": at_s, "time": clock(at_s), "words": ", ".join(own)} for at_s, own in places[:_PLACES_TOLD]]


def _beside(facts: SongFacts) -> list[Known]:
    """What your settings are compared with: the last kept version, the suggestion, the limiter alone."""
    return [one for one in (*facts.kept[:1], facts.suggestion, facts.limiter) if one is not None]


def choices_part(facts: SongFacts) -> dict[str, Any]:
    """What you choose without names, and whether searches go by it."""
    return {"choices": facts.choices or ChoiceFacts(sentences=("Nothing has been chosen yet.",), file="")}


def _told_beside(beside: Sequence[Known], hand: Known) -> str:
    """Scores of the others: those that are as loud first, and the rest by how loud they are."""
    at: dict[str, list[str]] = {}
    for one in sorted(beside, key=lambda one: not _as_loud(one, hand)):
        where = "Beside it" if _as_loud(one, hand) else f"At {number(one.lufs, 'LUFS')}"
        at.setdefault(where, []).append(f"{one.name} {number(one.score, decimals=2)}")
    return " ".join(f"{where}: {', '.join(told)}." for where, told in at.items())


def _as_loud(one: Known, hand: Known) -> bool:
    return one.lufs is not None and hand.lufs is not None and abs(one.lufs - hand.lufs) <= _SAME_LU


def _mix(facts: SongFacts) -> dict[str, str]:
    if facts.checked is None:
        return {"sign": SIGNS["waiting"], "words": "The mix is being checked"}
    figures, verdict = facts.checked.measurement, facts.checked.readiness.verdict
    told = (
        f"The mix: {number(figures.integrated_lufs, 'LUFS')}, {number(figures.true_peak_dbtp, 'dBTP')}, "
        f"{clock(facts.duration_s)} long; {VERDICTS[verdict]}"
    )
    return {"sign": SIGNS[verdict], "words": told}


def found_part(facts: SongFacts) -> dict[str, Any]:
    """What was found in the mix, each finding seen and heard."""
    if facts.checked is None:
        return {"summary": "being looked at", "blocks": "", "sends_back": False}
    found, verdict = facts.checked.readiness.findings, facts.checked.readiness.verdict
    blocks = list(listed(found)) if facts.looks is None else list(_seen(facts.looks))
    return {
        "summary": f"{VERDICTS[verdict]}: {kinds(found)}" if found else NOTHING,
        "blocks": blocks_html(blocks) if found else "",
        "sends_back": verdict == "revisit",
        "caution": LISTEN_MODERATELY,
    }


def _seen(looks: Looks) -> Iterator[Block]:
    yield from strip_of(looks)
    yield from findings_shown(looks, {}, folded=True)


def costs_part(facts: SongFacts) -> dict[str, Any]:
    """Costs of your settings beside the last kept version, the suggestion and the limiter alone."""
    beside = [facts.hand, *(one for one in _beside(facts) if not one.is_hand)]
    heads = [_YOURS if one is facts.hand else one.name for one in beside]
    compared = [one for one in beside if one.score is not None and one.met and _as_loud(one, facts.hand)]
    least = min((one.score for one in compared if one.score is not None), default=None) if len(compared) > 1 else None
    rows = []
    for name, (label, unit, decimals, meaning) in COSTS.items():
        weight = getattr(facts.weights, name)
        if weight or label.startswith(" "):
            values = [None if one.costs is None else getattr(one.costs, name) for one in beside]
            cells = [number(value, decimals=decimals) for value in values]
            rows.append({"label": label.strip(), "unit": unit, "meaning": meaning, "cells": cells})
    return {
        "known": any(one.costs is not None for one in beside),
        "heads": heads,
        "about": [one.costs is not None and not one.exact for one in beside],
        "scores": [
            {
                "text": number(one.score if one.met is not False else None, decimals=2),
                "least": one in compared and one.score == least,
            }
            for one in beside
        ],
        "loudness": [number(one.lufs) for one in beside],
        "peaks": [number(one.true_peak_dbtp) for one in beside],
        "rows": rows,
    }


def time_part(facts: SongFacts) -> dict[str, Any]:
    """The song on one axis of time, and where to listen."""
    looks, course = facts.looks, facts.course
    picture = ""
    if course is not None:
        marks = [] if looks is None else marks_of(looks)
        picture = song_picture(_SONG, course, marks, [(0.0, facts.duration_s)], _YOURS)
    listen = [
        {
            "label": STAGES[entry.stage].label,
            "times": [{"at_s": at_s, "words": clock(at_s)} for at_s in entry.cues_s],
            "words": "; ".join(entry.listen_for),
        }
        for entry in (facts.sheet.stages if facts.sheet is not None else ())
        if entry.listen_for and entry.stage in facts.settings
    ]
    caption = _SONG if facts.course_is_now else f"{_SONG} {_EARLIER}"
    return {"picture": picture, "caption": caption, "listen": listen}


def kept_part(facts: SongFacts) -> dict[str, Any]:
    """Versions that can be taken under the hand, and how to make another."""
    return {
        "versions": [
            {
                "key": one.key,
                "name": one.name,
                "figures": ", ".join(
                    filter(
                        None,
                        (
                            "" if one.lufs is None else number(one.lufs, "LUFS"),
                            "" if one.true_peak_dbtp is None else number(one.true_peak_dbtp, "dBTP"),
                            "" if one.score is None else f"score {number(one.score, decimals=2)}",
                        ),
                    )
                ),
                "own": one in facts.kept,
                "settable": one.settable,
            }
            for one in (*facts.kept, facts.suggestion, facts.limiter)
            if one is not None
        ],
        "next_name": _next_name([one.name for one in facts.kept]),
    }


def _next_name(taken: Sequence[str]) -> str:
    """A name that none has yet."""
    return next(name for k in range(1, len(taken) + 2) if (name := f"version {k}") not in taken)


def out_part(facts: SongFacts) -> dict[str, Any]:
    """The files that go out, and the report on those that went."""
    named = {
        "wav24": "WAV, 24 bit", "wav16": "WAV, 16 bit", "flac24": "FLAC, 24 bit", "flac16": "FLAC, 16 bit",
        "mp3": "MP3, 320 kbit/s", "vorbis": "Ogg Vorbis, quality 8", "opus": "Opus, 192 kbit/s",
    }  # fmt: skip
    return {
        "formats": [
            {"value": name, "words": named[name], "always": name == "wav24", "sized": bool(kind.bits)}
            for name, kind in KINDS.items()
        ],
        "rates": [rate for rate in RATES_HZ if rate != facts.rate_hz],
        "takes": takes_words(facts.takes.get("deliver")),
        "report": "" if facts.delivery is None else folded(report_html(facts.delivery)),
        "there": facts.files.state in ("master", "delivered"),
        "out": name_shown(str(facts.files.out)),
    }


def bounces_part(facts: SongFacts) -> dict[str, Any]:
    """Files of the user's own, each with its comparison."""
    return {
        "bounces": [
            {
                "key": one.key,
                "name": one.name,
                "report": "" if one.report is None else report_html(one.report),
                "judges": one.judges,
                "judged_by": one.judged_by,
            }
            for one in facts.bounces
        ]
    }


def references_part(facts: SongFacts) -> dict[str, Any]:
    """References for tone."""
    return {"references": facts.references}


_PARTS: Mapping[str, Callable[[SongFacts], dict[str, Any]]] = {
    "head": head_part,
    "found": found_part,
    "chain": chain_part,
    "loud": loud_part,
    "costs": costs_part,
    "time": time_part,
    "kept": kept_part,
    "references": references_part,
    "choices": choices_part,
    "out": out_part,
    "bounces": bounces_part,
}
PARTS = tuple(_PARTS)  # in the order in which one works
_SET = ("head", "loud", "chain", "costs", "kept")
TOUCHED: Mapping[str, tuple[str, ...]] = {
    "turn": ("head", "chain", "costs"),
    "switch": ("head", "chain", "costs"),
    "lock": ("chain",),
    "aim": _SET,
    "undo": _SET,
    "redo": _SET,
    "keep": ("head", "costs", "kept"),
    "rename": ("head", "costs", "kept"),
    "take": _SET,
    "drop": ("head", "costs", "kept", "bounces"),
    "search": ("head",),
    "curve": ("loud",),
    "point": _SET,
    "stop": ("head", "loud"),
    "deliver": ("out",),
    "compare": ("bounces",),
    "reference": ("references",),
    "by_choices": ("choices",),
    "told": ("choices",),
}


def fragment(part: str, facts: SongFacts) -> str:
    """The element of that part as HTML."""
    return rendered(f"{part}_part.html", **_PARTS[part](facts))


def fragments(parts: Iterable[str], facts: SongFacts) -> dict[str, str]:
    """Several parts by id."""
    return {part: fragment(part, facts) for part in parts}


def song_page(facts: SongFacts, player: Mapping[str, Any]) -> str:
    """The whole page; `player` is what its scripts read: song, rate_hz, channels, frames, versions."""
    parts = {part: Markup(one) for part, one in fragments(PARTS, facts).items()}
    return rendered("song.html", name=facts.files.name, parts=parts, facts=player, caution=CAUTION)
