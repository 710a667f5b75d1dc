"""What every writer of movies does with a file that will not be finished, and with the library's word for why."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av.error


def let_go(output: Any) -> None:
    """Close a container whose file does not count; None where it was never opened. Interrupts go through."""
    try:
        if output is not None:
            output.close()
    except (av.error.FFmpegError, ValueError):
        pass  # the end of the file cannot be written, or there is nothing to end


def system_error(failure: Exception, path: Path) -> OSError | None:
    """The system's own error where that is what the library met (a full disk), with the file it is about; else None."""
    if isinstance(failure, OSError) and failure.errno:
        return OSError(failure.errno, str(failure.strerror or failure), str(path))
    return None


def library_words(failure: Exception) -> str:
    """The library's reason, in lower case."""
    return str(getattr(failure, "strerror", None) or failure).lower()
