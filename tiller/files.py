"""Files that are there whole or not at all."""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

from tiller.errors import FileFault

FULL = (errno.ENOSPC, errno.EDQUOT)


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file so that it is there whole or not at all.

    Raises:
        FileFault: it cannot be written; nothing is left behind.
    """
    path = Path(path)
    temporary: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0o077)
        os.umask(mask)
        Path(temporary).chmod(0o666 & ~mask)  # a temporary file is private; this one is as any other
        Path(temporary).replace(path)
    except OSError as err:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        mend = "free some space, or choose another place" if err.errno in FULL else "choose another place or name"
        msg = f"{path} could not be written ({err.strerror}): {mend}; nothing was left half-written."
        raise FileFault(msg) from err
