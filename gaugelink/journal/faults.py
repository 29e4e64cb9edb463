"""Why the journal could not be written, told apart so that the right sentence reaches the mechanic."""

import sqlite3
from enum import StrEnum
from pathlib import Path

from gaugelink.counting import counted
from gaugelink.errors import JournalError


class WriteFault(StrEnum):
    """What is wrong with the disk under the journal."""

    FULL = "full"
    READ_ONLY = "read_only"
    BUSY = "busy"
    """Another process holds the write lock."""
    DISK = "disk"
    """The disk or its file system failed."""


_BY_CODE = {
    sqlite3.SQLITE_FULL: WriteFault.FULL,
    sqlite3.SQLITE_READONLY: WriteFault.READ_ONLY,
    sqlite3.SQLITE_PERM: WriteFault.READ_ONLY,
    sqlite3.SQLITE_BUSY: WriteFault.BUSY,
    sqlite3.SQLITE_LOCKED: WriteFault.BUSY,
    sqlite3.SQLITE_IOERR: WriteFault.DISK,
    sqlite3.SQLITE_CANTOPEN: WriteFault.DISK,
    sqlite3.SQLITE_CORRUPT: WriteFault.DISK,
    sqlite3.SQLITE_NOTADB: WriteFault.DISK,
}

_SENTENCE = {
    WriteFault.FULL: "the disk is full: make room",
    WriteFault.READ_ONLY: "the disk or the file is read-only: make it writable",
    WriteFault.BUSY: "another process holds it: close that process",
    WriteFault.DISK: "the disk failed: check it",
}


class JournalWriteError(JournalError):
    """A record could not be put on disk. Measuring can go on."""

    def __init__(
        self, path: Path, fault: WriteFault, kept: int, *, this_kept: bool, detail: str = "", closing: bool = False
    ) -> None:
        """Say what is wrong and what becomes of the results; `closing` means that there is no later try."""
        self.path = path
        self.fault = fault
        """What is wrong."""
        self.kept = kept
        """Units of work that wait in memory until the journal can be written."""
        self.this_kept = this_kept
        """False when the memory was full too, and what was to be written is lost unless the caller keeps it."""
        results = counted(kept, "result")
        if closing:
            fate = f"; lost with the service that ends: {results}"
        elif this_kept:
            fate = f"; kept in memory: {results}"
        else:
            # A journal that cannot even be opened was given no result yet.
            fate = f"; memory is full with {results}, this one is lost" if kept else ""
        cause = f" ({detail})" if detail else ""
        super().__init__(f"The journal {path} cannot be written, {_SENTENCE[fault]}{cause}{fate}.")


def write_fault(error: sqlite3.Error) -> WriteFault | None:
    """Tell what is wrong with the disk, or None when the error is not about the disk."""
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return None
    # The low byte is the primary result code; the rest is detail.
    return _BY_CODE.get(code & 0xFF)
