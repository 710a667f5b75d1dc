"""The vocabulary of the package: a place that holds the flag, what a file holds, and why a file cannot be read."""

from __future__ import annotations

from dataclasses import dataclass, field

from ....kernels.encoding import Range


class Damaged(Exception):  # noqa: N818  (as with Problem: the input's fault, not the program's)
    """The structure contradicts itself or ends early; the text says where, in words."""


class Unsupported(Exception):  # noqa: N818
    """The structure may be sound, but this package does not know it well enough to change a byte of it."""


class NoPlace(Exception):  # noqa: N818
    """The file type has nowhere to say its range."""


@dataclass(frozen=True, slots=True)
class Site:
    """Some bits of one byte of a file, which state the range or a part of it.

    offset : byte in the file
    mask : bits of that byte which hold the flag
    narrow, full : the byte's value under the mask for either range
    what : where that is, in words ('H.264 SPS in the avcC box')
    """

    offset: int
    mask: int
    narrow: int
    full: int
    what: str

    def value(self, byte: int) -> Range | None:
        """The range that a byte states; None where it is neither value (unspecified, as a rule)."""
        return {self.narrow: Range.NARROW, self.full: Range.FULL}.get(byte & self.mask)

    def put(self, byte: int, range_: Range) -> int:
        """The byte with the range stated in it, its other bits kept."""
        return (byte & ~self.mask & 0xFF) | (self.full if range_ is Range.FULL else self.narrow)


@dataclass(frozen=True, slots=True)
class Checksum:
    """A little-endian CRC-32 (polynomial of ISO 3309) that covers bytes which hold the flag.

    offset : its four bytes in the file
    start, end : the bytes it covers, end exclusive
    """

    offset: int
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Layout:
    """What a walk through a file found.

    container : 'mp4' | 'mov' | 'mkv' | 'webm' | 'mxf' | 'ts'
    codec : FFmpeg's name of the first video stream's codec
    sites : every place that states the range
    checksums : those that cover a site, inner ones before the ones around them
    lacking : places that ought to state the range and do not, in words; a patch would leave them silent
    """

    container: str
    codec: str
    sites: tuple[Site, ...]
    checksums: tuple[Checksum, ...] = ()
    lacking: tuple[str, ...] = ()


@dataclass(slots=True)
class Collector:
    """Gathers sites in the order in which they are found, each once."""

    sites: dict[tuple[int, int], Site] = field(default_factory=dict)
    checksums: list[Checksum] = field(default_factory=list)
    lacking: dict[str, None] = field(default_factory=dict)

    def add(self, site: Site) -> None:
        """Takes note of a place."""
        self.sites.setdefault((site.offset, site.mask), site)

    def bit(self, offset: int, bit: int, what: str) -> None:
        """Takes note of a one-bit flag with H.273's meaning (0 narrow, 1 full).

        offset : byte in the file at which counting starts; bit : bits from there, the most significant first
        """
        mask = 0x80 >> (bit & 7)
        self.add(Site(offset + (bit >> 3), mask, 0, mask, what))

    def lack(self, what: str) -> None:
        """Takes note of a place that ought to state the range and does not."""
        self.lacking.setdefault(what)

    def layout(self, container: str, codec: str) -> Layout:
        """What was found."""
        sites = tuple(sorted(self.sites.values(), key=lambda site: (site.offset, site.mask)))
        return Layout(container, codec, sites, tuple(self.checksums), tuple(self.lacking))
