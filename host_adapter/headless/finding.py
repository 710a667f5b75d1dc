"""What the codes are, how sure that is, and why: a pure function of the evidence and the flags.

The two ways of being wrong do not cost the same. Calling a right recording wrong costs somebody their footage, so going
against the flag takes far more than going along with it, and what lies between is undetermined.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...kernels.encoding import Range
from .curve_signs import curve_signs
from .curves import CurveBlack, curve_black
from .evidence import Evidence
from .media import Tag
from .past import TWICE, WORDS, past_signs
from .signs import RULES, Measured, Sign, sign_sum

AGREE = 0.8
"""Probability from which a finding that goes along with the flag is given."""
DISAGREE = 0.97
"""Probability from which a finding that goes against the flag is given."""
LEANS = 0.65
"""Probability from which evidence against the flag, too weak for a finding, is put to the person."""
SETTLE_TWICE = "another copy of the take, from before it was scaled a second time"


@dataclass(frozen=True, slots=True)
class Finding:
    """What the codes are.

    finding : None where the codes do not tell
    confidence : 0..1, the probability that the finding is right; 0 where there is none
    why : the reasons in words, those that weigh most first
    settle : what would settle an open one, else None
    leaning : probability of full, 0..1, by the evidence alone; 0.5 is no idea
    signs : the pieces of evidence behind it
    """

    finding: Range | None
    confidence: float
    why: list[str]
    settle: str | None
    leaning: float
    signs: tuple[Sign, ...]

    @property
    def label(self) -> str:
        """'narrow', 'full' or 'undetermined'."""
        return "undetermined" if self.finding is None else self.finding.label

    def against(self, flag: Range) -> float:
        """Probability, by the evidence alone, that the codes are not what the flag says."""
        return 1 - self.leaning if flag is Range.FULL else self.leaning


def judge(
    evidence: Evidence,
    tag: Tag,
    *,
    curve: str | CurveBlack | None = None,
    certain: bool = False,
    trusted: Range | None = None,
) -> Finding:
    """What the codes are.

    curve : name of a log curve of colour-science's registry that the recording is said to be in
    certain : the person vouches for that for this very recording, so it cannot be a finished picture
    trusted : what an editor takes the recording for; the tag's own word by default
    Raises: Problem where the registry has no such curve.
    """
    flag = tag.trusted if trusted is None else trusted
    measured = Measured(evidence)
    signs = [sign for rule in (*RULES, past_signs) for sign in rule(measured)]
    notes: list[str] = []
    if isinstance(curve, str):
        black = curve_black(curve, evidence.depth, evidence.model)
        if black is None:
            notes.append(f"{curve} has no black of its own, so it tells nothing about the range")
    else:
        black = curve
    if black is not None:
        signs.extend(curve_signs(measured, black, certain=certain))
    signs.sort(key=lambda sign: -abs(sign.weight))
    full = float(1 / (1 + np.exp(-sign_sum(signs))))
    likelier, probability = (Range.FULL, full) if full > 0.5 else (Range.NARROW, 1 - full)
    conflict = _conflict(tag)
    needed = AGREE if likelier is flag and not conflict else DISAGREE
    twice = evidence.past.scaled in TWICE  # codes of neither range, whatever the flag
    found = likelier if probability >= needed and not twice else None
    why = [sign.why for sign in signs] + notes
    if conflict:
        why.insert(0, conflict)
    if found is None:
        open_words = _open_words(flag, tag, 1 - full if flag is Range.FULL else full)
        why.append(f"codes {WORDS[evidence.past.scaled]} are of neither range" if twice else open_words)
    return Finding(
        found, round(probability, 4) if found is not None else 0.0, why,
        None if found is not None else SETTLE_TWICE if twice else _settle(evidence, black, certain), full, tuple(signs),
    )  # fmt: skip


def _conflict(tag: Tag) -> str | None:
    if tag.container is None or tag.stream is None or tag.container is tag.stream:
        return None
    container, stream = tag.container.label, tag.stream.label
    return f"its two flags contradict each other: the container says {container}, the stream {stream}"


def _open_words(flag: Range, tag: Tag, against: float) -> str:
    said = "the flag" if tag.container is not None or tag.stream is not None else f"being read as {flag.label}"
    if against >= LEANS:
        return f"that speaks against {said}, but not enough to call it wrong"
    return f"nothing in the codes contradicts {said}"


def _settle(evidence: Evidence, black: CurveBlack | None, certain: bool) -> str:
    capped = "a second recorded with the lens capped"
    if black is None:
        return f"--curve KEY if it is log; {capped}; or the camera's menu (levels, or luminance: 64-940 or 0-1023)"
    vouch = "" if certain else "--profile log if every recording named is in that curve; "
    return (
        f"{vouch}{capped} (black would be at code {black.narrow:.0f} in narrow, {black.full:.0f} in full), or the camera's "
        "menu (levels, or luminance range)"
    )
