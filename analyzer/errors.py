"""Errors a user can mend. Each message is one plain sentence that names the file, row or key,
what was found, what is allowed, and what to do. The command line prints it and exits with `exit_status`."""


class HalfshaftError(ValueError):
    """Base of every error that is answered with a message instead of a traceback."""

    exit_status = 2


class InputError(HalfshaftError):
    """The command line or an input file is wrong (exit status 2)."""

    exit_status = 2


class CannotTell(HalfshaftError):
    """The log is readable but cannot support the question (exit status 3); says what is missing."""

    exit_status = 3
