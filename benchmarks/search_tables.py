"""Tables of `bench_search.py`: what the score, the raw terms and the outside judges say, cell by cell and summed up."""

import statistics
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from judges.verdict import OUTCOMES, verdict
from report import table

from autochain.search.costs import COST_NAMES

SUGGESTION = "suggestion"
CHAINS = {
    "limiter_only": "limiter alone, tuned",
    "clip_and_limit": "clip and limit, tuned",
    "trade_default": "trade default",
    "fast_limiter": "fast limiter (1.5/5 ms)",
    "soft_clip_and_limiter": "fixed soft clip, 3/60 ms limiter",
    "random": "random search, same trials",
    "random_more": "random search, 5 times the trials",
    "random_tuned": "random search from the tuned baselines, same trials",
}
MUST_BEAT = ("limiter_only", "clip_and_limit", "trade_default", "fast_limiter", "soft_clip_and_limiter")
RAW_MARGIN_DB = 0.2
SAME_SCORE = 0.02  # closer than this counts as neither ahead nor behind

Row = Mapping[str, Any]
Cells = Sequence[Row]


def met(row: Row, chain: str) -> bool:
    """Whether the suggestion and this chain both reached the target."""
    chains = row["chains"]
    return chain in chains and chains[chain]["met"] and chains[SUGGESTION]["met"]


def middle(values: Iterable[float]) -> str:
    """Median with the range."""
    found = sorted(values)
    if not found:
        return "–"
    return f"{statistics.median(found):.2f} ({found[0]:.2f} to {found[-1]:.2f})"


def score_ahead(row: Row, chain: str) -> float:
    """By how much the suggestion's score is lower."""
    return float(row["chains"][chain]["score"] - row["chains"][SUGGESTION]["score"])


def cost_gain(row: Row, chain: str, name: str) -> float:
    """By how many dB a raw term of the suggestion is lower."""
    return float(row["chains"][chain]["costs"][name] - row["chains"][SUGGESTION]["costs"][name])


def outcome(row: Row, chain: str) -> str:
    """What the judges say together."""
    return verdict(row["chains"][SUGGESTION]["judges"], row["chains"][chain]["judges"])


def score_table(rows: Cells) -> str:
    """Scores of all chains by target, and how often the suggestion is ahead."""
    body = []
    for chain, name in CHAINS.items():
        held = [row for row in rows if met(row, chain)]
        missed = sum(chain in row["chains"] and not row["chains"][chain]["met"] for row in rows)
        ahead = [score_ahead(row, chain) for row in held]
        body.append(
            (
                name, len(held), missed, middle(row["chains"][chain]["score"] for row in held), middle(ahead),
                sum(a > SAME_SCORE for a in ahead), sum(abs(a) <= SAME_SCORE for a in ahead),
                sum(a < -SAME_SCORE for a in ahead),
            )
        )  # fmt: skip
    head = ("chain", "cells compared", "target missed", "its score", "suggestion ahead by", "ahead", "same", "behind")
    return table(head, body)


def cell_score_table(rows: Cells) -> str:
    """Median score per character and target."""
    body = [
        (
            character, f"{lufs:g}",
            middle(row["chains"][SUGGESTION]["score"] for row in group if row["chains"][SUGGESTION]["met"]),
            *(middle_only(row["chains"][chain]["score"] for row in group if met(row, chain)) for chain in CHAINS),
            ", ".join(sorted({row["stats"]["chosen_from"] for row in group})),
        )
        for (character, lufs), group in grouped(rows)
    ]  # fmt: skip
    return table(("mix", "LUFS", SUGGESTION, *CHAINS.values(), "chosen from"), body)


def middle_only(values: Iterable[float]) -> str:
    """Median alone."""
    found = list(values)
    return f"{statistics.median(found):.2f}" if found else "–"


def grouped(rows: Cells) -> list[tuple[tuple[str, float], list[Row]]]:
    """Cells of one character and target, over seeds."""
    keys = dict.fromkeys((row["character"], row["lufs"]) for row in rows)
    return [(key, [row for row in rows if (row["character"], row["lufs"]) == key]) for key in sorted(keys)]


def raw_table(rows: Cells) -> str:
    """Raw terms of the suggestion, and by how much they are lower than a chain's."""
    body = []
    for name in COST_NAMES:
        mine = [row["chains"][SUGGESTION]["costs"][name] for row in rows if row["chains"][SUGGESTION]["met"]]
        gains = (middle(cost_gain(row, chain, name) for row in rows if met(row, chain)) for chain in MUST_BEAT)
        spread = [row["stats"]["spread"][name] for row in rows if name in row["stats"]["spread"]]
        body.append((name, middle(mine), *gains, middle_only(high - low for low, high in spread)))
    head = ("term", SUGGESTION, *(f"lower than {CHAINS[c]} by" for c in MUST_BEAT), "spread over a search's trials")
    return table(head, body)


def worse_table(rows: Cells) -> str:
    """Cells in which a raw term is worse than a chain's by more than the margin."""
    body = []
    for name in COST_NAMES:
        counts = []
        for chain in MUST_BEAT:
            held = [row for row in rows if met(row, chain)]
            counts.append(f"{sum(cost_gain(row, chain, name) < -RAW_MARGIN_DB for row in held)} of {len(held)}")
        body.append((name, *counts))
    return table(("term", *(CHAINS[c] for c in MUST_BEAT)), body)


def paid_for(rows: Cells, chain: str) -> str:
    """What the suggestion got where it gave up more than the margin: the terms it gained most score on."""
    reasons: dict[str, Counter[str]] = {}
    for row in rows:
        if not met(row, chain):
            continue
        gains = {name: cost_gain(row, chain, name) for name in COST_NAMES}
        weighed = {name: gains[name] * row["weights"][name] for name in COST_NAMES}
        best = max(weighed, key=lambda name: weighed[name])
        for name, gain in gains.items():
            if gain < -RAW_MARGIN_DB:
                reasons.setdefault(name, Counter())[best] += 1
    return "; ".join(
        f"{name}: for {', '.join(f'{best} ({count})' for best, count in won.most_common(2))}"
        for name, won in reasons.items()
    )


def judges_table(rows: Cells) -> str:
    """What the two judges say together, per chain to beat."""
    body = []
    for chain in MUST_BEAT:
        held = [row for row in rows if met(row, chain)]
        counts = Counter(outcome(row, chain) for row in held)
        both = [(row["chains"][chain]["judges"], row["chains"][SUGGESTION]["judges"]) for row in held]
        gains = [other["nmr_db"] - mine["nmr_db"] for other, mine in both]
        ratios = [other["distance"] / mine["distance"] for other, mine in both]
        body.append((CHAINS[chain], *(counts[o] for o in OUTCOMES), middle(gains), middle(ratios)))
    head = ("suggestion against", *OUTCOMES, "noise-to-mask lower by (dB)", "distance smaller by a factor of")
    return table(head, body)


def judges_by_cell(rows: Cells) -> str:
    """Both readings per character and target: medians over seeds, and the outcomes."""
    marks = {"better": "+", "alike": "=", "mixed": "~", "worse on one": "-", "worse on both": "--"}

    def reading(group: list[Row], chain: str) -> str:
        held = [row for row in group if met(row, chain)]
        if not held:
            return "–"
        judged = [row["chains"][chain]["judges"] for row in held]
        nmr = statistics.median(j["nmr_db"] for j in judged)
        distance = statistics.median(j["distance"] for j in judged) * 1e4
        signs = "" if chain == SUGGESTION else " " + " ".join(marks[outcome(row, chain)] for row in held)
        return f"{nmr:.1f} / {distance:.2f}{signs}"

    body = [
        (character, f"{lufs:g}", *(reading(group, chain) for chain in (SUGGESTION, *MUST_BEAT)))
        for (character, lufs), group in grouped(rows)
    ]
    return table(("mix", "LUFS", SUGGESTION, *(CHAINS[c] for c in MUST_BEAT)), body)


def summary(rows: Cells) -> str:
    """The answer in sentences."""
    total = len(rows)
    reached = sum(row["chains"][SUGGESTION]["met"] for row in rows)
    returned = sum(row["stats"]["chosen_from"] != SUGGESTION for row in rows)
    lines = [f"{total} cells; the target was reached in {reached}. In {returned} the search gave back a baseline."]
    for chain in ("limiter_only", "trade_default", "random", "random_more", "random_tuned"):
        ahead = [score_ahead(row, chain) for row in rows if met(row, chain)]
        if ahead:
            lines.append(
                f"On the score the suggestion is ahead of {CHAINS[chain]} in {sum(a > SAME_SCORE for a in ahead)} of "
                f"{len(ahead)} cells, level in {sum(abs(a) <= SAME_SCORE for a in ahead)}, by {middle(ahead)}."
            )
    pairs = [outcome(row, chain) for row in rows for chain in MUST_BEAT if met(row, chain)]
    counts = Counter(pairs)
    said = ", ".join(f"{counts[o]} {o}" for o in OUTCOMES)
    lines.append(f"Outside judges, {len(pairs)} comparisons with the five chains to beat: {said}.")
    best = [min(score_ahead(row, chain) for chain in MUST_BEAT if met(row, chain)) for row in rows
            if any(met(row, chain) for chain in MUST_BEAT)]  # fmt: skip
    lines.append(f"Beyond the best of the five, by score: {middle(best)}.")
    return "\n".join(f"- {line}" for line in lines)


def page(rows: Cells) -> str:
    """The whole result."""
    if not rows:
        return "No cells yet."
    seconds, budget = rows[0]["seconds"], rows[0]["budget"]
    codes = Counter(row["code"] for row in rows)
    mixed_code = "" if len(codes) == 1 else f" Cells of {len(codes)} states of the code: {dict(codes)}."
    reasons = "\n".join(f"- {CHAINS[c]}: {text}" for c in MUST_BEAT if (text := paid_for(rows, c)))
    sections: list[tuple[str, Callable[[Cells], str]]] = [
        ("Score", score_table),
        ("Score by mix and target, medians over seeds", cell_score_table),
        ("Outside judges, counted", judges_table),
        ("Outside judges by mix and target: noise-to-mask (dB) / distance (1e-4), one sign per seed", judges_by_cell),
        ("Raw terms, median (range)", raw_table),
        (f"Cells in which a raw term is worse by more than {RAW_MARGIN_DB:g} dB", worse_table),
    ]
    parts = [
        f"Mixes of {seconds:g} s at 48 kHz, {budget} trials. Lower is better in every figure; `+` the suggestion is "
        "better, `=` alike, `~` better by one judge and worse by the other, `-` worse by one, `--` by both. "
        f"Margins and protocol: `judges/`.{mixed_code}",
        summary(rows),
        *(f"## {title}\n\n{tell(rows)}" for title, tell in sections),
        f"What a term was given up for (largest gain in score in those cells):\n\n{reasons or 'nothing'}",
    ]
    return "\n\n".join(parts)
