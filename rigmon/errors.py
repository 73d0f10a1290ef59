"""The one root of errors that a person can mend: shown without a traceback, exit code 2."""


class UsageError(Exception):
    """Bad input from a person: the message names the file or key, the value, and what would be right."""


class ConfigError(UsageError):
    """A rig file that cannot be used."""


class LogError(UsageError):
    """A run log that cannot be opened or read."""
