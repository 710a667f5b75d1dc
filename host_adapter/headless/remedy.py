"""How a recording is to be mended, and what every way costs in codes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from ...kernels.encoding import Channel, Encoding, Range, map_code
from ...kernels.history import History
from ...kernels.scalings import Scaling
from .codecs import writable_depth
from .finding import LEANS, Finding
from .flags import place_of
from .media import Info
from .past import end_of, lost_before, undo_of

LIFT_BITS = 2
"""Two more bits hold every code of a rescale apart, so it can be undone exactly."""

FINISHED = {"display": "display-referred", "hlg": "HLG", "pq": "PQ"}
"""Kinds of picture that are not to be scaled on a guess."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """What is proposed.

    name : 'none' | 'retag' | 'lift' | 'rescale' | 'ask'
    price : what it costs, see `price`
    proposal : {'from', 'to', 'depth'} for a plan; empty where nothing is to be done
    alternatives : the price of each way that is open; 'undo' where the last of two scalings has to be taken back
    why : what is to be known about it, in words
    """

    name: str
    price: dict[str, Any]
    proposal: dict[str, Any]
    alternatives: dict[str, dict[str, Any]]
    why: tuple[str, ...] = ()


def channel_price(
    source: Encoding, target: Encoding, channel: Channel, scaling: Scaling | None = None
) -> dict[str, Any]:
    """The price of a change of encoding for one channel, counted over every code by the exact map.

    scaling : the history of the codes, where it is known; then only codes that it can have made are counted

    merged : codes that share their target with a neighbour, counted as codes less distinct targets, clipped ones apart
    missing : codes from the target's black to its white that none from the source's black to its white reaches, at the
        same depth. A deeper target leaves room between codes on purpose, which is no loss: 0
    clipped_low, clipped_high : codes past the target's first and last
    reversible : True where the way back gives every code again
    """
    return dict(_channel_price(source, target, channel, scaling))


@lru_cache(maxsize=64)
def _channel_price(
    source: Encoding, target: Encoding, channel: Channel, scaling: Scaling | None
) -> tuple[tuple[str, Any], ...]:
    used = range(source.maximum + 1) if scaling is None else sorted(set(scaling.mapped(channel).tolist()))
    mapped = [map_code(code, source, target, channel, clip=False) for code in used]
    low = sum(code < 0 for code in mapped)
    high = sum(code > target.maximum for code in mapped)
    inside = {code for code in mapped if 0 <= code <= target.maximum}
    clipped = [min(max(code, 0), target.maximum) for code in mapped]
    nominal = set(range(target.black(channel), target.white(channel) + 1))
    reached = {
        to for code, to in zip(used, clipped, strict=True) if source.black(channel) <= code <= source.white(channel)
    }
    gaps = len(nominal - reached) if target.depth == source.depth else 0
    back = [map_code(code, target, source, channel) for code in clipped]
    return (
        ("merged", len(mapped) - low - high - len(inside)),
        ("missing", gaps),
        ("clipped_low", low),
        ("clipped_high", high),
        ("reversible", back == list(used)),
    )


def price(source: Encoding, target: Encoding, scaling: Scaling | None = None) -> dict[str, Any]:
    """The price of a change of encoding: luma's (or R', G', B's) figures, and those of chroma beside them."""
    channels = source.channels()
    figures = channel_price(source, target, channels[0], scaling)
    result = {**figures, "depth": target.depth}
    if Channel.CHROMA in channels:
        result["luma"] = figures
        result["chroma"] = channel_price(source, target, Channel.CHROMA, scaling)
        result["reversible"] = figures["reversible"] and result["chroma"]["reversible"]
    return result


NOTHING: dict[str, Any] = {"merged": 0, "missing": 0, "clipped_low": 0, "clipped_high": 0, "reversible": True}


def alternatives(info: Info, found: Range, flag: Range) -> dict[str, dict[str, Any]]:
    """Prices of all the ways to make codes that are `found` and the flag agree."""
    source, target = info.encoding(found), info.encoding(flag)
    open_ways: dict[str, dict[str, Any]] = {}
    if _can_retag(info):
        open_ways["retag"] = {**NOTHING, "depth": source.depth}
    deeper = writable_depth(info, source.depth + LIFT_BITS)
    if deeper is not None:
        open_ways["lift"] = price(source, Encoding(deeper, flag, info.model))
    open_ways["rescale"] = price(source, Encoding(target.depth, flag, info.model))
    return open_ways


def _can_retag(info: Info) -> bool:
    """True where the flag of such a file can be changed; a Motion JPEG says it in every picture, so there it cannot."""
    place = place_of(info.container, info.codec)
    return info.tag.expressible and (place is None or place.patched)


def choose(info: Info, finding: Finding, flag: Range, profile: str | None, past: History | None = None) -> Remedy:
    """The remedy with the least loss.

    past : the scalings that the codes went through. What those took is named beside every price as 'lost_before', for no remedy
        brings it back

    An agreeing or open recording is left alone; an open one whose codes speak against the flag is put to the person
    (`ask`), as is one whose two flags contradict each other. A wrong flag is retagged where the file type can say it.
    Where it cannot, log is lifted, and a finished picture (display-referred, HLG, PQ) is put to the person: made narrow
    by mistake it stays flat.
    """
    if past is not None and past.found:
        return _with_past(_undo(info, past) or _choose(info, finding, flag, profile), finding, flag, past)
    return _choose(info, finding, flag, profile)


def _choose(info: Info, finding: Finding, flag: Range, profile: str | None) -> Remedy:
    said = (info.tag.container, info.tag.stream)
    conflict = None not in said and said[0] is not said[1]
    if finding.finding is None:
        if conflict or finding.against(flag) >= LEANS:
            return Remedy("ask", {}, {}, alternatives(info, Range(1 - flag), flag))
        return Remedy("none", {}, {}, {})
    found = finding.finding
    if found is flag:
        if conflict and _can_retag(info):
            return Remedy("retag", {**NOTHING}, _proposal(found, found, None), {"retag": {**NOTHING}})
        return Remedy("ask" if conflict else "none", {}, {}, {})
    ways = alternatives(info, found, flag)
    if "retag" in ways:
        return Remedy("retag", ways["retag"], _proposal(found, found, None), ways)
    if profile in FINISHED:
        words = (
            f"a {FINISHED[profile]} picture is not one to scale on a guess: make sure that its codes are "
            f"{found.label}, then lift it, or tell the editor by hand to read it as {found.label}"
        )
        return Remedy("ask", {}, {}, ways, (words,))
    name = "lift" if "lift" in ways else "rescale"
    file_type = f"{info.codec} in {info.container}"
    words = f"this file type ({file_type}) cannot say {found.label}, so readers take it for {flag.label}"
    depth = ways[name]["depth"] if name == "lift" else None
    return Remedy(name, ways[name], _proposal(found, flag, depth), ways, (words,))


def _undo(info: Info, past: History) -> Remedy | None:
    """Codes scaled twice: the last scaling is to be taken back, which a person decides, for the flag is not what is wrong."""
    undo = undo_of(past)
    if undo is None or info.depth is None:
        return None
    source, target = (Encoding(info.depth, each, info.model) for each in undo)
    scaling = past.scaling if past.padding is None else None  # its codes are those of another depth
    ways = {}
    deeper = writable_depth(info, info.depth + LIFT_BITS)
    if deeper is not None:
        ways["undo"] = price(source, Encoding(deeper, target.range, info.model), scaling)
    ways["undo, same depth"] = price(source, target, scaling)
    here, there = source.range.label, target.range.label
    how = (
        f"(footroom mend FILE --remedy undo --from {here}), which leaves them {here}"
        if deeper is not None
        else f"(footroom mend FILE --remedy rescale --from {here} --to {there}), and the result flagged {here} (--remedy retag --to {here})"
    )
    words = f"no flag puts that right: one scaling has to be taken back {how}. Another copy from before the second scaling is better"
    return Remedy("ask", {}, {}, ways, (words,))


def _with_past(remedy: Remedy, finding: Finding, flag: Range, past: History) -> Remedy:
    """The remedy with what the earlier scalings took, and with a word where it is an undo."""
    lost = lost_before(past)
    words = remedy.why
    if finding.finding is not None and finding.finding is end_of(past) and finding.finding is not flag:
        again = Range(1 - finding.finding).label
        fewer = past.scaling is not None and past.scaling.first_depth > past.scaling.depth
        kept = f", which brings the range back and not the {past.from_depth} bits" if fewer else ""
        words = (
            *words,
            f"it was scaled to {finding.finding.label} already: what it needs is the flag {finding.finding.label}, or that scaling "
            f"undone (--remedy undo --from {finding.finding.label} --to {again}{kept}), never a second scaling to {finding.finding.label}",
        )
    ways = {name: {**cost, "lost_before": lost} for name, cost in remedy.alternatives.items()}
    cost = {**remedy.price, "lost_before": lost} if remedy.price else {}
    return Remedy(remedy.name, cost, remedy.proposal, ways, words)


def _proposal(source: Range, target: Range, depth: int | None) -> dict[str, Any]:
    return {"from": source.label, "to": target.label, **({"depth": depth} if depth else {})}
