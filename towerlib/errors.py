"""The two ways in which a user's files can stop the work, each told in one sentence."""


class TowerlibError(Exception):
    """What was wrong in the user's files, where, and how to mend it."""


class RecordsError(TowerlibError):
    """A table, file or folder without which the work makes no sense."""


class SettingsError(TowerlibError):
    """A setting, parameter or option that is unknown, out of range or missing."""
