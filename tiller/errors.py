"""Errors that a person at the rack reads.

    TillerError                 anything that a user can put right; exit code 2
    ├── FileFault               a file or a folder is missing, broken or says something wrong
    │   ├── KeyFault            one key of a TOML file is missing or wrong
    │   └── RecordingFault      a folder that is no recording, or lacks a part of one
    ├── VisionFault             the picture does not show what is needed
    ├── ForceFault              the scale's log does not give a force
    ├── SourceFault             a camera or a scale cannot be opened, or was lost
    ├── MeasureFault            the pull cannot be measured (too small, contradictory)
    └── BookFault               the shop's book cannot be read or written

Every text says what was seen, what it means and what to do next, in one sentence or two.
"""

from __future__ import annotations

from tiller.quantity import plain


class TillerError(Exception):
    """Base of all errors with a sentence for the user; ``str`` gives it in mm and N, ``marked`` with its quantities marked (``tiller.quantity``)."""

    @property
    def marked(self) -> str:
        """The sentence as it was made."""
        return str(self.args[0]) if self.args else ""

    def __str__(self) -> str:
        return plain(self.marked)


class FileFault(TillerError):
    """A file or folder is missing, unreadable or says something wrong."""


class KeyFault(FileFault):
    """A key of a TOML file is missing or wrong.

    Args:
        file: the file as the user named it.
        key: dotted path of the key, such as ``limbs.left.length_mm``.
        found: what stands there, in words.
        expected: what is expected, in words.
    """

    def __init__(self, file: str, key: str, found: str, expected: str) -> None:
        self.file, self.key, self.found, self.expected = file, key, found, expected
        super().__init__(f"{file}: key '{key}': found {found}; expected {expected}.")


class RecordingFault(FileFault):
    """A folder is no recording, or lacks something that a recording must have."""


class VisionFault(TillerError):
    """The picture does not show what is needed to measure."""


class ForceFault(TillerError):
    """The scale's log does not give a force."""


class SourceFault(TillerError):
    """A camera or a scale cannot be opened, or was lost while it was read."""


class MeasureFault(TillerError):
    """The pull cannot be measured."""


class BookFault(TillerError):
    """The shop's book cannot be read or written."""
