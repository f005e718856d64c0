"""The errors a user can meet. Each message is one sentence that names the file and the remedy."""


class EvenflightError(Exception):
    """The work could not be done (exit status 1)."""


class UsageError(EvenflightError):
    """The command, a setting or a name was wrong (exit status 2)."""


class PhotoError(EvenflightError):
    """One photograph cannot be read; it costs that frame, never the sequence."""
