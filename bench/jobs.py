"""Whole jobs against the ffmpeg program doing the same, in one run: wall time of whole processes, and their ratio.

Ours does more than the peer: it surveys before it scales, decodes the whole result again to hold every code against the
kernel, and sums both files for the receipt. The second figure leaves that out (the pipeline alone).

    .venv/bin/python bench/jobs.py [--smoke]
"""

from __future__ import annotations

import argparse
import contextlib
import io
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import av
import numpy as np

from footroom.host_adapter.headless.change import Change
from footroom.host_adapter.headless.codecs import choose_codec
from footroom.host_adapter.headless.demo.scene import harbour, log_signal, planes
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.writing import transform
from footroom.kernels import Dither, Encoding, Range

SIZES = {"640x360": 1, "1920x1080": 3}
SOURCES = {
    "h264": ("libx264", {"crf": "16", "preset": "veryfast"}, "mp4"),
    "prores": ("prores_ks", {"profile": "3"}, "mov"),
    "ffv1": ("ffv1", {"level": "3", "slices": "4"}, "mkv"),
}


def make_source(path: Path, encoder: str, options: dict[str, str], scale: int, frames: int) -> None:
    """A recording of the demo's harbour, enlarged by repeating pixels, full codes flagged narrow."""
    encoding = Encoding(10, Range.FULL)
    with av.open(str(path), "w") as container:
        stream = cast(Any, container.add_stream(encoder, rate=Fraction(24), options=options))
        stream.width, stream.height, stream.pix_fmt = 640 * scale, 360 * scale, "yuv422p10le"
        stream.codec_context.color_range = 1
        for number in range(frames):
            picture = planes(log_signal(harbour(number % 12), "ACEScct"), encoding, "4:2:2")
            frame = av.VideoFrame(640 * scale, 360 * scale, "yuv422p10le")
            for target, plane in zip(frame.planes, picture, strict=True):
                large = np.repeat(np.repeat(plane, scale, 0), scale, 1)
                np.frombuffer(cast(Any, target), np.uint16).reshape(large.shape[0], -1)[:, : large.shape[1]] = large
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def whole_process(source: Path, out: Path, dither: str) -> float:
    """`footroom mend`, everything included."""
    shutil.rmtree(out, ignore_errors=True)
    command = [sys.executable, "-m", "footroom.host_adapter.headless", "mend", str(source), "--out", str(out)]
    command += ["--remedy", "rescale", "--from", "full", "--dither", dither, "--codec", "ffv1", "--json"]
    return timed(command)


def pipeline_alone(source: Path, target: Path, dither: str) -> float:
    """Decode, kernel, encode, mux: what the peer does too, in a running process."""
    full, narrow = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
    start = time.perf_counter()
    with open_recording(source) as recording, contextlib.redirect_stderr(io.StringIO()):
        change = Change(full, narrow, recording.info, Dither(dither), 0)
        choice = choose_codec(recording.info, depth=10, remedy="rescale", codec="ffv1")
        transform(recording, target, encoding=narrow, codec=choice, process=change.apply)
    spent = time.perf_counter() - start
    target.unlink()
    return spent


def peer_process(source: Path, target: Path, dither: str) -> float:
    """The ffmpeg program with zscale, FFV1 with the same options."""
    kind = "none" if dither == "none" else "random"
    scale = f"zscale=rangein=full:range=limited:dither={kind}"
    command = [
        "ffmpeg",
        "-v",
        "error",
        "-nostdin",
        "-y",
        "-i",
        str(source),
        "-vf",
        scale,
        "-c:v",
        "ffv1",
        "-level",
        "3",
    ]
    command += ["-slices", "4", "-slicecrc", "1", "-g", "1", "-context", "0", "-pix_fmt", "yuv422p10le", str(target)]
    return timed(command)


def timed(command: list[str]) -> float:
    """Wall time of a whole process; a failed one stops the bench."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def same_codes(ours: Path, theirs: Path) -> float:
    """Largest difference of the two results' codes: the outputs are looked at before any time is believed."""
    worst = 0
    with open_recording(ours) as a, open_recording(theirs) as b:
        for x, y in zip(a.frames(), b.frames(), strict=True):
            for p, q in zip(x.planes, y.planes, strict=True):
                worst = max(worst, int(np.abs(p.astype(int) - q.astype(int)).max()))
    return worst


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--smoke", action="store_true", help="one small case, one round: does it run?")
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    sizes = {"640x360": 1} if arguments.smoke else SIZES
    rounds, frames = (1, 12) if arguments.smoke else (arguments.rounds, 96)
    print("| source | size | dither | whole process / ffmpeg | pipeline alone / ffmpeg | codes apart, undithered |")
    print("|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for name, (encoder, options, container) in SOURCES.items():
            for size, scale in sizes.items():
                source = folder / f"{name}_{size}.{container}"
                make_source(source, encoder, options, scale, frames)
                whole_process(source, folder / "warm", "none")
                peer_process(source, folder / "peer.mkv", "none")
                apart = same_codes(next((folder / "warm").glob("*.mkv")), folder / "peer.mkv")
                for dither in ("none", "triangular"):
                    pipeline_alone(source, folder / "alone.mkv", dither)
                    ratios = []
                    for _ in range(rounds):
                        peer = peer_process(source, folder / "peer.mkv", dither)
                        alone = pipeline_alone(source, folder / "alone.mkv", dither)
                        ratios.append((whole_process(source, folder / "out", dither) / peer, alone / peer))
                    whole, alone = (statistics.median(column) for column in zip(*ratios, strict=True))
                    print(f"| {name} | {size} | {dither} | {whole:.2f} | {alone:.2f} | {apart} |", flush=True)


if __name__ == "__main__":
    main()
