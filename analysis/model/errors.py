"""Typed errors. Every message says what was expected, what was found, and what to do next."""


class StrokeplaneError(Exception):
    """Base of every error that a user can cause or cure; the command line prints it as one sentence."""


class InputError(StrokeplaneError):
    """A file, row, column, setting or event that cannot be used as it stands."""


class SessionFileError(StrokeplaneError):
    """A session file that cannot be read or written."""


class SoundFileError(StrokeplaneError):
    """A recording of the sound that cannot be read or written."""


class TimebaseError(InputError):
    """Sample times that go backwards, contradict the rate, or cannot be put on a grid."""


class GestureError(StrokeplaneError):
    """Reference gestures that are missing or too poor to give an instrument frame."""


class DeviceError(StrokeplaneError):
    """A sensor or link that cannot be found, opened or understood."""


class NotEnoughDataError(StrokeplaneError):
    """A question that this session cannot answer, with what would answer it."""


class OutputError(StrokeplaneError):
    """A file that cannot be written where it was asked for."""


class ClusterError(StrokeplaneError):
    """Workers elsewhere that cannot be reached or cannot do the work."""
