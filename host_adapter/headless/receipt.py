"""The receipt: the record beside a result of what it was made from, how, and what was lost."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

RECEIPT_VERSION = 1
_BLOCK = 1 << 22


def program_version() -> str:
    """The installed version of footroom."""
    try:
        return version("footroom")
    except PackageNotFoundError:
        return "unknown"


def receipt_path(result: Path) -> Path:
    """Where the receipt of a result lies: beside it, its whole name plus '.receipt.json'."""
    return result.with_name(result.name + ".receipt.json")


def members(path: Path) -> list[Path]:
    """The files of a result or an input: itself, or the files of a folder in order of name."""
    if path.is_dir():
        return sorted(child for child in path.iterdir() if child.is_file() and not child.name.startswith("."))
    return [path]


def fingerprint(paths: list[Path]) -> dict[str, Any]:
    """Bytes and SHA-256 of a file; of several, of all contents in order, each after its name and length."""
    digest = hashlib.sha256()
    total = 0
    for path in paths:
        size = path.stat().st_size
        total += size
        if len(paths) > 1:
            digest.update(f"{path.name}\0{size}\0".encode())
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                digest.update(block)
    return {"bytes": total, "sha256": digest.hexdigest(), "files": len(paths)}


def receipt_head(
    source: Path | None,
    files: list[Path],
    result: Path,
    partial: Path,
    parameters: Mapping[str, Any],
    output: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """What every receipt of one result begins with.

    source : what it was made from, as named, None where from nothing; files : those of it
    result : its name; partial : where it lies until it has that name; output : more that is to be said of it
    """
    return {
        "receipt": RECEIPT_VERSION,
        "footroom": program_version(),
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "input": None if source is None else {"path": str(source), **fingerprint(files)},
        "output": {"path": result.name, **fingerprint(members(partial)), **(output or {})},
        "parameters": parameters,
    }


def write_receipt(path: Path, content: Mapping[str, Any]) -> None:
    """Write a receipt whole or not at all."""
    temporary = path.with_name(f".{path.name}.partial")
    try:
        # A file name need not be UTF-8; what is not comes out as the escape that JSON has for it.
        with temporary.open("w", encoding="utf-8", errors="backslashreplace") as file:
            json.dump(content, file, indent=2, ensure_ascii=False)
            file.write("\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def read_receipt(path: Path) -> dict[str, Any] | None:
    """The receipt, or None where there is none that can be read."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) and content.get("receipt") == RECEIPT_VERSION else None
