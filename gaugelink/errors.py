"""The project's own errors: few, raised where the cause is known, with the way out in the message."""


class GaugelinkError(Exception):
    """Base of every error that this project raises on purpose.

    The text is one sentence or two for a person: what was found, what was expected, what to do.
    """


class SettingsError(GaugelinkError):
    """A file that a person wrote (shop, fleet, layout, notebook) cannot be used as it stands."""


class RecordingError(GaugelinkError):
    """A recorded trace cannot be read."""


class JournalError(GaugelinkError):
    """The durable record cannot be opened, read or written."""


class EntryError(JournalError):
    """One entry of the record cannot be read; the others can."""


class GaugeError(GaugelinkError):
    """A gauge or its radio cannot be used."""


class BrokerError(GaugelinkError):
    """The broker cannot be used."""


class ArchiveError(GaugelinkError):
    """The archive's database cannot be opened, read or written."""


class ClosedPipeError(Exception):
    """Whoever read what a command prints went away, as `head` does: it ends, and there is nobody left to tell.

    No `OSError`, as a broken pipe is: where a radio, a broker or a file is open, it would be told as their fault.
    """
