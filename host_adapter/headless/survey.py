"""Survey a recording: flags, evidence, finding, what trusting the flag would clip, remedy. Reads only."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...kernels.encoding import Channel, Model, Range
from ...kernels.tally import share_above, share_below
from .errors import Problem
from .evidence import FRAMES, Evidence, gather
from .finding import Finding, judge
from .media import Info, Recording
from .opening import open_recording
from .past import past_json
from .remedy import FINISHED, Remedy, choose
from .words import PROFILES

TOLD_BY_TRANSFER = {"arib-std-b67": "hlg", "smpte2084": "pq", "log100": "log", "log316": "log"}
"""Transfer characteristics that tell the kind of picture. BT.709 and its like tell nothing: much log is flagged so."""

DISPLAY_TRANSFERS = {"bt709", "smpte170m", "smpte240m", "bt2020-10", "bt2020-12", "gamma22", "gamma28", "iec61966-2-1"}


@dataclass(frozen=True, slots=True)
class Record:
    """What a survey found; `to_json` is the form that leaves the program.

    evidence : None for floating-point stills, which hold levels and have no range
    trusted : what an editor takes the recording for
    agrees : True or False where there is a finding, None where it is open
    clipped_if_trusted : shares of the luma (or R', G', B') pixels under and over what the flag allows
    """

    info: Info
    profile: str | None
    curve: str | None
    trusted: Range
    finding: Finding
    agrees: bool | None
    clipped_if_trusted: dict[str, float]
    remedy: Remedy
    evidence: Evidence | None = field(repr=False)

    @property
    def why(self) -> list[str]:
        """The reasons for finding and remedy."""
        return [*self.finding.why, *self.remedy.why]

    def to_json(self) -> dict[str, Any]:
        """The record as plain values."""
        info, tag = self.info, self.info.tag
        evidence: dict[str, Any] = {} if self.evidence is None else self.evidence.to_json()
        evidence["probability_full"] = round(self.finding.leaning, 4)
        evidence["signs"] = [
            {"rule": sign.rule, "weight": round(sign.weight, 3), "why": sign.why} for sign in self.finding.signs
        ]
        return {
            "path": str(info.path),
            "codec": info.codec,
            "container": info.container,
            "width": info.width,
            "height": info.height,
            "frames": info.frames,
            "depth": info.depth,
            "model": info.model.value,
            "sampling": info.sampling,
            "transfer": info.transfer,
            "profile": self.profile,
            "curve": self.curve,
            "tag": {
                "container": None if tag.container is None else tag.container.label,
                "stream": None if tag.stream is None else tag.stream.label,
                "expressible": tag.expressible,
            },
            "trusted": self.trusted.label,
            "finding": self.finding.label,
            "agrees": self.agrees,
            "confidence": self.finding.confidence,
            "why": self.why,
            "settle": self.finding.settle,
            "clipped_if_trusted": dict(self.clipped_if_trusted),
            "remedy": self.remedy.name,
            "proposal": dict(self.remedy.proposal),
            "price": dict(self.remedy.price),
            "alternatives": dict(self.remedy.alternatives),
            "history": past_json(None if self.evidence is None else self.evidence.past),
            "evidence": evidence,
        }


def survey(
    source: Path | str | Recording, *, frames: int = FRAMES, curve: str | None = None, profile: str | None = None
) -> Record:
    """Survey one recording.

    source : path of a movie or of numbered stills, or a recording that is open already (and stays open)
    frames : how many frames to sample over its whole length
    curve : name of a log curve that it is known to be in, as colour-science registers it
    profile : 'log' | 'display' | 'hlg' | 'pq' where known; else what the transfer characteristic tells. 'log' with a
        curve vouches that it is in that curve
    Raises: Problem where it cannot be read or the curve is unknown; ValueError naming a wrong argument.
    """
    if frames < 1:
        raise ValueError(f"frames must be at least 1, got {frames}")
    if profile is not None and profile not in PROFILES:
        raise ValueError(f"profile must be one of {', '.join(PROFILES)}, got {profile!r}")
    if curve is not None:
        from .curves import find_key

        curve = find_key(curve)  # before the work: a wrong name is not worth a wait
    if isinstance(source, str | Path):
        with open_recording(Path(source)) as recording:
            return _survey(recording, frames, curve, profile)
    return _survey(source, frames, curve, profile)


def survey_all(
    sources: Iterable[Path | str], *, frames: int = FRAMES, curve: str | None = None, profile: str | None = None
) -> Iterator[tuple[Path, Record | Problem]]:
    """Survey each recording in turn; one that cannot be surveyed does not stop the others.

    Yields: the path with its record, or with what stands in the way.
    """
    for source in sources:
        try:
            yield Path(source), survey(source, frames=frames, curve=curve, profile=profile)
        except Problem as problem:
            yield Path(source), problem
        except OSError as error:
            yield Path(source), Problem(source, f"it could not be read ({error.strerror or error})")


def trusted_range(info: Info) -> Range:
    """What an editor takes it for: its flag; unsaid, full for R'G'B' and narrow for the rest (common practice)."""
    if info.tag.container is None and info.tag.stream is None and info.model is Model.RGB:
        return Range.FULL
    return info.tag.trusted


def _survey(recording: Recording, frames: int, curve: str | None, profile: str | None) -> Record:
    info = recording.info
    kind = profile or ("log" if curve else TOLD_BY_TRANSFER.get(info.transfer or ""))
    flag = trusted_range(info)
    if info.depth is None:
        words = "it holds floating-point levels, not codes: there is no range to get wrong"
        levels = Finding(None, 0.0, [words], None, 0.5, ())
        unclipped = {"low": 0.0, "high": 0.0}
        return Record(info, kind, curve, flag, levels, None, unclipped, Remedy("none", {}, {}, {}), None)
    evidence = gather(recording, frames)
    finding = judge(evidence, info.tag, curve=curve, certain=profile == "log", trusted=flag)
    remedy = choose(info, finding, flag, kind, evidence.past)
    agrees = None if finding.finding is None else _agrees(finding.finding, info, flag)
    if remedy.name in ("lift", "rescale") and kind is None and info.transfer in DISPLAY_TRANSFERS:
        caution = (
            f"its transfer characteristic says {info.transfer}, which cameras write on log too: if it is a finished "
            f"picture, look at it before scaling it (--profile {next(iter(FINISHED))})"
        )
        remedy = Remedy(remedy.name, remedy.price, remedy.proposal, remedy.alternatives, (*remedy.why, caution))
    return Record(info, kind, curve, flag, finding, agrees, clipped_if_trusted(evidence, flag), remedy, evidence)


def _agrees(found: Range, info: Info, flag: Range) -> bool:
    said = [word for word in (info.tag.container, info.tag.stream) if word is not None] or [flag]
    return all(word is found for word in said)


def clipped_if_trusted(evidence: Evidence, flag: Range) -> dict[str, float]:
    """Shares of the luma (R', G', B') samples that a reader loses who takes the flag's black and white for the ends."""
    if flag is Range.FULL:
        return {"low": 0.0, "high": 0.0}
    narrow = evidence.encoding
    channel: Channel = evidence.tone_channels[0]
    tones = evidence.tones(evidence.pixels)
    return {"low": share_below(tones, narrow.black(channel)), "high": share_above(tones, narrow.white(channel))}
