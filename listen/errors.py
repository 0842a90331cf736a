"""The one kind of error a user sees: what is wrong, where, and what to do."""


class BadInput(Exception):
    """Bad use or bad input. The command line prints it on one line and exits with 2."""
