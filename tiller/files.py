"""Files that are there whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO

from tiller.errors import FileFault

FULL = (errno.ENOSPC, errno.EDQUOT)


def step(done: str) -> None:
    """Called after each step of whatever is written. Does nothing: tests put a hook here and end the process at each step in turn."""
    del done


def check_regular(path: Path, largest: int) -> None:
    """Refuses what is no file of data: a pipe or a device that never ends, or more than ``largest`` bytes.

    Raises:
        OSError: it cannot be looked at.
        FileFault: it is no regular file, or too large.
    """
    status = Path(path).stat()
    if not stat.S_ISREG(status.st_mode):
        msg = f"{path} is a {'folder' if stat.S_ISDIR(status.st_mode) else 'device or a pipe'}, no file: give a file."
        raise FileFault(msg)
    if status.st_size > largest:
        msg = f"{path} has {status.st_size / 1e6:.0f} MB, more than the {largest / 1e6:.0f} MB that such a file may have: is it the right one?"
        raise FileFault(msg)


def read_regular(path: Path, largest: int) -> bytes:
    """A regular file's bytes; see ``check_regular``. What grows meanwhile, or says that it has none, is read no further than ``largest``."""
    check_regular(path, largest)
    with Path(path).open("rb") as file:
        return b"".join(blocks(file, largest))


BLOCK = 1 << 20


def blocks(stream: IO[bytes], largest: int | None = None) -> Iterator[bytes]:
    """What is left of a stream, in parts of a megabyte.

    Raises:
        FileFault: it goes on beyond ``largest`` bytes.
    """
    total = 0
    while part := stream.read(BLOCK):
        total += len(part)
        if largest is not None and total > largest:
            msg = f"{getattr(stream, 'name', 'a file')} goes on beyond {largest / 1e6:.0f} MB: it is no file of data."
            raise FileFault(msg)
        yield part


def write_whole(path: Path, data: bytes | Iterable[bytes], *, new: bool = False) -> None:
    """Writes a file so that it is there whole or not at all, readable by its user alone; a ``new`` one never over another.

    Args:
        data: what is in it, or that in parts.

    Raises:
        FileFault: it cannot be written, or one that must be new is there already; nothing is left behind.
    """
    path = Path(path)
    temporary: str | None = None
    try:
        if path.is_symlink():  # what it points to is meant
            path = path.resolve()
        if path.exists() and not path.is_file():
            msg = f"{path} is no file that could be written: choose another name."
            raise FileFault(msg)
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as file:
            for part in (data,) if isinstance(data, bytes) else data:
                file.write(part)
            file.flush()
            step(f"half of {path.name} written")
            os.fsync(file.fileno())
        step(f"{path.name} written beside its place")
        if new:
            put_new(Path(temporary), path)
        else:
            Path(temporary).replace(path)
        step(f"{path.name} in place")
    except FileExistsError as err:
        msg = f"{path} is there already: edit it, or choose another name."
        raise FileFault(msg) from err
    except OSError as err:
        remedy = "free some space, or choose another place" if err.errno in FULL else "choose another place or name"
        msg = f"{path} could not be written ({err.strerror}): {remedy}; nothing was left half-written."
        raise FileFault(msg) from err
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


def put_new(part: Path, path: Path) -> None:
    """Gives a finished file its name, never over another that came there meanwhile; it may stay under the old name too.

    Raises:
        FileExistsError: one did.
    """
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:  # a drive without links
        if path.exists():
            raise FileExistsError(errno.EEXIST, "File exists", str(path)) from None
        part.rename(path)
    step(f"{path.name} in place, perhaps also beside it")


NETWORKS = ("nfs", "cifs", "smb", "9p", "afs", "ncp", "fuse.sshfs", "ceph", "glusterfs")
"""What file systems over a network are called by Linux (proc(5), mountinfo), each by how its name begins."""
MOUNTS = Path("/proc/self/mountinfo")
REMOTE = 4
"""What GetDriveTypeW of Windows answers for a drive over a network (DRIVE_REMOTE)."""


def on_network(path: Path) -> bool:
    """Whether a file lies on a drive over a network, where locks cannot be trusted; False where the system does not say, as on macOS."""
    where = path.absolute()
    if sys.platform == "win32":
        import ctypes

        return where.anchor.startswith("\\\\") or ctypes.windll.kernel32.GetDriveTypeW(where.anchor) == REMOTE
    try:
        rows = MOUNTS.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return False
    kinds: dict[Path, str] = {}
    for row in rows:
        before, dash, after = row.partition(" - ")
        if dash and len(before.split()) > 4:
            kinds[Path(before.split()[4].replace("\\040", " "))] = after.split()[0]
    mount = next((folder for folder in (where, *where.parents) if folder in kinds), None)
    return mount is not None and kinds[mount].startswith(NETWORKS)
